package main

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"swathkeeper/measure/madeup"
)

// TestKnowingObservers: where days are normal and independent, what the two observers call out of a step of
// one series on its first day has closed forms, the normal law for the one who knows the spread and Student's
// (non-central, here by its own simulation) for the one who learns it.
func TestKnowingObservers(t *testing.T) {
	b := boundTrial{running: 2, days: 1}
	w := madeup.Wander{StrengthPercent: 2, PrintShare: 0.5}
	const n, size = boundBaseline + 2, 9.0
	knows, learns := b.found(w, 1, size, rand.New(rand.NewPCG(5, 6)))
	shift := size / 2 / math.Sqrt(1+1.0/n) // in standard errors of one day less the mean of n
	normal := distuv.UnitNormal
	z := normal.Quantile(1 - 1.0/740/2)
	want := normal.Survival(z-shift) + normal.CDF(-z-shift)
	// The limit is the eighth largest of 6000: uncertain by a third of its tail.
	if math.Abs(knows-want) > 0.06 {
		t.Errorf("who knows the spread finds %.3f, by the normal law %.3f", knows, want)
	}
	r := rand.New(rand.NewPCG(7, 8))
	limit := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 1}.Quantile(1 - 1.0/740/2)
	want = 0
	for range 100000 {
		if (r.NormFloat64()+shift)/math.Sqrt(chiSquared(r, n-1)/(n-1)) > limit {
			want += 1e-5
		}
	}
	if math.Abs(learns-want) > 0.09 {
		t.Errorf("who learns the spread finds %.3f, by Student's law %.3f", learns, want)
	}
	if learns >= knows {
		t.Errorf("who has to learn the spread finds %.3f, who knows it %.3f", learns, knows)
	}
}

// TestKnownShop: in the space of the observers who name causes, ordinary charts have unit variance in every
// direction (chi-squared), changes add up, and one who knows a fault names it where it stands alone.
func TestKnownShop(t *testing.T) {
	t.Parallel()
	o := colourOptions{Seed: 3, Shops: 1}
	sizes, err := faultSizes(t.Context(), o, variedWorld)
	if err != nil {
		t.Fatal(err)
	}
	s, err := newKnownShop(o.Seed*4000037, variedWorld.config(0, 1), sizes[0])
	if err != nil {
		t.Fatal(err)
	}
	r := rand.New(rand.NewPCG(3, 4))
	const charts = 300
	var sum float64
	for range charts {
		y := s.whitened(s.ordinary(r))
		sum += inner(y, y)
	}
	q := float64(len(s.days[0]))
	// Heavy-tailed days scatter more than the normal law's; there are 12 such directions.
	if mean := sum / charts / q; math.Abs(mean-1) > 6*math.Sqrt(2/q/charts) {
		t.Errorf("ordinary charts have a variance of %.3f in the mean of %.0f directions", mean, q)
	}
	mixed, believed := 0, 0
	for range 50 {
		at, _ := s.mixedDrift(r)
		if s.name(at, r)[0] == mixedAnswer {
			mixed++
		}
	}
	for _, k := range s.kinds {
		if s.name(k.is, r)[0] == k.answer {
			believed++
		}
	}
	if mixed < 48 || believed < len(s.kinds)-1 {
		t.Errorf("who knows a shop names %d of 50 mixed drifts and %d of %d single faults", mixed, believed, len(s.kinds))
	}
	if at := make([]float64, len(s.days[0])); len(s.labs) != madeup.DriftParts(4) || s.name(at, r)[0] == (answer{}) {
		t.Errorf("%d parts of a mixed drift", len(s.labs))
	}
}
