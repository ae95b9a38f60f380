package scan

import (
	"fmt"
	"math"
	"slices"

	"swathkeeper/measure/chart"
)

// A patch is read as cells x cells cells of dots x dots pixels each. The means of the cells are
// what is compared and averaged, so that a hair costs a few cells, and texture of the goods is
// mostly gone within one.
const (
	cells = 8
	dots  = 6
)

// trimmed is the share of cells, those farthest from the median, that do not count in a mean.
const trimmed = 0.2

// inset is how much of a field's side is left out at each end, in mm: blur and the edge of the
// goods' stretch reach about a millimetre.
func inset(side float64) float64 { return min(max(0.12*side, 0.9), 0.3*side) }

// outside counts the patches of which a part that is read lies beyond the edge of a picture of w x h
// pixels: what is not there would be read as black.
func outside(l *chart.Layout, apply func(point) point, w, h int) (n int) {
	for _, q := range l.Patches {
		c := point{q.X + q.W/2, q.Y + q.H/2}
		hx, hy := q.W/2-inset(q.W), q.H/2-inset(q.H)
		for _, d := range [4]point{{-hx, -hy}, {hx, -hy}, {-hx, hy}, {hx, hy}} {
			if at := apply(point{c.x + d.x, c.y + d.y}); at.x < 0 || at.y < 0 || at.x > float64(w) || at.y > float64(h) {
				n++
				break
			}
		}
	}
	return n
}

func notWhole(l *chart.Layout, n int) error {
	return fmt.Errorf("the chart is cut off: %d of the %d patches of chart %s are not wholly in the picture; scan the whole sheet", n, len(l.Patches), l.ID)
}

// patch reads one patch.
func (d *reducer) patch(q chart.Patch) PatchValue {
	v := PatchValue{ID: q.ID}
	c := point{q.X + q.W/2, q.Y + q.H/2}
	hx, hy := q.W/2-inset(q.W), q.H/2-inset(q.H)
	t := d.w.around(c)
	var cell [cells * cells][3]float64
	v.Clipped = d.dots(t, hx, hy, &cell)
	v.RGB, v.Spread, v.Dusty = robustMean(cell[:], d.feedX)
	for ch := range v.RGB {
		v.RGB[ch] /= d.lamp(c, ch)
		v.Density[ch] = density(v.RGB[ch])
	}
	v.Lab = d.e.Lab(v.RGB)
	return v
}

// dots reads cells x cells cells of dots x dots pixels each, evenly over a box of half sides hx and
// hy, in mm: the mean light of each cell, and the share of pixels at the end of the scale. It goes
// through the box row by row, as the pixels lie in memory. Pixels outside the picture do not count.
func (d *reducer) dots(t affine, hx, hy float64, cell *[cells * cells][3]float64) (clipped float64) {
	const side = cells * dots
	p := d.p
	// From one dot to the next along the box's sides, in 1/65536 of a pixel.
	fixed := func(v float64) int { return int(math.Round(v * 65536)) }
	ux, uy := fixed(t.a*hx*2/side), fixed(t.d*hx*2/side)
	vx, vy := t.b*hy*2/side, t.e*hy*2/side
	inside := true
	for _, c := range [4]point{{-hx, -hy}, {hx, -hy}, {-hx, hy}, {hx, hy}} {
		q := t.apply(c)
		inside = inside && q.x >= 1 && q.y >= 1 && q.x < float64(p.W-1) && q.y < float64(p.H-1)
	}
	stride, step, sb := p.stride(), p.Step*p.sampleBytes(), p.sampleBytes()
	lr, lg, lb := d.lut[0], d.lut[1], d.lut[2]
	var seen [cells * cells]int
	n, ends := 0, 0
	for j := range side {
		start := t.apply(point{-hx * (side - 1) / side, 0})
		down := float64(j) - (side-1)/2.0
		x, y := fixed(start.x+vx*down), fixed(start.y+vy*down)
		if inside && j+ahead < side {
			ax, ay := x+int(ahead*vx*65536), y+int(ahead*vy*65536)
			for range cells {
				prefetch(&p.Pix[(ay>>16)*stride+(ax>>16)*step], 1)
				ax, ay = ax+dots*ux, ay+dots*uy
			}
		}
		if inside && sb == 1 {
			ends += d.dotRow(cell[j/dots*cells:][:cells], x, y, ux, uy)
			continue
		}
		for i := range cells {
			k := j/dots*cells + i
			var r, g, b float32
			for range dots {
				px, py := x>>16, y>>16
				x, y = x+ux, y+uy
				if !inside && (px < 0 || py < 0 || px >= p.W || py >= p.H) {
					continue
				}
				seen[k]++
				at := p.Pix[py*stride+px*step:]
				if sb == 1 {
					r, g, b = r+lr[at[0]], g+lg[at[1]], b+lb[at[2]]
					if at[0]+1 < 2 || at[1]+1 < 2 || at[2]+1 < 2 {
						ends++
					}
					continue
				}
				var u [3]uint16
				for c := range u {
					u[c] = uint16(at[2*c])<<8 | uint16(at[2*c+1])
				}
				r, g, b = r+lr[u[0]], g+lg[u[1]], b+lb[u[2]]
				if u[0]+1 < 2 || u[1]+1 < 2 || u[2]+1 < 2 {
					ends++
				}
			}
			cell[k][0] += float64(r)
			cell[k][1] += float64(g)
			cell[k][2] += float64(b)
		}
	}
	for k := range cell {
		if inside && sb == 1 {
			seen[k] = dots * dots
		}
		n += seen[k]
		for c := range 3 {
			cell[k][c] /= float64(max(1, seen[k]))
		}
	}
	return float64(ends) / float64(max(1, n))
}

