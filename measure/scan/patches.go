package scan

import (
	"math"
	"slices"

	"swathkeeper/measure/chart"
)

// A patch is read as cells x cells cells of dots x dots pixels each. The means of the cells are
// what is compared and averaged, so that a hair costs a few cells, and texture of the goods is
// mostly gone within one.
const (
	cells = 8
	dots  = 8
)

// trimmed is the share of cells, those farthest from the median, that do not count in a mean.
const trimmed = 0.2

// inset is how much of a field's side is left out at each end, in mm: blur and the edge of the
// goods' stretch reach about a millimetre.
func inset(side float64) float64 { return min(max(0.12*side, 0.9), 0.3*side) }

// patch reads one patch.
func (d *reducer) patch(q chart.Patch) PatchValue {
	v := PatchValue{ID: q.ID}
	c := point{q.X + q.W/2, q.Y + q.H/2}
	hx, hy := q.W/2-inset(q.W), q.H/2-inset(q.H)
	t := d.w.around(c, hx, hy)
	var cell [cells * cells][3]float64
	n, clipped := 0, 0
	for i := range cell {
		n0 := n
		for k := range dots * dots {
			// Dots fill the cell evenly: place them at the middles of dots x dots squares.
			ux := (float64(i%cells*dots+k%dots)+0.5)*2/(cells*dots) - 1
			uy := (float64(i/cells*dots+k/dots)+0.5)*2/(cells*dots) - 1
			at := t.apply(point{ux * hx, uy * hy})
			x, y := int(at.x), int(at.y)
			if at.x < 0 || at.y < 0 || x >= d.p.W || y >= d.p.H {
				continue
			}
			n++
			end := false
			for ch := range 3 {
				light, e := d.light(x, y, ch)
				cell[i][ch] += light
				end = end || e
			}
			if end {
				clipped++
			}
		}
		for ch := range 3 {
			cell[i][ch] /= float64(max(1, n-n0))
		}
	}
	if n > 0 {
		v.Clipped = float64(clipped) / float64(n)
	}
	v.RGB, v.Spread, v.Dusty = robustMean(cell[:], d.feedX)
	lamp := d.lamp(c)
	for ch := range v.RGB {
		v.RGB[ch] /= lamp[ch]
		v.Density[ch] = density(v.RGB[ch])
	}
	v.Lab = d.e.Lab(v.RGB)
	return v
}

// light gives the linear light of one sample, and whether it is at the end of the scale.
func (d *reducer) light(x, y, channel int) (v float64, end bool) {
	p := d.p
	i := y*p.stride() + (x*p.Step+channel)*p.sampleBytes()
	if p.Bits == 8 {
		b := p.Pix[i]
		return float64(d.lut[channel][b]), b == 0 || b == 255
	}
	u := uint16(p.Pix[i])<<8 | uint16(p.Pix[i+1])
	return float64(d.lut[channel][u]), u == 0 || u == 65535
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
