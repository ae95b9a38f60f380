package banding

import (
	"math"
	"slices"
)

// band is the measured shape of a strong section: of a broad step the templates know width and height only
// roughly, and what a poor fit leaves behind would be taken for further lines.
type band struct {
	profile []float64 // per bin of the period, from the place's phase on, outside = 0; nil when it is not strong
	width   float64   // samples at half height
	shift   float64   // of its middle from the place, samples
}

const (
	bandStat   = 10.0 // of a section's statistic, from which its shape is measured
	bandEdgeMM = 0.6  // three standard deviations of a knit's blur
)

// measureBand folds the lane itself at the section's period and finds the step's edges at half its height,
// its height and its middle. It leaves the event alone when it is not strong enough.
func (w *work) measureBand(e *event) {
	e.band = band{}
	l, p := e.lane, e.place
	if e.fam != famSection || e.c.stat < bandStat || p.period < 8 {
		return
	}
	bins := int(math.Round(p.period))
	sum, count := make([]float64, bins), make([]float64, bins)
	x := l.body()
	for i, v := range x {
		if _, gone := slices.BinarySearch(l.gaps, i); gone {
			continue
		}
		b := phaseBin(float64(i)-p.mid, p.period, bins)
		sum[b] += v
		count[b]++
	}
	for b := range sum {
		if count[b] > 0 {
			sum[b] /= count[b]
		}
	}
	at := func(i int) float64 { return sum[((i%bins)+bins)%bins] }
	half := e.lane.prep.w.sections[min(e.c.shape, len(e.lane.prep.w.sections)-1)].w / 2
	// Inside and outside levels, clear of the edges whose place is not yet known.
	inner, outer := max(1, half/2), half+half/2
	var in, out []float64
	for i := -bins / 2; i < bins-bins/2; i++ {
		switch {
		case i >= -inner && i <= inner:
			in = append(in, at(i))
		case i < -outer || i > outer:
			out = append(out, at(i))
		}
	}
	if len(out) < 3 {
		return
	}
	low := medianOf(out)
	a := medianOf(in) - low
	if a == 0 || a*e.a <= 0 {
		return
	}
	// Edges at half height, between samples.
	edge := func(dir int) float64 {
		for k := inner; k < bins/2; k++ {
			u, v := (at(dir*k)-low)/a, (at(dir*(k+1))-low)/a
			if u >= 0.5 && v < 0.5 {
				return float64(k) + (u-0.5)/(u-v)
			}
		}
		return -1
	}
	left, right := edge(-1), edge(1)
	if left < 0 || right < 0 {
		return
	}
	e.band.width = left + right
	margin := int(math.Ceil(bandEdgeMM / w.grid.pitch))
	e.band.profile = make([]float64, bins)
	for i := -int(left) - margin; i <= int(right)+margin; i++ {
		if i > -bins/2 && i < bins-bins/2 {
			e.band.profile[((i%bins)+bins)%bins] = at(i) - low
		}
	}
	e.a = a
	e.band.shift = (right - left) / 2
}

// phaseBin is the bin of a sample d after the phase's zero.
func phaseBin(d, period float64, bins int) int {
	u := math.Mod(d, period)
	if u < 0 {
		u += period
	}
	return int(math.Round(u*float64(bins)/period)) % bins
}

// subtractBand takes a measured band out of a lane.
func (w *work) subtractBand(e event) {
	bins := len(e.band.profile)
	x := e.lane.body()
	for i := range x {
		x[i] -= e.band.profile[phaseBin(float64(i)-e.place.mid, e.place.period, bins)]
	}
}

// Several dead nozzles within a part of the step look like a weak section to a broad template. A true section
// of one height keeps 80 to 120 % of its squared statistic for up to lineTries lines in its place (groups of 8 to 60
// nozzles, simulated), separate lines far more.
const (
	linesInstead = 1.25
	lineTries    = 4
)

// separate says whether single light lines explain a lane better than the section e, and gives the first
// of them.
func (w *work) separate(e event) (first event, ok bool) {
	l := e.lane
	keep, found := slices.Clone(l.body()), l.found
	sum := 0.0
	for k := range lineTries {
		c := l.found.best[famLight]
		if c.stat < l.prep.limits[famLight] {
			break
		}
		o := event{fam: famLight, c: c, lane: l, ratio: c.stat / l.prep.limits[famLight]}
		o.place = w.refine(l, famLight, c)
		w.measure(&o)
		if k == 0 {
			first = o
		}
		if sum += c.stat * c.stat; sum > linesInstead*e.c.stat*e.c.stat {
			ok = k > 0
			break
		}
		w.subtract(o)
		w.find(l)
	}
	copy(l.body(), keep)
	w.whiten(l, l.prep.w)
	l.found = found
	return first, ok
}
