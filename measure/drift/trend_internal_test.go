package drift

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// wanderer makes what a factor does from reading to reading, of variance 1: a share that belongs to the
// day, correlated rho from one day to the next, and the reading's own.
type wanderer struct {
	perDay     int
	rho, share float64
	tails      int // degrees of freedom of Student's t; 0: normal
}

func (w wanderer) run(r *rand.Rand, n int) []float64 {
	draw := func() float64 {
		if w.tails == 0 {
			return r.NormFloat64()
		}
		var chi float64
		for range w.tails {
			x := r.NormFloat64()
			chi += x * x
		}
		return r.NormFloat64() / math.Sqrt(chi/float64(w.tails-2))
	}
	out := make([]float64, n)
	state := draw()
	for i := range out {
		if i > 0 && i%w.perDay == 0 {
			state = w.rho*state + math.Sqrt(1-w.rho*w.rho)*draw()
		}
		out[i] = math.Sqrt(w.share)*state + math.Sqrt(1-w.share)*draw()
	}
	return out
}

// ordinaryFactors are those of a chart of four inks, in tolerances.
func ordinaryFactors() (factors []Factor, unit []float64) {
	for _, kind := range factorKinds {
		n := 4
		switch kind {
		case KindWhite:
			n = 3
		case KindLoad, KindFlare:
			n = 1
		}
		for range n {
			factors, unit = append(factors, Factor{Kind: kind, SE: 0.05}), append(unit, 1)
		}
	}
	return factors, unit
}

// told is in how many of so many simulated baselines a trend is told: every factor wanders with a standard
// deviation of sd tolerances, and the first strength moves by so many tolerances in all.
func (w wanderer) told(baselines, readings int, sd, drift float64) (trends, others int) {
	r := rand.New(rand.NewPCG(3, 14))
	factors, unit := ordinaryFactors()
	days := make([]string, readings)
	for i := range days {
		days[i] = fmt.Sprint(i / w.perDay)
	}
	for range baselines {
		theta := matrix(readings, len(factors))
		for j := range factors {
			for i, x := range w.run(r, readings) {
				theta[i][j] = sd * x
			}
		}
		for i := range theta {
			theta[i][0] += drift * float64(i) / float64(readings-1)
		}
		found := trendsOf(theta, days, factors, unit)
		for _, t := range found {
			if t.factor == 0 && drift != 0 && t.change*drift > 0 && math.Abs(t.change-drift) < 3*sd {
				trends++
			} else {
				others++
				break
			}
		}
	}
	return trends, others
}

// TestTrendFalseWarnings: over 1,000 simulated baselines each of a printer that stands still, all 25 factors
// varying by as much as their tolerance, a trend is told in no more than trendFalse when days are independent,
// normal or with heavy tails, and seldom when one day resembles the next.
func TestTrendFalseWarnings(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		w        wanderer
		readings int
		most     float64
	}{
		{wanderer{1, 0, 0, 0}, 10, trendFalse},
		{wanderer{1, 0, 0, 4}, 10, trendFalse},
		{wanderer{1, 0, 0, 0}, 5, trendFalse},
		{wanderer{10, 0, 0.5, 0}, 10, trendFalse},     // ten of one day
		{wanderer{4, 0, dayShare, 0}, 10, trendFalse}, // ten on three days
		{wanderer{1, 0.4, dayShare, 0}, 10, 2 * trendFalse},
		{wanderer{1, 0.6, dayShare, 0}, 10, 5 * trendFalse},
	} {
		const baselines = 1000
		_, got := c.w.told(baselines, c.readings, 1, 0)
		t.Logf("%d readings, %+v: %d of %d", c.readings, c.w, got, baselines)
		if p := c.most; float64(got) > baselines*p+3*math.Sqrt(baselines*p*(1-p)) { // three standard errors
			t.Errorf("%d readings, %+v: a trend is told in %d of %d baselines, allowed is %g", c.readings, c.w, got, baselines, p)
		}
	}
}

// TestTrendFound: a strength that falls by 2.7 tolerances (8 %) in ten days is told of printers that vary by a
// third of the tolerance (1 %) or less; what is below a tolerance in all is not worth telling.
func TestTrendFound(t *testing.T) {
	t.Parallel()
	const baselines = 200
	for _, c := range []struct {
		sd, drift   float64
		least, most int // of a hundred
	}{{1.0 / 6, -5.0 / 3, 90, 100}, {1.0 / 3, -8.0 / 3, 75, 100}, {1.0 / 3, -10.0 / 3, 95, 100}, {1.0 / 6, -0.5, 0, 5}} {
		for _, w := range []wanderer{{1, 0, 0, 0}, {1, 0.4, dayShare, 0}, {10, 0, 0, 0}} {
			got, _ := w.told(baselines, 10, c.sd, c.drift)
			t.Logf("sd %.2f, drift %.2f, %+v: %d of %d", c.sd, c.drift, w, got, baselines)
			if got < c.least*baselines/100 || got > c.most*baselines/100 {
				t.Errorf("sd %.2f, drift %.2f, %+v: told in %d of %d", c.sd, c.drift, w, got, baselines)
			}
		}
	}
}
