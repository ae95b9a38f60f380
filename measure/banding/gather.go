package banding

import (
	"fmt"
	"math"
)

// lane is one channel of one reading on the reading's sampling grid: the weighted mean of its strips,
// its trend removed, in the sense that up means lighter.
type lane struct {
	name    string
	unit    string
	sign    float64 // lightness +1, density -1
	traces  []int   // indices of its traces
	weight  []float64
	offset  int // of its first sample on the reading's grid
	n       int
	level   float64 // mean trend in the trace's unit
	tint    float64
	paper   float64
	x       []float64 // padded by padX zeros on both sides
	gaps    []int
	gapped  float64 // share of missing samples
	z       [len(bankMM)][]float64
	prep    *prepared
	own     bool
	loud    float64 // of this reading's noise relative to the baseline's
	notches int
	wide    bool // all widths of z are there
	// single-line extremes of the last pass, see scan
	found search
}

// sample is one usable trace on the reading's grid.
type sample struct {
	trace  int
	offset int
	values []float64 // may alias the caller's
	gaps   bool
}

const padX = 80 // zeros around x: more than the longest filter

func (l *lane) body() []float64 { return l.x[padX : padX+l.n] }

// usable checks one trace and returns its values with missing samples as NaN. The caller's slice is
// never written to.
func usable(t Trace, add func(Warning)) (v []float64, gaps, ok bool) {
	n := len(t.Values)
	warn := func(code string, value float64, format string, args ...any) {
		add(Warning{Code: code, Strip: t.Strip, Channel: t.Channel, Value: value,
			Text: fmt.Sprintf("strip %q: ", t.Strip) + fmt.Sprintf(format, args...)})
	}
	switch {
	case t.Channel == "" || t.Channel == AllChannels:
		warn("channel", 0, "channel %q is no ink's name: lines are looked for in strips of one ink each", t.Channel)
		return nil, false, false
	case t.Unit != Density && t.Unit != Lightness:
		warn("unit", 0, "unit %q is neither %q nor %q", t.Unit, Density, Lightness)
		return nil, false, false
	case !(t.PitchUM > 0) || math.IsInf(t.PitchUM, 0) || math.IsNaN(t.StartMM) || math.IsInf(t.StartMM, 0):
		warn("pitch", t.PitchUM, "sampling pitch %v um or start %v mm is not usable", t.PitchUM, t.StartMM)
		return nil, false, false
	case n < 64:
		warn("short", float64(n), "%d samples are too few to tell lines from noise; at least 64 are needed", n)
		return nil, false, false
	}
	v = t.Values
	sum, same, wild := 0.0, 0, false
	prev := math.NaN()
	for _, u := range v {
		sum += u
		wild = wild || math.Abs(u) > wildest
		if u == prev {
			same++
		}
		prev = u
	}
	bad := wild || math.IsNaN(sum)
	if !bad && same < clipRun-1 {
		return v, false, true
	}
	w := make([]float64, n)
	missing := 0
	lo, hi := math.Inf(1), math.Inf(-1)
	for i, u := range v {
		if !(math.Abs(u) <= wildest) {
			u = math.NaN()
			missing++
		} else {
			lo, hi = math.Min(lo, u), math.Max(hi, u)
		}
		w[i] = u
	}
	if missing > 0 {
		warn("gap", float64(missing), "%d of %d samples are missing or no reading (beyond %g); lines there cannot be seen", missing, n, wildest)
	}
	if !(hi > lo) {
		warn("flat", 0, "all samples are equal: no picture, or the instrument is out of its range")
		return nil, false, false
	}
	clipped := leaveOutClipped(w, lo, hi)
	if clipped > 0 {
		warn("clipped", float64(clipped), "%d of %d samples stand still at the end of the range and are left out", clipped, n)
	}
	top, bottom := 0, 0
	for _, u := range w {
		if u == hi {
			top++
		} else if u == lo {
			bottom++
		}
	}
	// Shorter runs stay, for a digitised trace has them too; but what lies beyond the range is lost.
	if cut := max(top, bottom); float64(cut) > cutShare*float64(n) && hi-lo > 20*leastStep(w) {
		warn("cut", float64(cut), "%d of %d samples stand at the end of the range: a line there is cut short, and looks fainter than it is or is lost", cut, n)
	}
	missing += clipped
	if float64(missing) > 0.3*float64(n) {
		warn("gaps", float64(missing), "%d of %d samples are unusable: the strip is left out", missing, n)
		return nil, false, false
	}
	return w, missing > 0, true
}

