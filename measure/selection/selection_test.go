package selection_test

import (
	"math/rand/v2"
	"slices"
	"testing"

	"swathkeeper/measure/selection"
)

// TestSmallest: every place of random orders, with ties and sorted ones too, is as the standard
// library's sort gives it.
func TestSmallest(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(1, 2))
	for n := range 40 {
		for _, ties := range []float64{3, 1e9} {
			v := make([]float64, n)
			for i := range v {
				v[i] = float64(int(ties * r.Float64()))
			}
			sorted := slices.Sorted(slices.Values(v))
			for k := range n {
				for _, from := range [][]float64{v, sorted} {
					s := slices.Clone(from)
					if got := selection.Smallest(s, k); got != sorted[k] {
						t.Fatalf("place %d of %v: %g, want %g", k, from, got, sorted[k])
					}
					if k > 0 && slices.Max(s[:k]) > sorted[k] || slices.Min(s[k:]) < sorted[k] {
						t.Fatalf("place %d of %v divides it wrongly: %v", k, from, s)
					}
				}
			}
		}
	}
	if got := selection.Smallest(nil, 0); got != 0 {
		t.Errorf("of nothing: %g", got)
	}
}
