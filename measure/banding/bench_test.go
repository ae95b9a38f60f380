package banding_test

import (
	"math/rand/v2"
	"testing"

	"swathkeeper/measure/banding"
	"swathkeeper/measure/madeup"
)

func rng(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 7)) }

func readings(tb testing.TB, t *madeup.Tracer, n int, st madeup.State, seed uint64) [][]banding.Trace {
	tb.Helper()
	var out [][]banding.Trace
	for i := range n {
		tr, err := t.Traces(st, rng(seed+uint64(i)))
		if err != nil {
			tb.Fatal(err)
		}
		out = append(out, tr)
	}
	return out
}

// BenchmarkJudge judges 8 traces of 2,700 samples; the goal is 0.7 ms on one core.
func BenchmarkJudge(b *testing.B) {
	t := madeup.KnitTracer()
	t.Knit = madeup.Knit{PitchMM: 0.9, RMS: 0.5, Harmonic: 0.2, CoherenceMM: 40}
	base, err := banding.Learn(t.Geometry(), readings(b, t, 10, madeup.State{}, 1), banding.Options{})
	if err != nil {
		b.Fatal(err)
	}
	d, err := base.Prepare()
	if err != nil {
		b.Fatal(err)
	}
	test := readings(b, t, 16, madeup.State{}, 100)
	b.ReportAllocs()
	b.ResetTimer()
	for i := 0; b.Loop(); i++ {
		if _, err := d.Judge(test[i%len(test)]); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkLearn(b *testing.B) {
	t := madeup.KnitTracer()
	r := readings(b, t, 10, madeup.State{}, 1)
	for b.Loop() {
		if _, err := banding.Learn(t.Geometry(), r, banding.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
