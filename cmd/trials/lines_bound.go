package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"
)

// observer is the ideal observer of a line of known shape in noise of known spectrum: it knows
// everything but the channel, the phase and, within reach, the period, and averages the likelihood
// ratio over them, which no other test can beat (Neyman and Pearson; D. M. Green and J. A. Swets, Signal
// Detection Theory and Psychophysics, 1966).
type observer struct {
	n        int
	channels int
	period   float64 // samples; 0: one line anywhere
	reach    float64
	amp      []float64 // spectrum of the filtered noise, sqrt(|G|^2 / P), per frequency
	resp     []float64 // autocovariance of the filtered noise = response to a unit line, circular
	v        float64
	lambda   float64
	trials   []float64 // periods
	phases   int
	known    bool // the phase is known too: the line lies where the first hypothesis looks
}

// newObserver takes the noise's power density per sample at n/2+1 frequencies (integral over -1/2..1/2 is the
// variance) and the line's standard deviation in samples.
func newObserver(power []float64, sigma, period, reach float64, channels int) *observer {
	n := 2 * (len(power) - 1)
	o := &observer{n: n, channels: channels, period: period, reach: reach}
	o.amp = make([]float64, len(power))
	coef := make([]complex128, len(power))
	m0, m2 := 0.0, 0.0
	for k := range power {
		f := float64(k) / float64(n)
		g := sigma * math.Sqrt(2*math.Pi) * math.Exp(-2*math.Pi*math.Pi*sigma*sigma*f*f)
		s := g * g / power[k]
		o.amp[k] = math.Sqrt(s)
		coef[k] = complex(s/float64(n), 0)
		w := 2.0
		if k == 0 || k == n/2 {
			w = 1
		}
		m0 += w * s
		m2 += w * s * 4 * math.Pi * math.Pi * f * f
	}
	o.resp = fourier.NewFFT(n).Sequence(nil, coef)
	o.v, o.lambda = o.resp[0], m2/m0
	if period > 0 {
		o.phases = int(math.Round(period))
		rows := float64(n) / period
		count := int(math.Ceil(2*reach*period*rows/1.2)) + 1
		for i := range count {
			e := 0.0
			if count > 1 {
				e = reach * (2*float64(i)/float64(count-1) - 1)
			}
			o.trials = append(o.trials, period*(1+e))
		}
	}
	return o
}

// noise draws one channel's filtered noise.
func (o *observer) noise(fft *fourier.FFT, rng *rand.Rand) []float64 {
	c := make([]complex128, len(o.amp))
	s := 1 / math.Sqrt(float64(o.n))
	for k := range c {
		re, im := rng.NormFloat64()*math.Sqrt2/2, rng.NormFloat64()*math.Sqrt2/2
		if k == 0 || k == len(c)-1 {
			re, im = re*math.Sqrt2, 0
		}
		c[k] = complex(o.amp[k]*re*s, o.amp[k]*im*s)
	}
	return fft.Sequence(nil, c)
}

// lines gives the filtered response to unit lines at a phase and period.
func (o *observer) lines(phase, period float64) []float64 {
	z := make([]float64, o.n)
	add := func(at float64) {
		i0 := int(math.Floor(at))
		f := at - float64(i0)
		for d := -80; d <= 80; d++ {
			i := i0 + d
			if i < 0 || i >= o.n {
				continue
			}
			a, b := o.resp[abs(d)], o.resp[abs(d-1)]
			z[i] += a*(1-f) + b*f
		}
	}
	if period <= 0 {
		add(phase)
		return z
	}
	for at := phase; at < float64(o.n); at += period {
		add(at)
	}
	return z
}

// sums are the statistics of all hypotheses of one channel.
func (o *observer) sums(z []float64) []float64 {
	if o.period <= 0 {
		return z
	}
	out := make([]float64, 0, len(o.trials)*o.phases)
	centre := float64(o.n-1) / 2
	rows := int(math.Round(float64(o.n) / o.period))
	for _, t := range o.trials {
		at := len(out)
		out = out[:at+o.phases]
		for r := range rows {
			base := int(math.Round(centre + (float64(r)-float64(rows-1)/2)*t - float64(o.phases)/2))
			for p := range o.phases {
				if i := base + p; i >= 0 && i < o.n {
					out[at+p] += z[i]
				}
			}
		}
	}
	return out
}

func (o *observer) rows() float64 {
	if o.period <= 0 {
		return 1
	}
	return math.Round(float64(o.n) / o.period)
}

