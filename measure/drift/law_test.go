package drift

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distmv"

	"swathkeeper/measure/madeup"
)

// TestTridiagonal: what Householder's reflections give has the eigenvalues of the matrix, by gonum, and
// is Q' m Q of the Q that was applied beside it.
func TestTridiagonal(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(7, 8))
	for _, q := range []int{1, 2, 3, 9, 35} {
		m := make([]float64, q*q)
		for range q/2 + 1 { // of low rank, as patterns are
			v := make([]float64, q)
			for i := range v {
				v[i] = rng.NormFloat64()
			}
			addOuter(m, v, q)
		}
		whole := mat.NewSymDense(q, append([]float64(nil), m...))
		turned := make([]float64, q*q)
		for i := range q {
			turned[i*q+i] = 1
		}
		diagonal, off := tridiagonal(m, turned, q)
		three := mat.NewSymDense(q, nil)
		for i, d := range diagonal {
			three.SetSym(i, i, d)
			if i > 0 {
				three.SetSym(i, i-1, off[i-1])
			}
		}
		turn := mat.NewDense(q, q, turned)
		var back mat.Dense
		back.Product(turn, whole, turn.T())
		if !mat.EqualApprox(&back, three, 1e-10) {
			t.Errorf("q %d: not Q' m Q", q)
		}
		var a, b mat.EigenSym
		if !a.Factorize(whole, false) || !b.Factorize(three, false) {
			t.Fatal("no eigenvalues")
		}
		for i, v := range a.Values(nil) {
			if w := b.Values(nil)[i]; math.Abs(v-w) > 1e-10*float64(q) {
				t.Errorf("q %d: eigenvalue %d is %g, want %g", q, i, w, v)
			}
		}
	}
}

// TestPatternLaws: the log density of a pattern of one size is that of the normal law (gonum) with the
// background, the pattern and the share of the fit that signatures get wrong, up to what all have in common.
func TestPatternLaws(t *testing.T) {
	t.Parallel()
	m, _ := benchModel(t, madeup.Faults{})
	q := m.q
	fit, background := m.background(1)
	rng := rand.New(rand.NewPCG(3, 4))
	theta, y := make([]float64, q), make([]float64, q)
	for i := range theta {
		theta[i] = 2 * m.unit[i] * rng.NormFloat64()
	}
	for _, spec := range m.specs() {
		const size, wrong = 2.4, 0.3
		laws := patternLaws{m: m, fit: fit, background: background, roots: map[float64][]float64{}}
		p := laws.model(spec, []float64{size}, wrong)
		got := p.logLikelihood(theta, y)

		cov, mean, v := append([]float64(nil), background...), make([]float64, q), make([]float64, q)
		for i := range cov {
			cov[i] += wrong * fit[i]
		}
		add := func(amount []float64) {
			m.raw(amount, v)
			for i := range v {
				v[i] *= size
			}
			addOuter(cov, v, q)
		}
		for j, sd := range spec.sd {
			one := make([]float64, q)
			one[j] = sd
			add(one)
		}
		for _, way := range spec.ways {
			add(way)
		}
		if spec.fitted != nil {
			for i, x := range spec.fitted {
				v[i] = size * x
			}
			addOuter(cov, v, q)
		}
		if spec.mean != nil {
			m.raw(spec.mean, mean)
			for i := range mean {
				mean[i] *= size
			}
		}
		law, ok := distmv.NewNormal(mean, mat.NewSymDense(q, cov), nil)
		if !ok {
			t.Fatal("no normal law")
		}
		want := law.LogProb(theta) + float64(q)/2*math.Log(2*math.Pi)
		if math.Abs(got-want) > 1e-7*max(1, math.Abs(want)) {
			t.Errorf("%s %s: %g, want %g", p.name, p.channel, got, want)
		}
	}
}

// TestGrid: a patch is found at its place, on a full sheet and on one that is next to empty.
func TestGrid(t *testing.T) {
	t.Parallel()
	for _, far := range []int{1, 5000} {
		c := &Chart{IDs: make([]string, 6), Row: []int{1, 1, 2, 2, far * 3, 0}, Col: []int{1, 2, 1, 2, far, 0}}
		g := newGrid(c)
		for p := range 5 {
			if q, ok := g.at(c.Row[p], c.Col[p]); !ok || q != p {
				t.Errorf("patch %d: %d %v", p, q, ok)
			}
		}
		for _, place := range [][2]int{{0, 0}, {0, 1}, {1, 0}, {3, 9}, {-1, 2}, {99999, 1}} {
			if q, ok := g.at(place[0], place[1]); ok {
				t.Errorf("nothing stands at %v, but %d", place, q)
			}
		}
		if g.whole {
			t.Error("one patch has no place")
		}
	}
}
