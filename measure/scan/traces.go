package scan

import (
	"math"
	"slices"

	"swathkeeper/measure/chart"
)

// lanes is the number of parts a strip's width is read in, so that dirt on one is seen as such:
// a line of a nozzle runs through all.
const lanes = 4

// segmentMM is the length over which the goods' stretch is taken as even.
const segmentMM = 5.0

// endMM of a strip's length is left out at both ends, where blur brings in the white beside it.
const endMM = 1.0

// lane is a part of a strip's width as sums over samples along the feed.
type lane struct {
	sum, weight []float64
}

// along and across give a place by its feed coordinate and the one across.
func (d *reducer) sheet(across, along float64) point {
	if d.feedX {
		return point{along, across}
	}
	return point{across, along}
}

// span is a strip without its edges, in feed and cross coordinates, and its samples.
type span struct {
	from, to float64 // across
	start    float64 // feed position of the first sample
	n        int
}

func (d *reducer) spanOf(s chart.Strip) span {
	x, w, y, h := s.X, s.W, s.Y, s.H
	if d.feedX {
		x, w, y, h = y, h, x, w
	}
	m := inset(w)
	n := int((h-2*endMM)/d.pitch) - 1
	return span{from: x + m, to: x + w - m, start: y + endMM + d.pitch/2, n: max(0, n)}
}

// inside reports whether a strip's corners lie in the picture.
func (d *reducer) inside(s chart.Strip) bool {
	for _, c := range [4]point{{s.X, s.Y}, {s.X + s.W, s.Y}, {s.X, s.Y + s.H}, {s.X + s.W, s.Y + s.H}} {
		if q := d.w.apply(c); q.x < 0 || q.y < 0 || q.x >= float64(d.p.W) || q.y >= float64(d.p.H) {
			return false
		}
	}
	return true
}

// readLanes sums one channel's light over the width between from and to into samples along the
// feed. Each pixel is shared between the two samples that it lies between, which keeps the
// centre of gravity of every line where it is.
func (d *reducer) readLane(sp span, from, to float64, channel int) lane {
	l := lane{sum: make([]float64, sp.n+1), weight: make([]float64, sp.n+1)}
	first, last := sp.start, sp.start+float64(sp.n-1)*d.pitch
	for a := first - d.pitch; a < last+d.pitch; a += segmentMM {
		b := min(a+segmentMM, last+d.pitch)
		d.readSegment(&l, sp, from, to, a, b, channel)
	}
	return l
}

// readSegment adds the pixels of one box of the sheet.
func (d *reducer) readSegment(l *lane, sp span, from, to, a, b float64, channel int) {
	c := d.sheet((from+to)/2, (a+b)/2)
	hu, hv := (to-from)/2, (b-a)/2
	hx, hy := hu, hv
	if d.feedX {
		hx, hy = hv, hu
	}
	t := d.w.around(c, hx, hy)
	// The inverse takes pixels to mm from the middle: u across and v along the feed.
	det := t.det()
	ux, uy := t.e/det, -t.b/det
	vx, vy := -t.d/det, t.a/det
	if d.feedX {
		ux, uy, vx, vy = vx, vy, ux, uy
	}
	// Rows of the picture that the box touches.
	reach := math.Abs(t.d)*hx + math.Abs(t.e)*hy
	y0, y1 := max(0, int(math.Floor(t.f-reach))), min(d.p.H-1, int(math.Ceil(t.f+reach)))
	step := d.p.Step * d.p.sampleBytes()
	lut := d.lut[channel]
	// v in samples from the first one.
	toSample, zero := 1/d.pitch, ((a+b)/2-sp.start)/d.pitch
	for y := y0; y <= y1; y++ {
		dy := float64(y) + 0.5 - t.f
		lo, hi := math.Inf(-1), math.Inf(1)
		lo, hi = clipRange(lo, hi, ux, uy*dy, hu)
		lo, hi = clipRange(lo, hi, vx, vy*dy, hv)
		// Pixel x has its centre at x + 0.5 - t.c from the middle.
		x0, x1 := max(0, int(math.Ceil(lo+t.c-0.5))), min(d.p.W-1, int(math.Ceil(hi+t.c-0.5))-1)
		if x0 > x1 {
			continue
		}
		row := d.p.Pix[y*d.p.stride()+x0*step+channel*d.p.sampleBytes():]
		v := (vx*(float64(x0)+0.5-t.c)+vy*dy)*toSample + zero
		dv := vx * toSample
		if d.p.Bits == 8 {
			l.add8(row, step, x1-x0+1, lut, v, dv)
		} else {
			l.add16(row, step, x1-x0+1, lut, v, dv)
		}
	}
}

