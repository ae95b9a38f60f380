package main

import (
	"math"
	"math/rand/v2"
	"sort"

	"gonum.org/v1/gonum/mat"

	"swathkeeper/measure/madeup"
)

const (
	boundBaseline = 10
	boundRuns     = 6000 // of each shop
)

// boundTrial is what an observer is shown: so many good days after the baseline, and so many with
// the fault.
type boundTrial struct{ running, days int }

var (
	weakBound  = boundTrial{running: weakRunning, days: 3}
	pressBound = boundTrial{running: causeRunning, days: mostReadings}
)

// knowing is how often one of four inks, size percent weak, would be found within three readings by an
// observer who knows what no shop does: each ink's own strength, without error, on every day, and how
// the shop's days spread, hang together and stray. It does not know the level: that comes from ten days
// of baseline and four days since. It tests steps of one, two and three days by generalised least
// squares, the whole false-alarm budget of 1 in 740 readings being its own in every shop. Where days
// are normal nothing can do better on these days; where they have heavy tails a test that asks for
// agreeing days can.
//
// The second share is that of an observer who knows all that but how much the shop's days spread, which it
// has to learn from the same days before the fault, of all inks together: a test of Student's kind.
func knowing(w colourWorld, shops int, sd, size float64, seed uint64) (knows, learns float64) {
	var runs float64
	for k := range shops {
		wander := w.config(k, sd).Wander
		if wander.Kind != madeup.AR1 {
			wander.Rho = 0
		}
		a, b := weakBound.found(wander, 4, size, rand.New(rand.NewPCG(seed, uint64(k))))
		knows, learns, runs = knows+100*a, learns+100*b, runs+1
	}
	return knows / runs, learns / runs
}

// knowingPress is the same for the press: how often an under-pressed print, of the size that changes the chart
// by the given mean, would be called out by an observer who reads the press's dose itself off every
// print, without error; and, the second, by one who has to learn the press's spread from those days.
func knowingPress(w colourWorld, shops int, mean float64, seed uint64) (knows, learns float64, err error) {
	var runs float64
	for k := range shops {
		b, err := madeup.NewShop(seed*4000037+uint64(k), w.config(k, 1))
		if err != nil {
			return 0, 0, err
		}
		for _, kind := range madeup.FaultKinds(b.Config().Inks) {
			if kind.Cause != underPressed {
				continue
			}
			size, err := b.SizeFor(kind.Make, mean)
			if err != nil {
				continue
			}
			at, now := b.Config().Press, kind.Make(size).Press
			now.Celsius, now.Seconds, now.Pressure = at.Celsius+now.Celsius, at.Seconds+now.Seconds, at.Pressure+now.Pressure
			wander := b.Config().Wander
			if wander.Kind != madeup.AR1 {
				wander.Rho = 0
			}
			wander.StrengthPercent = 1 // in units of the press's own spread
			loss := math.Log(at.Dose()/now.Dose()) / wander.Press
			a, b := pressBound.found(wander, 1, loss, rand.New(rand.NewPCG(seed, uint64(k))))
			knows, learns, runs = knows+100*a, learns+100*b, runs+1
		}
	}
	runs = math.Max(1, runs)
	return knows / runs, learns / runs, nil
}

// found is the share of runs in which one of so many series, lower by size from a day on, is called out by
// one who knows their spread, and by one who learns it.
func (b boundTrial) found(wander madeup.Wander, series int, size float64, r *rand.Rand) (knows, learns float64) {
	tests := b.tests(wander)
	good := boundBaseline + b.running
	spread := newSpread(wander, good)
	var null, faults [2][]float64
	for i := range null {
		null[i], faults[i] = make([]float64, boundRuns), make([]float64, boundRuns)
	}
	for run := range boundRuns {
		var square float64
		for ink := range series {
			y := b.series(r, wander)
			square += spread.square(y[:good]) / float64(series*(good-1))
			for _, t := range tests[b.days-1] {
				null[0][run] = math.Max(null[0][run], math.Abs(inner(t, y)))
			}
			if ink > 0 {
				continue
			}
			for day := range b.days {
				n := good + day + 1
				weak := append([]float64(nil), y[:n]...)
				for i := n - day - 1; i < n; i++ {
					weak[i] -= size
				}
				for _, t := range tests[day] {
					faults[0][run] = math.Max(faults[0][run], math.Abs(inner(t, weak)))
				}
			}
		}
		null[1][run], faults[1][run] = null[0][run]/math.Sqrt(square), faults[0][run]/math.Sqrt(square)
	}
	var share [2]float64
	for i := range share {
		sort.Float64s(null[i])
		limit := null[i][boundRuns-1-boundRuns/740]
		for _, f := range faults[i] {
			if f > limit {
				share[i] += 1.0 / boundRuns
			}
		}
	}
	return share[0], share[1]
}