// leaveOutClipped marks samples as missing that stand still at the end of the range, and counts them.
func leaveOutClipped(w []float64, lo, hi float64) int {
	n, clipped := len(w), 0
	for i := 0; i < n; {
		j := i + 1
		for j < n && w[j] == w[i] {
			j++
		}
		if j-i >= clipRun && (w[i] == lo || w[i] == hi) {
			for k := i; k < j; k++ {
				w[k] = math.NaN()
			}
			clipped += j - i
		}
		i = j
	}
	return clipped
}

// wildest is the largest value that can be a density or a lightness read with any offset; what lies beyond it is no
// reading, and one such sample would drown its strip.
const wildest = 1000.0

// cutShare is the share of samples at one end of the range from which they count as cut off there. Of noise
// in twenty steps or more, much fewer reach the last one.
const cutShare = 0.02

// leastStep is the smallest difference of neighbouring samples that differ.
func leastStep(v []float64) float64 {
	least := math.Inf(1)
	for i := 1; i < len(v); i++ {
		if d := math.Abs(v[i] - v[i-1]); d > 0 && d < least {
			least = d
		}
	}
	return least
}

// clipRun is how many equal samples at the end of a trace's range count as clipped.
const clipRun = 8

// resample moves a trace to another pitch by Catmull-Rom interpolation.
func resample(v []float64, from, to float64) []float64 {
	n := int(math.Floor(float64(len(v)-1)*from/to)) + 1
	out := make([]float64, n)
	for i := range out {
		out[i] = cubic(v, float64(i)*to/from)
	}
	return out
}

// finestMM is the finest sampling that is worked on: no line that survives a transfer is narrower than
// several such samples.
const finestMM = 0.02

// coarsen averages neighbouring samples to a pitch of at least finestMM.
func coarsen(v []float64, pitch float64) ([]float64, float64) {
	k := int(math.Min(float64(len(v)), math.Ceil(0.03/pitch)))
	out := make([]float64, len(v)/k)
	for i := range out {
		out[i] = meanPresent(v[i*k : (i+1)*k])
	}
	return out, pitch * float64(k)
}

// cubic interpolates between samples (Catmull-Rom); outside it is zero.
func cubic(v []float64, at float64) float64 {
	i := int(math.Floor(at))
	f := at - float64(i)
	if i < 1 || i+2 >= len(v) {
		if i < 0 || i >= len(v) {
			return 0
		}
		if f == 0 || i+1 >= len(v) {
			return v[i]
		}
		return v[i]*(1-f) + v[i+1]*f
	}
	a, b, c, d := v[i-1], v[i], v[i+1], v[i+2]
	return b + f/2*(c-a+f*(2*a-5*b+4*c-d+f*(3*(b-c)+d-a)))
}

// grid is the common sampling of a reading.
type grid struct {
	pitch float64 // mm
	start float64 // mm, of index 0
}

func (g grid) mm(i float64) float64 { return g.start + i*g.pitch }

// gather checks the traces and sorts them into lanes; order gives the channels' order, wantPitch the
// baseline's pitch in mm or 0, weights the strips' weights where known.
func (w *work) gather(traces []Trace, order []string, wantPitch float64, weight func(channel, strip string) float64) {
	w.warnings = w.warnings[:0]
	w.samples = w.samples[:0]
	w.unusable = 0
	warn := func(x Warning) { w.warnings = append(w.warnings, x) }
	w.lanes = w.lanes[:0]
	g := grid{pitch: wantPitch, start: math.Inf(1)}
	if wantPitch == 0 {
		g.pitch = usualPitch(traces)
	}
	for i := range traces {
		t := &traces[i]
		v, gaps, ok := usable(*t, warn)
		if !ok {
			w.unusable++
			continue
		}
		if wantPitch > 0 && w.d != nil && w.d.base != nil && w.d.base.alien(t.PitchUM) {
			warn(Warning{Code: "pitch", Strip: t.Strip, Channel: t.Channel, Value: t.PitchUM,
				Text: fmt.Sprintf("strip %q: sampled every %.4g um, the baseline every %.4g um: it is left out", t.Strip, t.PitchUM, w.d.base.PitchUM)})
			w.unusable++
			continue
		}
		pitch := t.PitchUM / 1000
		if pitch < finestMM {
			v, pitch = coarsen(v, pitch)
			if len(v) < 64 {
				warn(Warning{Code: "short", Strip: t.Strip, Channel: t.Channel, Value: float64(len(v)),
					Text: fmt.Sprintf("strip %q: %.2f mm are too short to tell lines from noise", t.Strip, float64(len(v))*pitch)})
				w.unusable++
				continue
			}
		}
		if g.pitch == 0 {
			g.pitch = pitch
		}
		if pitch > coarsest*g.pitch {
			warn(Warning{Code: "pitch", Strip: t.Strip, Channel: t.Channel, Value: t.PitchUM,
				Text: fmt.Sprintf("strip %q: sampled every %.4g um, the others every %.4g um: it is left out", t.Strip, t.PitchUM, g.pitch*1000)})
			w.unusable++
			continue
		}
		if math.Abs(pitch/g.pitch-1)*float64(len(v)) > 0.25 {
			v = resample(v, pitch, g.pitch)
		}
		w.samples = append(w.samples, sample{trace: i, values: v, gaps: gaps})
	}
	w.grid = g
	w.dropFar(traces)
	for _, s := range w.samples {
		g.start = math.Min(g.start, traces[s.trace].StartMM)
	}
	w.grid = g
	for i := range w.samples {
		s := &w.samples[i]
		s.offset = int(math.Round((traces[s.trace].StartMM - g.start) / g.pitch))
	}
	for _, c := range order {
		w.addLane(c, traces, weight)
	}
	for i := range w.samples {
		if c := traces[w.samples[i].trace].Channel; w.lane(c) == nil {
			w.addLane(c, traces, weight)
		}
	}
}