// clipRange narrows lo..hi to where |k x + c| <= half.
func clipRange(lo, hi, k, c, half float64) (float64, float64) {
	if math.Abs(k) < 1e-12 {
		if math.Abs(c) > half {
			return 1, 0
		}
		return lo, hi
	}
	p, q := (-half-c)/k, (half-c)/k
	if p > q {
		p, q = q, p
	}
	return max(lo, p), min(hi, q)
}

// run is how many neighbouring pixels are added as one where they belong to about one sample.
const run = 8

// add8 adds n samples of a row, step bytes apart, whose sample position is v, v + dv, ...
func (l *lane) add8(row []byte, step, n int, lut []float32, v, dv float64) {
	i := 0
	if math.Abs(dv)*run < 0.25 {
		for ; n >= run; n -= run {
			p := row[i : i+(run-1)*step+1]
			s := lut[p[0]] + lut[p[step]] + lut[p[2*step]] + lut[p[3*step]] +
				lut[p[4*step]] + lut[p[5*step]] + lut[p[6*step]] + lut[p[7*step]]
			l.add(v+dv*(run-1)/2, float64(s), run)
			i += run * step
			v += dv * run
		}
	}
	for ; n > 0; n-- {
		l.add(v, float64(lut[row[i]]), 1)
		i += step
		v += dv
	}
}

func (l *lane) add16(row []byte, step, n int, lut []float32, v, dv float64) {
	i := 0
	for ; n > 0; n-- {
		l.add(v, float64(lut[uint16(row[i])<<8|uint16(row[i+1])]), 1)
		i += step
		v += dv
	}
}

// add shares light between the samples on both sides of v.
func (l *lane) add(v, light, weight float64) {
	k := int(v + 1)
	if v < -1 || k > len(l.sum)-1 {
		return
	}
	f := v + 1 - float64(k) // of the way from sample k-1 to sample k
	if k > 0 {
		l.sum[k-1] += (1 - f) * light
		l.weight[k-1] += (1 - f) * weight
	}
	l.sum[k] += f * light
	l.weight[k] += f * weight
}

// means divides sums by weights over n samples; a sample without pixels takes its neighbour's.
func (l lane) means(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		switch {
		case l.weight[i] > 0:
			out[i] = l.sum[i] / l.weight[i]
		case i > 0:
			out[i] = out[i-1]
		}
	}
	return out
}

// readStrip gives the light along a strip in one channel, dirt left out, and the share of
// samples where something was.
func (d *reducer) readStrip(s chart.Strip, channel int) (sp span, light []float64, dusty float64, ok bool) {
	sp = d.spanOf(s)
	if sp.n < 16 || !d.inside(s) {
		return sp, nil, 0, false
	}
	var parts [lanes][]float64
	w := (sp.to - sp.from) / lanes
	for i := range parts {
		parts[i] = d.readLane(sp, sp.from+float64(i)*w, sp.from+float64(i+1)*w, channel).means(sp.n)
	}
	light, dusty = joinLanes(parts[:], int(4/d.pitch))
	return sp, light, dusty, true
}

// trace reads one strip as density.
func (d *reducer) trace(s chart.Strip) (Trace, bool) {
	t := Trace{Strip: s.ID, Channel: s.Channel, Tint: s.Tint, PitchUM: d.pitch * 1000}
	channel := 0
	if d.p.Channels == 3 {
		channel = d.filter(s)
	}
	sp, light, dusty, ok := d.readStrip(s, channel)
	if !ok {
		return t, false
	}
	t.Filter = "grey"
	if d.p.Channels == 3 {
		t.Filter = [3]string{"red", "green", "blue"}[channel]
	}
	t.StartMM, t.Dusty = sp.start, dusty
	middle := (sp.from + sp.to) / 2
	t.Values = light
	for i, v := range light {
		lamp := d.lamp(d.sheet(middle, sp.start+float64(i)*d.pitch))
		t.Values[i] = density(v / lamp[channel])
	}
	return t, true
}

