package madeup

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat"
)

// onePatch is a chart for tests that look at the printer's state alone.
func onePatch() *Chart {
	return &Chart{Channels: []string{"C"}, Driven: DrivenInk, IDs: []string{"A1"}, Device: [][]float64{{50}}}
}

// strengths returns one ink's strength on each day, in percent.
func strengths(t *testing.T, change func(*Config), days int) []float64 {
	s := mustShop(t, 31, func(c *Config) {
		c.Chart = onePatch()
		change(c)
	})
	out := make([]float64, days)
	var r Reading
	for d := range out {
		if err := s.ReadInto(&r, Occasion{Day: d}, Faults{}); err != nil {
			t.Fatal(err)
		}
		out[d] = r.Truth.StrengthPercent[2]
	}
	return out
}

func TestWander(t *testing.T) {
	const days = 4000
	for _, c := range []struct {
		name     string
		change   func(*Config)
		sd, corr float64 // of days, from one to the next
		heavy    bool
	}{
		{"independent", func(c *Config) {}, 1, 0, false},
		{"independent, no print share", func(c *Config) { c.Wander.PrintShare = 0 }, 1, 0, false},
		{"ar1", func(c *Config) { c.Wander.Kind, c.Wander.Rho = AR1, 0.6 }, 1, 0.6 * 0.75, false}, // the print's quarter of the variance is not shared
		{"half", func(c *Config) { c.Wander.StrengthPercent = 0.5 }, 0.5, 0, false},
		{"tails", func(c *Config) { c.Wander.TailDF = 5 }, 1, 0, true},
	} {
		x := strengths(t, c.change, days)
		mean, sd := stat.MeanStdDev(x, nil)
		// Tolerances: about 4 standard errors, seeds fixed.
		if math.Abs(mean) > 0.12 || math.Abs(sd/c.sd-1) > 0.08 {
			t.Errorf("%s: mean %.3f, sd %.3f, want 0 and %g", c.name, mean, sd, c.sd)
		}
		if r := stat.Correlation(x[1:], x[:days-1], nil); math.Abs(r-c.corr) > 0.07 {
			t.Errorf("%s: correlation of days %.3f, want %.3f", c.name, r, c.corr)
		}
		k := stat.ExKurtosis(x, nil)
		if (k > 0.8) != c.heavy {
			t.Errorf("%s: excess kurtosis %.2f", c.name, k)
		}
	}
	x := strengths(t, func(c *Config) { c.Wander.Kind = RandomWalk; c.Wander.PrintShare = 0 }, 400)
	steps := make([]float64, len(x)-1)
	for i := range steps {
		steps[i] = x[i+1] - x[i]
	}
	if _, sd := stat.MeanStdDev(steps, nil); math.Abs(sd-1) > 0.15 {
		t.Errorf("random walk: steps of sd %.3f", sd)
	}
	if _, sd := stat.MeanStdDev(x, nil); sd < 2 {
		t.Errorf("random walk: stays within sd %.3f", sd)
	}
}

// Inks wander by themselves.
func TestInksAreIndependent(t *testing.T) {
	s := mustShop(t, 32, func(c *Config) { c.Chart = onePatch() })
	const days = 2000
	x, y := make([]float64, days), make([]float64, days)
	var r Reading
	for d := range days {
		if err := s.ReadInto(&r, Occasion{Day: d}, Faults{}); err != nil {
			t.Fatal(err)
		}
		x[d], y[d] = r.Truth.StrengthPercent[0], r.Truth.StrengthPercent[3]
	}
	if c := stat.Correlation(x, y, nil); math.Abs(c) > 0.09 {
		t.Errorf("correlation of two inks %.3f", c)
	}
}

// The variance of Student's t with 5 degrees of freedom, scaled, is 1; its fourth moment heavy.
func TestDraw(t *testing.T) {
	r := generator(1, 99)
	for _, df := range []float64{0, 5, 12} {
		x := make([]float64, 200_000)
		for i := range x {
			x[i] = draw(r, df)
		}
		if mean, sd := stat.MeanStdDev(x, nil); math.Abs(mean) > 0.02 || math.Abs(sd-1) > 0.03 {
			t.Errorf("df %g: mean %.4f, sd %.4f", df, mean, sd)
		}
	}
}

func TestScratches(t *testing.T) {
	s := mustShop(t, 33, func(c *Config) { c.Noise.ScratchRate = 0.02 })
	clean := mustShop(t, 33, nil)
	hit, n := 0, 0
	for day := range 10 {
		a, b := mustRead(t, s, Occasion{Day: day}, Faults{}), mustRead(t, clean, Occasion{Day: day}, Faults{})
		for p := range a.Spectra {
			n++
			if math.Abs(a.Spectra[p][20]/b.Spectra[p][20]-1) > 0.025 {
				hit++
			}
		}
	}
	if rate := float64(hit) / float64(n); rate < 0.01 || rate > 0.04 {
		t.Errorf("%d of %d patches scratched", hit, n)
	}
}
