package banding

import "math"

// Line shapes. A line is a Gaussian; its width is unknown within the bank below, whose neighbours
// differ by a factor of 1.9: a line between two of them loses 2.6 % of its statistic at most
// (white noise: sqrt(2 s1 s2 / (s1^2 + s2^2))).
var bankMM = [...]float64{0.07, 0.13, 0.25}

// shape is one line shape searched for: the base Gaussian g1 convolved with a kernel k, which is
// applied to the already base-filtered trace as a chain of three-tap passes.
type shape struct {
	sigma  float64 // equivalent standard deviation, samples
	passes []int   // spacings of the [1 2 1]/4 passes from the previous shape
	k      []float64
	peak   float64 // height of g1 convolved with k
	v      float64 // variance of the filtered noise: d'^2 of a unit template
	vf     float64 // the same per repeat in a fold, whose mean is taken out
	lambda float64 // mean square derivative of the normalised filtered noise, per sample^2
	c      []float64
	kin    float64 // see kinship
}

// whitening is everything derived from one noise spectrum on one sampling pitch.
type whitening struct {
	spectrum Spectrum
	g        []float64 // half of the base template, g[0] = 1
	h        []float64 // half of the filter that gives z1
	c11      []float64 // autocovariance of z1, lags 0..
	shapes   []shape
	pair     shape // light and dark side by side: z2 at +delta minus z2 at -delta
	delta    int
	sections []section
	gSum     float64
	period   float64 // the step in samples, 0 when unknown
}

// foldLambda is lambda after folding: taking out the mean lessens the variance, not the derivative.
func (s *shape) foldLambda() float64 { return s.lambda * s.v / s.vf }

// foldVariance is the variance that one repeat adds to a fold: less the mean over all phases, which is
// taken out because the trend leaves none, and with the repeat's neighbours a step away.
func foldVariance(c []float64, period float64) float64 {
	if period <= 0 {
		return c[0]
	}
	total := c[0]
	for _, v := range c[1:] {
		total += 2 * v
	}
	v := c[0] - total/period
	for k := 1.0; k*period < float64(len(c)-1); k++ {
		i := int(k * period)
		f := k*period - float64(i)
		v += 2 * (c[i]*(1-f) + c[i+1]*f)
	}
	return math.Max(v, 0.3*c[0])
}

// section is a broad box of w samples in the folded profile.
type section struct {
	w         int
	v, lambda float64
}

// newWhitening builds the filters. period is the step in samples, 0 when unknown.
func newWhitening(s Spectrum, pitchMM, period float64) *whitening {
	if period > 20000 {
		period = 0 // no strip holds three such steps
	}
	w := &whitening{spectrum: s, period: period}
	q := s.inverseCovariance()
	sigmas := bank(pitchMM)
	w.g = halfGaussian(sigmas[0])
	w.gSum = w.g[0]
	for _, v := range w.g[1:] {
		w.gSum += 2 * v
	}
	w.h = convolveHalf(q, w.g)
	w.c11 = convolveHalf(w.h, w.g)
	k := []float64{1}
	for i, sg := range sigmas {
		var passes []int
		if i > 0 {
			passes = passesFor(sg*sg - sigmas[i-1]*sigmas[i-1])
			for _, d := range passes {
				pass := make([]float64, d+1)
				pass[0], pass[d] = 0.5, 0.25
				k = convolveHalf(k, pass)
			}
		}
		w.shapes = append(w.shapes, w.newShape(k, passes))
	}
	mid := w.shapes[min(1, len(w.shapes)-1)]
	w.delta = max(1, int(math.Round(mid.sigma)))
	w.pair = w.pairShape(mid)
	if period > 0 {
		for _, f := range []float64{0.12, 0.17, 0.24, 0.34, 0.46} {
			if n := int(math.Round(f * period)); n >= 4 && float64(n)*pitchMM > 0.5 {
				w.sections = append(w.sections, w.newSection(n, period))
			}
		}
	}
	return w
}

// bank gives the widths in samples, none below 0.6 of a sample.
func bank(pitchMM float64) []float64 {
	var out []float64
	for _, mm := range bankMM {
		sg := math.Max(mm/pitchMM, 0.6)
		if len(out) == 0 || sg > 1.25*out[len(out)-1] {
			out = append(out, sg)
		}
	}
	return out
}