// dotRow adds a row of dots to the cells that it runs through, in an 8-bit picture and wholly inside
// it, and gives the number of those at the end of the scale. Places are in 1/65536 of a pixel.
func (d *reducer) dotRow(cell [][3]float64, x, y, ux, uy int) (ends int) {
	pix, stride, step := d.p.Pix, d.p.stride(), d.p.Step
	lr, lg, lb := (*[256]float32)(d.lut[0]), (*[256]float32)(d.lut[1]), (*[256]float32)(d.lut[2])
	for i := range cell {
		var r, g, b float32
		for range dots {
			at := pix[(y>>16)*stride+(x>>16)*step:][:3]
			x, y = x+ux, y+uy
			r, g, b = r+lr[at[0]], g+lg[at[1]], b+lb[at[2]]
			// 0 and 255 are the two that 1 more, as a byte, makes less than 2.
			if at[0]+1 < 2 || at[1]+1 < 2 || at[2]+1 < 2 {
				ends++
			}
		}
		cell[i][0] += float64(r)
		cell[i][1] += float64(g)
		cell[i][2] += float64(b)
	}
	return ends
}

// robustMean averages cells without those farthest from the others at the same place along the
// feed, all channels together so that hue does not suffer. A line of a nozzle, which all cells of
// such a row share, is part of the patch and stays. It gives the spread of the cells that count
// and the share of cells that are no part of the patch.
func robustMean(cell [][3]float64, feedX bool) (mean [3]float64, spread, dusty float64) {
	row := func(i int) int {
		if feedX {
			return i % cells
		}
		return i / cells
	}
	var median [3]float64
	var rows [cells][3]float64
	one := make([]float64, 0, len(cell))
	for ch := range 3 {
		for r := range rows {
			one = one[:0]
			for i, c := range cell {
				if row(i) == r {
					one = append(one, c[ch])
				}
			}
			rows[r][ch] = medianOf(one)
		}
		one = one[:0]
		for _, c := range cell {
			one = append(one, c[ch])
		}
		median[ch] = medianOf(one)
	}
	// Distance relative to the light itself, with a floor for the darks. A row that is far off as
	// a whole is a hair that lies across the feed, not a line.
	away := func(i int) float64 {
		s := 0.0
		for ch := range 3 {
			from := rows[row(i)][ch]
			if math.Abs(from-median[ch]) > 0.25*(median[ch]+0.02) {
				from = median[ch]
			}
			x := (cell[i][ch] - from) / (median[ch] + 0.02)
			s += x * x
		}
		return math.Sqrt(s / 3)
	}
	type ranked struct {
		i int
		d float64
	}
	rank := make([]ranked, len(cell))
	for i := range cell {
		rank[i] = ranked{i, away(i)}
	}
	slices.SortFunc(rank, func(a, b ranked) int {
		switch {
		case a.d < b.d:
			return -1
		case a.d > b.d:
			return 1
		}
		return a.i - b.i
	})
	typical := rank[len(rank)/2].d
	for _, r := range rank {
		if r.d > max(6*typical, 0.06) {
			dusty++
		}
	}
	dusty /= float64(len(cell))
	keep := rank[:len(rank)-int(trimmed*float64(len(rank)))]
	for _, r := range keep {
		for ch := range 3 {
			mean[ch] += cell[r.i][ch] / float64(len(keep))
		}
		spread += r.d * r.d / float64(len(keep))
	}
	return mean, math.Sqrt(spread), dusty
}

// density is -log10 of a reflectance, at most 4.
func density(v float64) float64 { return -math.Log10(max(v, 1e-4)) }