// filter is the scanner's channel that is complementary to a strip's ink: the usual one for
// process inks, else the one in which the strip is darkest.
func (d *reducer) filter(s chart.Strip) int {
	switch s.Channel {
	case "C", "LC":
		return 0
	case "M", "LM", "K", "LK":
		return 1
	case "Y":
		return 2
	}
	q := d.patch(chart.Patch{X: s.X, Y: s.Y + s.H/4, W: s.W, H: s.H / 2})
	best := 0
	for c := range 3 {
		if q.Density[c] > q.Density[best] {
			best = c
		}
	}
	return best
}

// joinLanes averages the lanes. Where one lane is off from the others by far more than it
// usually is, over and above its own slow course, it is left out, with a little on both sides.
func joinLanes(parts [][]float64, window int) (out []float64, dusty float64) {
	n := len(parts[0])
	level := make([][]float64, len(parts))
	off := make([][]float64, len(parts))
	for i, p := range parts {
		level[i] = slowly(p, window)
		off[i] = make([]float64, n)
	}
	rel, sorted := make([]float64, len(parts)), make([]float64, len(parts))
	for k := range n {
		for i, p := range parts {
			rel[i] = p[k] / max(level[i][k], 1e-4)
		}
		copy(sorted, rel)
		slices.Sort(sorted)
		m := (sorted[(len(sorted)-1)/2] + sorted[len(sorted)/2]) / 2
		for i := range parts {
			off[i][k] = relative(parts[i][k], level[i][k]) - m
		}
	}
	bad := make([][]bool, len(parts))
	for i := range parts {
		limit := max(6*robustSpread(off[i]), 0.04)
		bad[i] = make([]bool, n)
		for k, v := range off[i] {
			if math.Abs(v) > limit {
				for j := max(0, k-3); j <= min(n-1, k+3); j++ {
					bad[i][j] = true
				}
			}
		}
	}
	out = make([]float64, n)
	for k := range n {
		sum, mean, used := 0.0, 0.0, 0
		for i := range parts {
			mean += level[i][k] / float64(len(parts))
			if !bad[i][k] {
				sum += relative(parts[i][k], level[i][k])
				used++
			}
		}
		switch {
		case used == len(parts):
			for i := range parts {
				out[k] += parts[i][k] / float64(len(parts))
			}
		case used > 0:
			out[k] = mean * sum / float64(used)
			dusty += 1 / float64(n)
		default:
			out[k] = mean
			dusty += 1 / float64(n)
		}
	}
	return out, dusty
}

func relative(v, level float64) float64 { return v / max(level, 1e-4) }

func medianOf(v []float64) float64 {
	s := slices.Sorted(slices.Values(v))
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}

// robustSpread is a standard deviation from the median absolute value.
func robustSpread(v []float64) float64 {
	a := make([]float64, len(v))
	for i, x := range v {
		a[i] = math.Abs(x)
	}
	return 1.4826 * medianOf(a)
}

// slowly gives the slow course of a trace: medians of blocks, joined by straight lines.
func slowly(v []float64, window int) []float64 {
	window = max(8, min(window, len(v)))
	blocks := max(1, len(v)/window)
	mid, med := make([]float64, blocks), make([]float64, blocks)
	for b := range blocks {
		from, to := b*len(v)/blocks, (b+1)*len(v)/blocks
		mid[b] = float64(from+to-1) / 2
		med[b] = medianOf(v[from:to])
	}
	out := make([]float64, len(v))
	b := 0
	for i := range v {
		x := float64(i)
		for b+2 < blocks && x > mid[b+1] {
			b++
		}
		if blocks == 1 || x <= mid[0] {
			out[i] = med[0]
			continue
		}
		if x >= mid[blocks-1] {
			out[i] = med[blocks-1]
			continue
		}
		f := (x - mid[b]) / (mid[b+1] - mid[b])
		out[i] = med[b] + f*(med[b+1]-med[b])
	}
	return out
}