// ratio is the mean likelihood ratio of a line of peak a: signal sums are noise + a * response.
func (o *observer) ratio(noise, response []float64, a float64) float64 {
	half := a * a * o.rows() * o.v / 2
	sum := 0.0
	for i, s := range noise {
		if response != nil {
			s += a * response[i]
		}
		sum += math.Exp(a*s - half)
	}
	return sum / float64(len(noise))
}

// contrast90 is the peak that the ideal observer finds nine times in ten at the given chance of a false
// alarm per reading, with its standard error from the trials.
func (o *observer) contrast90(alpha float64, trials int, seed uint64) (a90, se float64) {
	type draw struct{ noise, response []float64 }
	pool := 4 * trials
	null := make([][]float64, pool)
	sig := make([]draw, trials)
	each(trials, func(i int) {
		fft := fourier.NewFFT(o.n)
		rng := rand.New(rand.NewPCG(seed, uint64(i)))
		for k := range 4 {
			null[4*i+k] = o.sums(o.noise(fft, rng))
		}
		p := o.period * (1 + o.reach*(2*rng.Float64()-1))
		phase := rng.Float64() * p
		if o.period <= 0 {
			phase = rng.Float64() * float64(o.n-1)
		}
		if o.known {
			phase = math.Mod(float64(o.n-1)/2-float64(int(o.rows())-1)/2*o.period-0.5, o.period)
			phase = math.Round(phase)
		}
		sig[i] = draw{o.sums(o.noise(fft, rng)), o.sums(o.lines(phase, p))}
	})
	power := func(a float64) float64 {
		n, s := make([]float64, pool), make([]float64, trials)
		each(trials, func(i int) {
			for k := range 4 {
				n[4*i+k] = o.ratio(null[4*i+k], nil, a)
			}
			s[i] = o.ratio(sig[i].noise, sig[i].response, a)
		})
		// A reading's ratio is the mean over its channels, drawn from the pool.
		rng := rand.New(rand.NewPCG(seed, 1<<40))
		total := make([]float64, 40*trials)
		for i := range total {
			for range o.channels {
				total[i] += n[rng.IntN(pool)]
			}
		}
		slices.Sort(total)
		limit := total[int(float64(len(total))*(1-alpha))]
		found := 0
		for i := range trials {
			r := s[i]
			for range o.channels - 1 {
				r += n[rng.IntN(pool)]
			}
			if r > limit {
				found++
			}
		}
		return float64(found) / float64(trials)
	}
	unit := 1 / math.Sqrt(o.rows()*o.v)
	lo, hi := 3.5*unit, 7.5*unit
	for range 9 {
		if m := (lo + hi) / 2; power(m) < 0.9 {
			lo = m
		} else {
			hi = m
		}
	}
	// The curve rises by about 0.175 per unit of d' at 90 %.
	return (lo + hi) / 2, unit * math.Sqrt(0.09/float64(trials)) / 0.175
}

func abs(i int) int { return max(i, -i) }

// probit fits p = Phi(b0 + b1 x) by maximum likelihood to counts and returns the x of probability
// target with its standard error.
func probit(x []float64, found, of []int, target float64) (at, se float64, b [2]float64, err error) {
	const eps = 1e-9
	phi := func(z float64) float64 { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) }
	cdf := func(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }
	mean := 0.0
	for _, v := range x {
		mean += v / float64(len(x))
	}
	b = [2]float64{0, 4 / mean}
	b[0] = -b[1] * mean
	var i00, i01, i11 float64
	for range 100 {
		var g0, g1 float64
		i00, i01, i11 = 0, 0, 0
		for i := range x {
			z := b[0] + b[1]*x[i]
			p := math.Min(math.Max(cdf(z), eps), 1-eps)
			w := phi(z) / (p * (1 - p))
			r := float64(found[i]) - float64(of[i])*p
			g0 += w * r
			g1 += w * r * x[i]
			k := float64(of[i]) * phi(z) * w
			i00 += k
			i01 += k * x[i]
			i11 += k * x[i] * x[i]
		}
		det := i00*i11 - i01*i01
		if !(det > 0) {
			return 0, 0, b, fmt.Errorf("probit: the counts do not determine a curve")
		}
		d0, d1 := (i11*g0-i01*g1)/det, (i00*g1-i01*g0)/det
		b[0] += d0
		b[1] += d1
		if math.Abs(d0)+math.Abs(d1) < 1e-10 {
			break
		}
	}
	z := math.Sqrt2 * math.Erfinv(2*target-1)
	at = (z - b[0]) / b[1]
	det := i00*i11 - i01*i01
	u0, u1 := -1/b[1], -at/b[1]
	se = math.Sqrt((u0*u0*i11 - 2*u0*u1*i01 + u1*u1*i00) / det)
	return at, se, b, nil
}