// passesFor splits a variance, in samples^2, into one or two [1 2 1]/4 passes of spacing d, each of
// variance d^2 / 2. The result is close to Gaussian (correlation 0.99 with one of the same variance), and
// its exact shape is what the statistics are computed from.
func passesFor(variance float64) []int {
	if d := max(1, int(math.Round(math.Sqrt(2*variance)))); math.Abs(float64(d*d)/2-variance) < 0.22*variance {
		return []int{d}
	}
	best, out := math.Inf(1), []int{1}
	for a := 1; float64(a*a)/2 <= variance; a++ {
		b := max(a, int(math.Round(math.Sqrt(math.Max(1, 2*variance-float64(a*a))))))
		// Equal spacings hide each other's sampling worst.
		if off := math.Abs(float64(a*a+b*b)/2-variance)/variance + 0.1*math.Abs(float64(b)/float64(a)-1.5); off < best {
			best, out = off, []int{a, b}
		}
	}
	return out
}

func (w *whitening) newShape(k []float64, passes []int) shape {
	sh := shape{passes: passes, k: append([]float64(nil), k...)}
	full := convolveHalf(w.g, k)
	sh.peak = full[0]
	m0, m2 := full[0], 0.0
	for i, v := range full[1:] {
		d := float64(i + 1)
		m0 += 2 * v
		m2 += 2 * v * d * d
	}
	sh.sigma = math.Sqrt(m2 / m0)
	sh.c = convolveHalf(convolveHalf(w.c11, k), k)
	sh.v = sh.c[0]
	sh.vf = foldVariance(sh.c, w.period)
	sh.lambda = roughness(sh.c)
	sh.kin = kinship(sh.c)
	return sh
}

func (w *whitening) pairShape(mid shape) shape {
	at := func(c []float64, i int) float64 {
		if i < 0 {
			i = -i
		}
		if i >= len(c) {
			return 0
		}
		return c[i]
	}
	d := 2 * w.delta
	c := make([]float64, len(mid.c)+d)
	for i := range c {
		c[i] = 2*at(mid.c, i) - at(mid.c, i+d) - at(mid.c, i-d)
	}
	sh := shape{sigma: mid.sigma, c: c, v: c[0], vf: foldVariance(c, w.period), lambda: roughness(c)}
	full := convolveHalf(w.g, mid.k)
	for i := 0; i < len(full)+w.delta; i++ {
		sh.peak = math.Max(sh.peak, math.Abs(at(full, i-w.delta)-at(full, i+w.delta)))
	}
	return sh
}

// newSection works out the variance of the sum of w neighbouring bins less its share of the whole
// profile: the box has no mean, since the trend removal leaves none.
func (w *whitening) newSection(n int, period float64) section {
	at := func(j int) float64 { // in the folded profile, which closes on itself
		sum := 0.0
		for m := -8; m <= 8; m++ {
			i := int(math.Round(math.Abs(float64(j) + float64(m)*period)))
			if i < len(w.c11) {
				sum += w.c11[i]
			}
		}
		return sum
	}
	cov := func(lag int) float64 { // covariance of two box sums lag apart
		sum := 0.0
		for d := -(n - 1); d < n; d++ {
			sum += float64(n-max(d, -d)) * at(d+lag)
		}
		return sum
	}
	total := w.c11[0]
	for _, c := range w.c11[1:] {
		total += 2 * c
	}
	mean := float64(n*n) / period * total
	v := cov(0) - mean
	return section{w: n, v: v, lambda: 2 * (cov(0) - cov(1)) / v}
}

// roughness is the mean square derivative of a stationary series with autocovariance c, normalised to
// unit variance, per sample^2: the second moment of its band-limited spectrum.
func roughness(c []float64) float64 {
	sum := c[0] * math.Pi * math.Pi / 3
	sign := -1.0
	for j := 1; j < len(c); j++ {
		sum += 4 * sign * c[j] / float64(j*j)
		sign = -sign
	}
	return sum / c[0]
}

// halfGaussian samples exp(-t^2 / 2 sigma^2) at t = 0, 1, ... to four sigmas.
func halfGaussian(sigma float64) []float64 {
	n := int(math.Ceil(4 * sigma))
	g := make([]float64, n+1)
	for i := range g {
		u := float64(i) / sigma
		g[i] = math.Exp(-u * u / 2)
	}
	return g
}

// convolveHalf convolves two symmetric sequences given by their halves.
func convolveHalf(a, b []float64) []float64 {
	out := make([]float64, len(a)+len(b)-1)
	for i := range out {
		sum := 0.0
		for j := -(len(b) - 1); j < len(b); j++ {
			k := i - j
			if k < 0 {
				k = -k
			}
			if k < len(a) {
				sum += a[k] * b[max(j, -j)]
			}
		}
		out[i] = sum
	}
	return out
}
