package scan

import (
	"math"
	"slices"

	"swathkeeper/measure/chart"
)

// lanes is the number of parts a strip's width is read in, so that dirt on one is seen as such:
// a line of a nozzle runs through all.
const lanes = 4

// endMM of a strip's length is left out at both ends, where blur brings in the white beside it.
const endMM = 1.0

// sheet gives a place by its feed coordinate and the one across.
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
	pitch    float64 // of samples
	n        int
}

func (d *reducer) spanOf(s chart.Strip, pitch float64) span {
	x, w, y, h := s.X, s.W, s.Y, s.H
	if d.feedX {
		x, w, y, h = y, h, x, w
	}
	m := inset(w)
	n := int((h-2*endMM)/pitch) - 1
	return span{from: x + m, to: x + w - m, start: y + endMM + pitch/2, pitch: pitch, n: max(0, n)}
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

// task prepares the reading of a strip in some channels, with samples of a pitch in mm. It is nil
// when the strip is not wholly in the picture.
func (d *reducer) task(s chart.Strip, pitch float64, skip int, channels ...int) *task {
	k := &task{strip: s, sp: d.spanOf(s, pitch), skip: skip, channels: channels}
	if k.sp.n < 16 || !d.inside(s) {
		return nil
	}
	return k
}

// light gives the light along a strip that was read, dirt left out, for its channel number i, and
// the share of samples where something was.
func (k *task) light(i int) (light []float64, dusty float64) {
	var parts [lanes][]float64
	for n := range parts {
		parts[n] = k.sums[i][n].means(k.sp.n)
	}
	return joinLanes(parts[:], int(4/k.sp.pitch))
}

// traceTasks are the strips of inks that can be read, each in the filter that fits its ink.
func (d *reducer) traceTasks() (tasks []*task, lost []string) {
	for _, s := range d.l.Strips {
		if s.White() {
			continue
		}
		channel := 0
		if d.p.Channels == 3 {
			channel = d.filter(s)
		}
		if k := d.task(s, d.pitch, 1, channel); k != nil {
			tasks = append(tasks, k)
		} else {
			lost = append(lost, s.ID)
		}
	}
	return tasks, lost
}

// trace turns a strip that was read into density.
func (d *reducer) trace(k *task) Trace {
	s, channel := k.strip, k.channels[0]
	t := Trace{Strip: s.ID, Channel: s.Channel, Tint: s.Tint, PitchUM: k.sp.pitch * 1000, StartMM: k.sp.start, Filter: "grey"}
	if d.p.Channels == 3 {
		t.Filter = [3]string{"red", "green", "blue"}[channel]
	}
	t.Values, t.Dusty = k.light(0)
	middle := (k.sp.from + k.sp.to) / 2
	for i, v := range t.Values {
		t.Values[i] = density(v / d.lamp(d.sheet(middle, k.sp.start+float64(i)*k.sp.pitch), channel))
	}
	return t
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
	rel := make([][]float64, len(parts)) // to the lane's own slow course
	for i, p := range parts {
		rel[i] = make([]float64, n)
		for k, v := range p {
			rel[i][k] = v / max(level[i][k], 1e-4)
		}
	}
	sorted := make([]float64, len(parts))
	for k := range n {
		for i := range parts {
			sorted[i] = rel[i][k]
		}
		slices.Sort(sorted)
		m := (sorted[(len(sorted)-1)/2] + sorted[len(sorted)/2]) / 2
		for i := range parts {
			off[i][k] = rel[i][k] - m
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
				sum += rel[i][k]
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
