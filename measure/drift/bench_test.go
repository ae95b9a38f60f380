package drift

import (
	"fmt"
	"testing"

	"swathkeeper/measure/madeup"
)

// benchModel is a baseline of ten readings of a made-up six-ink printer's 400 patches, and the next
// reading's differences from it.
func benchModel(b testing.TB, f madeup.Faults) (*Model, []float64) {
	b.Helper()
	cfg := madeup.DefaultConfig()
	cfg.Chart, cfg.Inks = madeup.LightChart(), madeup.InkNames()
	s, err := madeup.NewShop(1, cfg)
	if err != nil {
		b.Fatal(err)
	}
	read := func(day int, f madeup.Faults) Sample {
		r, err := s.Read(madeup.Occasion{Day: day}, f)
		if err != nil {
			b.Fatal(err)
		}
		return Sample{Lab: r.Lab, Day: fmt.Sprintf("2026-01-%02d", day+1)}
	}
	var samples []Sample
	for d := range 10 {
		samples = append(samples, read(d, madeup.Faults{}))
	}
	base, err := Learn(Chart(*s.Chart()), samples, Options{})
	if err != nil {
		b.Fatal(err)
	}
	m, err := base.Prepare()
	if err != nil {
		b.Fatal(err)
	}
	diff := make([]float64, 0, 3*len(m.mean))
	for p, c := range read(11, f).Lab {
		diff = append(diff, c.L-m.mean[p].L, c.A-m.mean[p].A, c.B-m.mean[p].B)
	}
	return m, diff
}

// BenchmarkFit is the robust least squares of one reading alone: whitening, solving, weighing patches.
func BenchmarkFit(b *testing.B) {
	for _, c := range []struct {
		name   string
		faults madeup.Faults
	}{{"steady", madeup.Faults{}}, {"C-15", madeup.Faults{Ink: map[string]madeup.InkFault{"C": {StrengthPercent: -15}}}}} {
		b.Run(c.name, func(b *testing.B) {
			m, diff := benchModel(b, c.faults)
			w := newWork(m.fitter.n, m.fitter.q)
			b.ReportAllocs()
			for b.Loop() {
				m.fitter.load(w, diff, nil)
				if !m.fitter.solve(w) {
					b.Fatal("not solved")
				}
			}
		})
	}
}

// BenchmarkPrepare makes a stored baseline ready to judge by: what a worker pays when a printer's
// model is not in its memory.
func BenchmarkPrepare(b *testing.B) {
	m, _ := benchModel(b, madeup.Faults{})
	b.ReportAllocs()
	for b.Loop() {
		if _, err := m.b.Prepare(); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkPatterns makes the laws of all patterns for one size of change, as the first alarm of that
// size does.
func BenchmarkPatterns(b *testing.B) {
	m, _ := benchModel(b, madeup.Faults{})
	b.ReportAllocs()
	for b.Loop() {
		clear(m.sets)
		m.patternsFor(false, 8)
	}
}
