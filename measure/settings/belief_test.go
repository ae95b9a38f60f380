package settings

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
)

// TestMetric: for small differences the local metric is the published difference (CIEDE2000),
// but for its rotation term, which acts on blues.
func TestMetric(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 500 {
		c := colour.Lab{L: 10 + 80*r.Float64(), A: 120*r.Float64() - 60, B: 120*r.Float64() - 60}
		if h := c.Hue(); h > 220 && h < 330 {
			continue
		}
		d := [3]float64{0.02 * r.NormFloat64(), 0.02 * r.NormFloat64(), 0.02 * r.NormFloat64()}
		m := metricAt(c)
		e := mul(&m, d)
		got := math.Sqrt(e[0]*e[0] + e[1]*e[1] + e[2]*e[2])
		want := colour.DE2000(c, colour.Lab{L: c.L + d[0], A: c.A + d[1], B: c.B + d[2]})
		// a' counts the chroma of both colours; its change is left out of the metric.
		if math.Abs(got-want) > 0.12*want {
			t.Errorf("at %+v by %v: %.5f, CIEDE2000 says %.5f", c, d, got, want)
		}
	}
}

func TestPolynomial(t *testing.T) {
	x := [nodes]float64{-0.3, -0.1, 0, 0.2, 0.3}
	var y [nodes]float64
	f := func(v float64) float64 { return 2 - v + 3*v*v - 0.5*v*v*v + 4*v*v*v*v }
	for i := range x {
		y[i] = f(x[i])
	}
	for i, want := range [nodes]float64{2, -1, 3, -0.5, 4} {
		if got := polynomial(x, y)[i]; math.Abs(got-want) > 1e-9 {
			t.Errorf("coefficient %d is %g, not %g", i, got, want)
		}
	}
}

// TestBelief: the mean of the coefficients is that of Bayesian linear regression in its other,
// textbook form, (prior precision + X'X/noise)^-1 (prior precision mean + X'y/noise)
// (C. M. Bishop, Pattern Recognition and Machine Learning, 2006, eq. 3.50), worked out for one
// coordinate at a time with gonum; and samples scatter about it with that precision.
func TestBelief(t *testing.T) {
	r := rolesOf(&drift.Chart{Channels: []string{"C", "M", "Y"}, Driven: drift.DrivenRGB})
	k := r.size()
	sliders := []Slider{{Name: "a", Kind: Other, Low: 0, High: 1}, {Name: "b", Kind: Other, Low: 0, High: 1}}
	print := make([]float64, k)
	for x := range print {
		print[x] = 0.01
	}
	b := newBelief(r, sliders, print)
	rng := rand.New(rand.NewPCG(3, 4))
	// Independent coordinates: the textbook form is then small.
	for f := range b.terms {
		b.terms[f].root = nil
		for x := range k {
			b.terms[f].mean[x] = 0.1 * rng.NormFloat64()
			b.terms[f].own[x] = 0.05 + 0.1*rng.Float64()
		}
	}
	const sd = 0.02
	var prints []seen
	for range 4 {
		s := seen{u: []float64{rng.Float64() - 0.5, rng.Float64() - 0.5}, c: make([]float64, k), noise: mat.NewSymDense(k, nil)}
		for x := range k {
			s.c[x] = 0.2 * rng.NormFloat64()
			s.noise.SetSym(x, x, sd*sd)
		}
		prints = append(prints, s)
	}
	if err := b.learn(prints, rng); err != nil {
		t.Fatal(err)
	}
	n := len(b.terms)
	for x := range k {
		precision := mat.NewSymDense(n, nil)
		right := mat.NewVecDense(n, nil)
		for f := range n {
			v := b.terms[f].own[x] * b.terms[f].own[x]
			precision.SetSym(f, f, 1/v)
			right.SetVec(f, b.terms[f].mean[x]/v)
		}
		for _, p := range prints {
			for f := range n {
				phi := b.terms[f].value(p.u)
				right.SetVec(f, right.AtVec(f)+phi*p.c[x]/(sd*sd))
				for g := f; g < n; g++ {
					precision.SetSym(f, g, precision.At(f, g)+phi*b.terms[g].value(p.u)/(sd*sd))
				}
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(precision) {
			t.Fatal("textbook form is singular")
		}
		var want mat.VecDense
		if err := chol.SolveVecTo(&want, right); err != nil {
			t.Fatal(err)
		}
		for f := range n {
			if math.Abs(b.mean[f][x]-want.AtVec(f)) > 1e-6 {
				t.Fatalf("coordinate %d, term %d: %.8f, the textbook says %.8f", x, f, b.mean[f][x], want.AtVec(f))
			}
		}
	}
	// The scatter of samples at a print is of the order of its noise, far from all prints wider.
	near, far := 0.0, 0.0
	for d := range draws {
		for x := range k {
			a := b.at(b.samples[d], prints[0].u)[x] - b.at(b.mean, prints[0].u)[x]
			near += a * a
			u := []float64{2, -2}
			a = b.at(b.samples[d], u)[x] - b.at(b.mean, u)[x]
			far += a * a
		}
	}
	near, far = math.Sqrt(near/float64(draws*k)), math.Sqrt(far/float64(draws*k))
	if near > 1.3*sd || near < 0.3*sd || far < 5*near {
		t.Errorf("samples scatter by %.4f at a print of noise %.2f, and by %.4f far away", near, sd, far)
	}
}
