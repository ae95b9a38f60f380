package drift

import "math"

// Seen is what the good days since the baseline showed of how a printer wanders: sums over days,
// the older ones fading. Ten days tell little of how much one day resembles the next; the days
// after them tell the rest (self-starting charts learn so too: Quesenberry, J. Quality Technology
// 23, 1991). They only ever widen limits.
type Seen struct {
	Days   float64 `json:"days,omitempty"`
	Pairs  float64 `json:"pairs,omitempty"` // days with the day before them
	Square float64 `json:"square,omitempty"`
	Lag    float64 `json:"lag,omitempty"` // products of a day and the day before
}

const (
	// seenMemory is over how many days the sums fade.
	seenMemory = 60.0
	// mostWider is how far limits may widen: what is beyond that is no wander but a fault.
	// mostNarrower is how far they may close: a good month is no promise.
	mostWider, mostNarrower = 1.5, 0.8
)

// add takes in a day, in standard errors of prediction, and the day before it (nil when that was
// not a good one).
func (s *Seen) add(day, before []float64) {
	const keep = 1 - 1/seenMemory
	s.Days, s.Pairs, s.Square, s.Lag = keep*s.Days+1, keep*s.Pairs, keep*s.Square, keep*s.Lag
	n := float64(len(day))
	for i, x := range day {
		x = max(-seenMost, min(seenMost, x))
		s.Square += x * x / n
		if before != nil {
			s.Lag += x * max(-seenMost, min(seenMost, before[i])) / n
		}
	}
	if before != nil {
		s.Pairs++
	}
}

// seenMost cuts single wild days: they are no wander.
const seenMost = 3.0

// widening is what has been seen, as it bears on the limits of one kind.
type widening struct {
	rho    [len(rhoCases)]float64 // weights of the cases
	square float64                // variance over the predicted one
}

// widen weighs the cases of correlation anew by the days seen, and the variance with them.
func (p *predictive) widen(s *Seen) widening {
	w := widening{square: 1}
	r, mean := p.byRho()
	if s.Pairs < 1 || !(s.Square > 0) {
		w.rho = r
		return w
	}
	lag := max(-1, min(1, s.Lag/s.Pairs*s.Days/s.Square))
	n := s.Pairs * p.columns
	best := math.Inf(-1)
	var logs [len(rhoCases)]float64
	for i, c := range rhoCases {
		// Days that share an error of the mean resemble each other by that alone.
		k := (dayShare*c.rho + mean[i]) / (1 + mean[i])
		logs[i] = math.Inf(-1)
		if r[i] > 0 {
			logs[i] = math.Log(r[i]) - n/2*(math.Log(1-k*k)+(1+k*k-2*k*lag)/(1-k*k))
		}
		best = max(best, logs[i])
	}
	var sum, rho float64
	for i := range logs {
		w.rho[i] = math.Exp(logs[i] - best)
		sum += w.rho[i]
	}
	for i := range w.rho {
		w.rho[i] /= sum
		rho += w.rho[i] * dayShare * rhoCases[i].rho
	}
	days := s.Days * p.columns * (1 - rho*rho) / (1 + rho*rho) // independent ones
	_, df := p.sd(0)
	w.square = (df + days*s.Square/s.Days) / (df + days)
	return w
}

// byRho gives the weights of the cases of correlation, and the variance of the baseline's mean in
// each.
func (p *predictive) byRho() (weight, mean [len(rhoCases)]float64) {
	for i := range p.cases {
		for c := range rhoCases {
			if p.cases[i].rho == rhoCases[c].rho {
				weight[c] += p.cases[i].weight
				mean[c] = p.cases[i].mean
			}
		}
	}
	return weight, mean
}

// spreadByRho is the variance of a weighted sum of days of a column under each case of
// correlation, over that under all of them.
func (p *predictive) spreadByRho(column int, weights []float64) (out [len(rhoCases)]float64) {
	var share [len(rhoCases)]float64
	var all float64
	for i := range p.cases {
		k := &p.cases[i]
		v := k.weight * k.variance[column] * k.factor(weights)
		all += v
		for c := range rhoCases {
			if k.rho == rhoCases[c].rho {
				out[c] += v
				share[c] += k.weight
			}
		}
	}
	for c := range out {
		if share[c] > 0 {
			out[c] /= share[c] * all
		}
	}
	return out
}

// of is the factor by which the limit of a chart changes; 1 for a kind that is not followed.
func (w *widening) of(c *chart) float64 {
	if w == nil {
		return 1
	}
	var v float64
	for i, k := range w.rho {
		v += k * c.byRho[i]
	}
	return max(mostNarrower, min(mostWider, math.Sqrt(v*w.square)))
}

// see takes the day that no chart of today's looks at any more into what has been seen.
func (m *Model) see(next *State) {
	const at = mostDays
	if len(next.Before) <= at || next.Apart[at] {
		return
	}
	inks := make([]float64, 0, 2*maxChannels)
	of := func(day []float64) []float64 {
		from := len(inks)
		for _, j := range m.fitter.strength {
			if j >= 0 {
				inks = append(inks, day[j]/m.limits[j].scale)
			}
		}
		return inks[from:]
	}
	day, before := of(next.Before[at]), []float64(nil)
	if len(next.Before) > at+1 && !next.Apart[at+1] {
		before = of(next.Before[at+1])
	}
	next.Seen.add(day, before)
	if m.common == nil {
		return
	}
	common := func(day []float64) []float64 { return []float64{m.meanStrength(day) / m.common.scale} }
	day = common(next.Before[at])
	if before != nil {
		before = common(next.Before[at+1])
	}
	next.SeenCommon.add(day, before)
}

// wander is what has been seen of single strengths.
func (m *Model) wander(st *State) widening {
	for _, j := range m.fitter.strength {
		if j >= 0 {
			return m.limits[j].p.widen(&st.Seen)
		}
	}
	return widening{}
}
