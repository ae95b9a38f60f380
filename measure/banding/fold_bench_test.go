package banding

import (
	"math/rand/v2"
	"testing"
)

// BenchmarkFold folds one trace of 2,700 samples at 300 dpi at every trial of a known step of 6.35 mm,
// or of a tenth of it for heads of many passes.
func BenchmarkFold(b *testing.B) {
	const n, pitch = 2700, 0.0847
	for _, c := range []struct {
		name string
		step float64
	}{{"step6.35mm", 6.35}, {"step0.635mm", 0.635}} {
		b.Run(c.name, func(b *testing.B) {
			f := newFoldPlan(n, c.step/pitch, onReach, 0.18/pitch, marginFor(pitch))
			if f == nil {
				b.Fatal("no plan")
			}
			rng := rand.New(rand.NewPCG(1, 2))
			z := make([]float64, n+2*f.pad)
			for i := range n {
				z[f.pad+i] = rng.NormFloat64()
			}
			locals, profile := make([]float64, f.localsLen()), make([]float64, f.width)
			b.ReportAllocs()
			for b.Loop() {
				f.locals(z, locals)
				for t := range f.slopes {
					f.profile(locals, t, profile)
				}
			}
			b.ReportMetric(float64(len(f.slopes)), "trials")
		})
	}
}
