package madeup

import (
	"math"
	"math/rand/v2"
)

// Seeds of the generators: each purpose has its own, so that a change of one draws nothing
// from another.
const (
	drawPrinter uint64 = iota + 1
	drawDrift
	drawDays
	drawPrint
	drawMottle
	drawRead
)

func generator(seed, purpose uint64, at ...int) *rand.Rand {
	h := purpose * 0x9e3779b97f4a7c15
	for _, a := range at {
		// SplitMix64 (G. Steele, D. Lea, C. Flood 2014) over the parts.
		h += uint64(a) + 0x9e3779b97f4a7c15
		h = (h ^ h>>30) * 0xbf58476d1ce4e5b9
		h = (h ^ h>>27) * 0x94d049bb133111eb
		h ^= h >> 31
	}
	return rand.New(rand.NewPCG(seed, h))
}

// draw returns a standard normal, or Student's t with df degrees of freedom scaled to unit
// variance.
func draw(r *rand.Rand, df float64) float64 {
	z := r.NormFloat64()
	if df == 0 {
		return z
	}
	return z * math.Sqrt((df-2)/(2*gamma(r, df/2)))
}

// gamma draws from the gamma distribution of shape a >= 1 (G. Marsaglia, W. W. Tsang, ACM
// TOMS 26:363-372, 2000).
func gamma(r *rand.Rand, a float64) float64 {
	d := a - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		x := r.NormFloat64()
		v := 1 + c*x
		if v <= 0 {
			continue
		}
		v = v * v * v
		if u := r.Float64(); math.Log(u) < x*x/2+d-d*v+d*math.Log(v) {
			return d * v
		}
	}
}

// state is where the printer stands: one day's, one print's, or their sum.
type state struct {
	strength, tone [maxInks]float64 // relative change of tints; change at 50 %, as a share
	press          float64          // logarithm of the dose, relative
	light, yellow  float64          // of the goods, Lab units
}

// innovation draws one step of the wander at its standard deviations.
func (s *Shop) innovation(r *rand.Rand) (v state) {
	w := &s.cfg.Wander
	for i := range s.inks {
		v.strength[i] = w.StrengthPercent / 100 * draw(r, w.TailDF)
		v.tone[i] = w.TonePoints / 100 * draw(r, w.TailDF)
	}
	v.press = w.Press * draw(r, w.TailDF)
	v.light = w.White * draw(r, w.TailDF)
	v.yellow = w.White * draw(r, w.TailDF)
	return v
}

// plus returns a*v + b*u.
func (v state) plus(a float64, u state, b float64) state {
	for i := range v.strength {
		v.strength[i] = a*v.strength[i] + b*u.strength[i]
		v.tone[i] = a*v.tone[i] + b*u.tone[i]
	}
	v.press = a*v.press + b*u.press
	v.light = a*v.light + b*u.light
	v.yellow = a*v.yellow + b*u.yellow
	return v
}

// day returns the state of a day, drawing the days before it as needed.
func (s *Shop) day(n int) state {
	for len(s.days) <= n {
		i := len(s.days)
		step := s.innovation(generator(s.seed, drawDays, i))
		if i > 0 {
			switch w := &s.cfg.Wander; w.Kind {
			case AR1:
				step = s.days[i-1].plus(w.Rho, step, math.Sqrt(1-w.Rho*w.Rho))
			case RandomWalk:
				step = s.days[i-1].plus(1, step, 1)
			}
		}
		s.days = append(s.days, step)
	}
	return s.days[n]
}