// spread measures the variance of days whose correlation is known, in units of what it is, about a level
// that is not known: its rows are R^-1 - R^-1 1 1'R^-1 / 1'R^-1 1.
type spread [][]float64

func newSpread(w madeup.Wander, n int) spread {
	out := make(spread, n)
	var chol mat.Cholesky
	var inverse mat.SymDense
	if !chol.Factorize(covariance(w, n)) || chol.InverseTo(&inverse) != nil {
		return out
	}
	sums, all := make([]float64, n), 0.0
	for i := range n {
		for j := range n {
			sums[i] += inverse.At(i, j)
		}
		all += sums[i]
	}
	for i := range n {
		out[i] = make([]float64, n)
		for j := range n {
			out[i][j] = inverse.At(i, j) - sums[i]*sums[j]/all
		}
	}
	return out
}

// square is the sum of squares about the level, the correlation taken out.
func (s spread) square(y []float64) (sum float64) {
	for i, row := range s {
		sum += y[i] * inner(row, y)
	}
	return sum
}

// covariance is that of n days of a series.
func covariance(w madeup.Wander, n int) *mat.SymDense {
	share := 1 - w.PrintShare*w.PrintShare
	v := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			c := share * math.Pow(w.Rho, float64(j-i))
			if i == j {
				c = 1
			}
			v.SetSym(i, j, w.StrengthPercent*w.StrengthPercent*c)
		}
	}
	return v
}

// tests gives, for each day since the step, the weights of the days of a series whose sums are
// the standardised sizes of steps of one day, two days, and so on.
func (b boundTrial) tests(w madeup.Wander) [][][]float64 {
	var out [][][]float64
	for day := range b.days {
		n := boundBaseline + b.running + day + 1
		var chol mat.Cholesky
		if !chol.Factorize(covariance(w, n)) {
			continue
		}
		solve := func(x []float64) []float64 {
			var out mat.VecDense
			if chol.SolveVecTo(&out, mat.NewVecDense(n, x)) != nil {
				return make([]float64, n)
			}
			return out.RawVector().Data
		}
		one := make([]float64, n)
		for i := range one {
			one[i] = 1
		}
		level := solve(one)
		var of [][]float64
		for days := 1; days <= day+1; days++ {
			step := make([]float64, n)
			for i := n - days; i < n; i++ {
				step[i] = 1
			}
			a := solve(step)
			shared := inner(one, a) / inner(one, level)
			size := math.Sqrt(inner(step, a) - shared*inner(one, a))
			t := make([]float64, n)
			for i := range t {
				t[i] = (a[i] - shared*level[i]) / size
			}
			of = append(of, t)
		}
		out = append(out, of)
	}
	return out
}

// series is one ink's strength, day by day, as a made-up printer draws it.
func (b boundTrial) series(r *rand.Rand, w madeup.Wander) []float64 {
	draw := func() float64 {
		z := r.NormFloat64()
		if w.TailDF > 0 {
			// Student's t scaled to unit variance; the chi-squared as a sum over gamma of half df.
			z *= math.Sqrt((w.TailDF - 2) / chiSquared(r, w.TailDF))
		}
		return z
	}
	y := make([]float64, boundBaseline+b.running+b.days)
	var day float64
	for i := range y {
		step := draw()
		if i == 0 {
			day = step
		} else {
			day = w.Rho*day + math.Sqrt(1-w.Rho*w.Rho)*step
		}
		y[i] = w.StrengthPercent * (math.Sqrt(1-w.PrintShare*w.PrintShare)*day + w.PrintShare*draw())
	}
	return y
}

// chiSquared draws from the chi-squared law (Marsaglia and Tsang, ACM TOMS 26, 2000).
func chiSquared(r *rand.Rand, df float64) float64 {
	d := df/2 - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		x := r.NormFloat64()
		v := 1 + c*x
		if v <= 0 {
			continue
		}
		v = v * v * v
		if math.Log(r.Float64()) < x*x/2+d-d*v+d*math.Log(v) {
			return 2 * d * v
		}
	}
}

func inner(a, b []float64) (s float64) {
	for i, v := range a {
		s += v * b[i]
	}
	return s
}
