package main

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
)

// White noise, Gaussian line: d' of one line = (a/sigma) sqrt(sigma_b sqrt(pi) / dy), and K repeats give
// sqrt(K) times as much (S. M. Kay, Fundamentals of Statistical Signal Processing II, 1998, section 4.3).
func white(n int, variance float64) []float64 {
	p := make([]float64, n/2+1)
	for i := range p {
		p[i] = variance
	}
	return p
}

func TestObserverInformation(t *testing.T) {
	t.Parallel()
	const sigma = 2.362
	o := newObserver(white(2700, 0.09), sigma, 75, 0.01, 1)
	want := sigma * math.Sqrt(math.Pi) / 0.09
	if math.Abs(o.v/want-1) > 1e-3 {
		t.Errorf("d'^2 of a unit line %.4f, closed form %.4f", o.v, want)
	}
	// The position's Fisher information: lambda = 1 / (2 sigma^2).
	if l := 1 / (2 * sigma * sigma); math.Abs(o.lambda/l-1) > 1e-3 {
		t.Errorf("lambda %.5f, closed form %.5f", o.lambda, l)
	}
	// The drawn noise has the variance it is said to have.
	fft := fourier.NewFFT(o.n)
	rng := rand.New(rand.NewPCG(1, 2))
	sum := 0.0
	for range 200 {
		for _, v := range o.noise(fft, rng) {
			sum += v * v / float64(200*o.n)
		}
	}
	if math.Abs(sum/o.v-1) > 0.03 {
		t.Errorf("variance of the drawn noise %.3f, want %.3f", sum, o.v)
	}
}

// With one hypothesis left the ideal observer is the matched filter: its 90 % point at 1 % false
// alarms lies at d' = 2.3263 + 1.2816.
func TestObserverAgainstClosedForm(t *testing.T) {
	t.Parallel()
	o := newObserver(white(2700, 0.09), 2.362, 75, 0, 1)
	o.phases = 1
	o.known = true
	a, _ := o.contrast90(0.01, 4000, 3)
	d := a * math.Sqrt(o.rows()*o.v)
	if math.Abs(d-3.608) > 0.12 {
		t.Errorf("d' %.3f at 90 %%, closed form 3.608", d)
	}
}

func TestProbitFindsItsCurve(t *testing.T) {
	t.Parallel()
	x := []float64{0.8, 0.9, 1, 1.1, 1.2}
	var found, of []int
	for _, v := range x {
		of = append(of, 100000)
		found = append(found, int(math.Round(100000*math.Erfc(-(8*v-8)/math.Sqrt2)/2)))
	}
	at, se, _, err := probit(x, found, of, 0.9)
	if err != nil || math.Abs(at-1.1602) > 1e-3 || se <= 0 || se > 0.01 {
		t.Errorf("90 %% at %.4f (se %.4f), want 1.1602; %v", at, se, err)
	}
}
