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
