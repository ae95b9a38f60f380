package banding

import "math"

// remove takes an event's fitted shape out of the lanes and searches them again.
func (w *work) remove(e event, from []*lane) {
	for _, l := range from {
		one := e
		if l != e.lane {
			one.move(l)
			w.measure(&one)
		}
		if one.rows == 0 {
			continue
		}
		w.subtract(one)
		if e.c.stat > 8 {
			// Strong lines have pulled the trend towards them.
			w.trend.subtract(l.body(), w.grid.pitch, w.detrendMM)
		}
		w.find(l)
	}
	if e.c.stat > 8 {
		w.setLoudness() // a strong line was counted with the noise until now
	}
}

// subtract takes an event out of its lane.
func (w *work) subtract(e event) {
	l, p, a, shape := e.lane, e.place, e.a, e.c.shape
	q := l.prep.w
	if e.band.profile != nil {
		w.subtractBand(e)
		return
	}
	x := l.body()
	put := func(at, a, sigma float64) {
		reach := 4 * sigma
		for i := max(0, int(math.Ceil(at-reach))); i < len(x) && float64(i) <= at+reach; i++ {
			u := (float64(i) - at) / sigma
			x[i] -= a * math.Exp(-u*u/2)
		}
	}
	sigma := e.sigma
	if sigma == 0 && e.fam != famPair && e.fam != famSection {
		sigma = q.shapes[shape].sigma
	}
	l.rows(p, func(at float64) {
		switch e.fam {
		case famPair:
			sh := q.shapes[shape]
			d := float64(q.delta)
			f := a / q.pair.peak * sh.peak
			put(at-d, f, sh.sigma)
			put(at+d, -f, sh.sigma)
		case famSection:
			half := float64(q.sections[shape].w) / 2
			for i := max(0, int(math.Ceil(at-half))); i < len(x) && float64(i) < at+half; i++ {
				x[i] -= a
			}
		default:
			put(at, a, sigma)
		}
	})
	if e.fam == famSection && p.period > 0 {
		m := a * float64(q.sections[shape].w) / p.period
		for i := range x {
			x[i] += m
		}
	}
}
