package banding

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// What a tail learned from a sample says a value is worth, against the normal score of the law the sample was
// drawn from (gonum's Student's t). From where one value in a hundred lies to where the sample ends it is right within a
// tenth. Beyond, where nothing was seen, it errs towards the value itself, by less than two fifths; Gaussian noise
// keeps its value everywhere.
func TestTailScores(t *testing.T) {
	t.Parallel()
	for _, df := range []float64{4, 6, 10, math.Inf(1)} {
		src := rand.New(rand.NewPCG(1, uint64(math.Min(df, 99))))
		quantile := distuv.UnitNormal.Quantile
		draw := src.NormFloat64
		if !math.IsInf(df, 1) {
			law := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df, Src: src}
			quantile, draw = law.Quantile, law.Rand
		}
		var s tailSample
		const n = 100000
		z := make([]float64, n)
		for i := range z {
			z[i] = draw()
		}
		sd := quantile(0.75) / 0.6744897501960817 // the robust standard deviation of the law
		s.add(z, sd)
		tail := s.fit()
		for _, p := range []float64{0.01, 1e-3, 1e-4, 1e-5, 1e-6} {
			x := quantile(1-p/2) / sd
			want, got := distuv.UnitNormal.Quantile(1-p/2), tail.score(x)
			most := 0.1
			if p < 1e-4 && !math.IsInf(df, 1) {
				most = 0.4
			}
			if got < 0.9*want || got > (1+most)*want || got > 1.02*x {
				t.Errorf("%v degrees of freedom: a value of %.2f, of chance %g, is worth %.2f, want %.2f (%+v)", df, x, p, got, want, tail)
			}
			// With no other strip to ask, heavy tails are not trusted beyond the sample.
			if alone := tail.alone(x); df <= 6 && p < 1e-4 && (alone > 1.1*want || alone < 0.85*want) || alone > got {
				t.Errorf("%v degrees of freedom: alone, a value of %.2f, of chance %g, is worth %.2f, want %.2f (%+v)", df, x, p, alone, want, tail)
			}
			if tail.score(-quantile(1-p/2)/sd) != -got {
				t.Error("scores are not odd")
			}
		}
	}
	if (Tail{}).score(7) != 7 {
		t.Error("without a tail a value is not worth itself")
	}
	if got := (&tailSample{}).fit(); got.Power != 1 || got.At != tailScore {
		t.Errorf("a tail of nothing: %+v", got)
	}
}