func (w *work) lane(name string) *lane {
	for _, l := range w.lanes {
		if l.name == name {
			return l
		}
	}
	if w.all != nil && w.all.name == name {
		return w.all
	}
	return nil
}

// addLane averages the strips of one channel. Strips without gaps over the same stretch are averaged
// first; otherwise each loses its own trend first, so that a gap leaves no step.
func (w *work) addLane(name string, traces []Trace, weight func(channel, strip string) float64) {
	l := w.newLane(name)
	lo, hi := math.MaxInt, 0
	plain := true
	var unit string
	var first *sample
	for i := range w.samples {
		s := &w.samples[i]
		t := &traces[s.trace]
		if t.Channel != name {
			continue
		}
		if unit == "" {
			unit = t.Unit
		}
		if t.Unit != unit {
			w.warnings = append(w.warnings, Warning{Code: "unit", Strip: t.Strip, Channel: name,
				Text: fmt.Sprintf("strip %q is in %s, the channel's first in %s: it is left out", t.Strip, t.Unit, unit)})
			w.unusable++
			continue
		}
		if first == nil {
			first = s
			l.tint, l.paper = t.TintPercent, t.Paper
		} else if s.offset != first.offset || len(s.values) != len(first.values) {
			plain = false
		}
		plain = plain && !s.gaps
		lo, hi = min(lo, s.offset), max(hi, s.offset+len(s.values))
		l.traces = append(l.traces, i)
		l.weight = append(l.weight, weight(name, t.Strip))
	}
	if first == nil {
		w.spare = append(w.spare, l)
		return
	}
	w.lanes = append(w.lanes, l)
	l.unit, l.sign = unit, 1
	if unit == Density {
		l.sign = -1
	}
	l.offset, l.n = lo, hi-lo
	l.x = grow(l.x, l.n+2*padX)
	clear(l.x)
	x := l.body()
	total := 0.0
	for _, v := range l.weight {
		total += v
	}
	if plain {
		for k, i := range l.traces {
			a := l.sign * l.weight[k] / total
			v := w.samples[i].values
			v = v[:len(x)]
			for j := range x {
				x[j] += a * v[j]
			}
		}
		l.level = l.sign * w.trend.subtract(x, w.grid.pitch, w.detrendMM)
		return
	}
	w.averageApart(l, total)
}

// averageApart averages strips each of which loses its own trend first. total is their weights' sum.
func (w *work) averageApart(l *lane, total float64) {
	x := l.body()
	w.sum = grow(w.sum, l.n)
	clear(w.sum)
	for k, i := range l.traces {
		s := &w.samples[i]
		w.strip = grow(w.strip, len(s.values))
		copy(w.strip, s.values)
		l.level += l.weight[k] / total * w.trend.subtract(w.strip, w.grid.pitch, w.detrendMM)
		at := s.offset - l.offset
		for j, v := range w.strip {
			if v == v {
				x[at+j] += l.sign * l.weight[k] * v
				w.sum[at+j] += l.weight[k]
			}
		}
	}
	for j := range x {
		if w.sum[j] > 0 {
			x[j] /= w.sum[j]
		} else {
			x[j] = 0
			l.gaps = append(l.gaps, j)
		}
	}
	l.gapped = float64(len(l.gaps)) / float64(l.n)
}

func (w *work) newLane(name string) *lane {
	var l *lane
	if k := len(w.spare); k > 0 {
		l, w.spare = w.spare[k-1], w.spare[:k-1]
	} else {
		l = new(lane)
	}
	*l = lane{name: name, loud: 1, traces: l.traces[:0], weight: l.weight[:0], gaps: l.gaps[:0], x: l.x, z: l.z}
	return l
}
