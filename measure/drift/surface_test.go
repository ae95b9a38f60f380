package drift

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// TestScore: what the search keeps from guess to guess changes nothing. Each score is the logarithm of the
// marginal likelihood as Rasmussen and Williams have it (Gaussian Processes for Machine Learning, 2006,
// equation 2.30, less its constant), here with a general library's solver and a kernel matrix made anew.
func TestScore(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(1, 2))
	const n, channels, bands = 40, 4, 3
	tints, variance := matrix(n, channels), make([]float64, n)
	z := mat.NewDense(n, bands, nil)
	for i := range n {
		for c := range channels {
			tints[i][c] = rng.Float64()
		}
		variance[i] = 0.01 + 0.02*rng.Float64()
		for b := range bands {
			z.Set(i, b, rng.NormFloat64())
		}
	}
	s := newScorer(tints, variance, z)
	h := hyper{bend: 3, mix: 0.1, nugget: 4, warp: 0.7}
	for range 200 {
		switch x := math.Exp(4*rng.Float64() - 2); rng.IntN(5) { // one at a time, as in the search, or none
		case 0:
			h.bend = x
		case 1:
			h.mix = x
		case 2:
			h.nugget = x
		case 3:
			h.warp = 0.4 + 0.8*rng.Float64()
		}
		var chol mat.Cholesky
		if !chol.Factorize(gram(h.warped(tints), variance, h)) {
			t.Fatal("the library gives up")
		}
		var a mat.Dense
		if err := chol.SolveTo(&a, z); err != nil {
			t.Fatal(err)
		}
		want := -mat.Dot(mat.NewVecDense(n*bands, z.RawMatrix().Data), mat.NewVecDense(n*bands, a.RawMatrix().Data))/2 - bands*chol.LogDet()/2
		if got := s.score(h); math.Abs(got-want) > 1e-9*math.Abs(want) {
			t.Fatalf("%+v: score %.12g, want %.12g", h, got, want)
		}
	}
}

// TestReader: what a reader keeps from call to call changes nothing, tints that it has seen or not, few or more
// than it keeps.
func TestReader(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(3, 4))
	const n, channels, bands = 30, 4, 5
	tints := matrix(n, channels)
	values, variance := mat.NewDense(n, bands, nil), make([]float64, n)
	for i := range n {
		for c := range channels {
			tints[i][c] = float64(rng.IntN(5)) / 4
		}
		for b := range bands {
			values.Set(i, b, rng.NormFloat64()-tints[i][b%channels])
		}
		variance[i] = 0.01
	}
	s, err := fitSurface(tints, values, variance)
	if err != nil {
		t.Fatal(err)
	}
	r := s.reader()
	x, got, want := make([]float64, channels), make([]float64, bands), make([]float64, bands)
	for range 3 * keptTints {
		for c := range x {
			switch x[c] = rng.Float64(); rng.IntN(3) {
			case 0:
				x[c] = 0
			case 1:
				x[c] = float64(rng.IntN(5)) / 4 * 1.08
			}
		}
		r.at(x, got)
		s.at(x, want)
		for b := range want {
			if math.Abs(got[b]-want[b]) > 1e-12*(1+math.Abs(want[b])) {
				t.Fatalf("at %v band %d is %g, want %g", x, b, got[b], want[b])
			}
		}
	}
}
