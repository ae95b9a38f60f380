package colour

import (
	"math/rand/v2"
	"testing"

	"github.com/lucasb-eyer/go-colorful"
)

// benchPairs draws pairs as a chart gives them: any colour that prints, and another a few
// units away.
func benchPairs() (a, b [1024]Lab) {
	rng := rand.New(rand.NewPCG(3, 4))
	for i := range a {
		a[i] = Lab{20 + 75*rng.Float64(), 120*rng.Float64() - 60, 120*rng.Float64() - 60}
		b[i] = Lab{a[i].L + rng.NormFloat64(), a[i].A + rng.NormFloat64(), a[i].B + rng.NormFloat64()}
	}
	return a, b
}

var sink float64

func BenchmarkDE2000(b *testing.B) {
	p, q := benchPairs()
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		sink += DE2000(p[i], q[i])
		i = (i + 1) % len(p)
	}
}

// BenchmarkDE2000Colorful is the same pairs by go-colorful, which converts each from its own RGB.
func BenchmarkDE2000Colorful(b *testing.B) {
	p, q := benchPairs()
	var c, d [1024]colorful.Color
	for i := range p {
		c[i] = colorful.Lab(p[i].L/100, p[i].A/100, p[i].B/100)
		d[i] = colorful.Lab(q[i].L/100, q[i].A/100, q[i].B/100)
	}
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		sink += c[i].DistanceCIEDE2000(d[i])
		i = (i + 1) % len(p)
	}
}

// BenchmarkDE2000Textbook is the published formula with its angles, as the tests have it.
func BenchmarkDE2000Textbook(b *testing.B) {
	p, q := benchPairs()
	i := 0
	for b.Loop() {
		sink += textbookDE2000(p[i], q[i])
		i = (i + 1) % len(p)
	}
}

// BenchmarkSpectraToLab converts a chart of 400 patches; the custom figure is patches per
// second on one core.
func BenchmarkSpectraToLab(b *testing.B) {
	for _, c := range []struct {
		name        string
		start, step float64
		n           int
	}{{"10nm", 380, 10, 36}, {"5nm", 380, 5, 81}, {"20nm", 400, 20, 16}} {
		b.Run(c.name, func(b *testing.B) {
			w := mustWeights(b, IlluminantD50, c.start, c.step, c.n)
			rng := rand.New(rand.NewPCG(5, 6))
			spectra := make([][]float64, 400)
			for i := range spectra {
				spectra[i] = make([]float64, c.n)
				for j := range spectra[i] {
					spectra[i][j] = rng.Float64()
				}
			}
			labs := make([]Lab, len(spectra))
			b.ReportAllocs()
			for b.Loop() {
				if err := w.Labs(labs, spectra); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.N)*float64(len(spectra))/b.Elapsed().Seconds(), "patches/s")
		})
	}
}

func BenchmarkNewWeights(b *testing.B) {
	for b.Loop() {
		if _, err := NewWeights(IlluminantD50, 380, 10, 36); err != nil {
			b.Fatal(err)
		}
	}
}

func TestHotPathsDoNotAllocate(t *testing.T) {
	w := mustWeights(t, IlluminantD50, 380, 10, 36)
	spectra := [][]float64{make([]float64, 36), make([]float64, 36)}
	labs, xyzs := make([]Lab, 2), make([]XYZ, 2)
	p, q := benchPairs()
	n := testing.AllocsPerRun(100, func() {
		if w.Labs(labs, spectra) != nil || w.XYZs(xyzs, spectra) != nil {
			t.Fatal("refused")
		}
		sink += DE2000(p[0], q[0])
	})
	if n != 0 {
		t.Errorf("%g allocations", n)
	}
}
