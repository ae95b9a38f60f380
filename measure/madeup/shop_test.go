package madeup

import (
	"math"
	"strings"
	"testing"

	"swathkeeper/measure/colour"
)

func mustShop(t testing.TB, seed uint64, change func(*Config)) *Shop {
	t.Helper()
	cfg := DefaultConfig()
	if change != nil {
		change(&cfg)
	}
	s, err := NewShop(seed, cfg)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func mustRead(t testing.TB, s *Shop, at Occasion, f Faults) *Reading {
	t.Helper()
	r, err := s.Read(at, f)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func mustExact(t testing.TB, s *Shop, stage Stage, f Faults) *Reading {
	t.Helper()
	r, err := s.Exact(stage, f)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func weak(ink string, percent float64) Faults {
	return Faults{Ink: map[string]InkFault{ink: {StrengthPercent: percent}}}
}

type difference func(a, b colour.Lab) float64

func meanDifference(a, b *Reading, d difference) float64 {
	sum := 0.0
	for p := range a.Lab {
		sum += d(a.Lab[p], b.Lab[p])
	}
	return sum / float64(len(a.Lab))
}

// patch returns the first patch with these device values.
func patch(t testing.TB, c *Chart, device ...float64) int {
	t.Helper()
next:
	for p, d := range c.Device {
		for i, v := range d {
			if v != device[i] {
				continue next
			}
		}
		return p
	}
	t.Fatalf("no patch of %v", device)
	return 0
}

func same(a, b *Reading) bool {
	for p := range a.Lab {
		if a.Lab[p] != b.Lab[p] || a.XYZ[p] != b.XYZ[p] {
			return false
		}
		for i, v := range a.Spectra[p] {
			if v != b.Spectra[p][i] {
				return false
			}
		}
	}
	return true
}

func TestSameSeedSameReadings(t *testing.T) {
	for seed := range uint64(6) {
		cfg := VariedConfig(seed)
		one, err := NewShop(seed, cfg)
		if err != nil {
			t.Fatal(err)
		}
		other, err := NewShop(seed, cfg)
		if err != nil {
			t.Fatal(err)
		}
		// Asked for in another order, with other readings between.
		late := mustRead(t, one, Occasion{Day: 9, Print: 1}, Faults{})
		early := mustRead(t, one, Occasion{Day: 2}, weak("C", -5))
		if !same(early, mustRead(t, other, Occasion{Day: 2}, weak("C", -5))) {
			t.Errorf("seed %d: day 2 differs with the order", seed)
		}
		if !same(late, mustRead(t, other, Occasion{Day: 9, Print: 1}, Faults{})) {
			t.Errorf("seed %d: day 9 differs with the order", seed)
		}
		if same(late, mustRead(t, other, Occasion{Day: 9}, Faults{})) {
			t.Errorf("seed %d: two prints are alike", seed)
		}
	}
}

func TestReadIntoReusesMemory(t *testing.T) {
	s := mustShop(t, 3, nil)
	var r Reading
	f := Faults{SlipRows: 1, Turned: true}
	if err := s.ReadInto(&r, Occasion{Day: 40}, f); err != nil {
		t.Fatal(err)
	}
	if n := testing.AllocsPerRun(20, func() {
		if err := s.ReadInto(&r, Occasion{Day: 7}, Faults{}); err != nil {
			t.Fatal(err)
		}
	}); n > 20 {
		t.Errorf("%g allocations a reading", n)
	}
	if !same(&r, mustRead(t, s, Occasion{Day: 7}, Faults{})) {
		t.Error("the reading depends on what its memory held before")
	}
}

// The definition of strength: the chart with tints of 0.95 printed in order, and the chart as
// it is with that ink at -5 %, are one and the same.
func TestStrengthIsThatOfTheTints(t *testing.T) {
	for _, m := range Mixings() {
		change := func(c *Config) { c.Mixing = m; c.GainPoints = 8; c.Gamma = 1.2 }
		s := mustShop(t, 5, change)
		scaled := mustShop(t, 5, func(c *Config) {
			change(c)
			for _, d := range c.Chart.Device {
				d[1] *= 0.95
			}
		})
		a, b := mustExact(t, s, Pressed, weak("M", -5)), mustExact(t, scaled, Pressed, Faults{})
		for p := range a.Lab {
			if d := colour.DE76(a.Lab[p], b.Lab[p]); d > 1e-9 {
				t.Fatalf("%s, patch %v: %g apart", m, s.Chart().Device[p], d)
			}
		}
		if got := a.Truth.StrengthPercent; math.Abs(got[1]+5) > 1e-9 || got[0] != 0 {
			t.Errorf("truth: strengths %v", got)
		}
		// And asking for 1/0.95 of the tints makes up for it.
		f := weak("M", -5)
		f.Correct = map[string]Correction{"M": {Percent: 100 * (1/0.95 - 1)}}
		if d := meanDifference(mustExact(t, s, Pressed, f), mustExact(t, s, Pressed, Faults{}), colour.DE76); d > 1e-9 {
			t.Errorf("%s: %g left after the correction", m, d)
		}
	}
}

// Plausibility of sizes against an independent four-dye Kubelka-Munk model of ours; loose on purpose.
func TestSizesArePlausible(t *testing.T) {
	for _, family := range Families() {
		s := mustShop(t, 11, func(c *Config) { c.Family = family })
		c := s.Chart()
		good := mustExact(t, s, Pressed, Faults{})
		if w := good.Truth.White; w.L < 92.5 || w.L > 95.5 || math.Abs(w.A) > 1.5 || math.Abs(w.B) > 6 {
			t.Errorf("%s: white goods are %v", family, w)
		}
		if k := good.Lab[patch(t, c, 0, 0, 0, 100)]; k.L > 30 || k.L < 12 || k.Chroma() > 8 {
			t.Errorf("%s: black is %v", family, k)
		}
		for i, hue := range map[int][2]float64{0: {215, 265}, 1: {330, 375}, 2: {75, 110}} {
			d := make([]float64, 4)
			d[i] = 100
			lab := good.Lab[patch(t, c, d...)]
			h := lab.Hue()
			if h < hue[0]-180 {
				h += 360
			}
			if h < hue[0] || h > hue[1] || lab.Chroma() < 38 {
				t.Errorf("%s: solid %s is %v, hue %.0f", family, c.Channels[i], lab, h)
			}
		}
		for i, ink := range c.Channels {
			one := mustExact(t, s, Pressed, weak(ink, -1))
			sum, n := 0.0, 0
			for p, d := range c.Device {
				if d[i] >= 30 && d[i] <= 70 && d[(i+1)%4]+d[(i+2)%4]+d[(i+3)%4] == 0 {
					sum, n = sum+colour.DE76(one.Lab[p], good.Lab[p]), n+1
				}
			}
			if per := sum / float64(n); per < 0.08 || per > 0.25 {
				t.Errorf("%s: 1 %% of %s is %.3f dE76 at mid-tones", family, ink, per)
			}
			if d := meanDifference(mustExact(t, s, Pressed, weak(ink, -5)), good, colour.DE2000); d < 0.08 || d > 0.6 {
				t.Errorf("%s: 5 %% weak %s is %.2f dE00 in the mean", family, ink, d)
			}
		}
	}
}

func TestPrintToPrint(t *testing.T) {
	for _, m := range Mixings() {
		s := mustShop(t, 12, func(c *Config) { c.Mixing = m })
		var again, print, day float64
		const n = 20
		for i := range n {
			a := mustRead(t, s, Occasion{Day: i}, Faults{})
			again += meanDifference(a, mustRead(t, s, Occasion{Day: i, Reread: 1}, Faults{}), colour.DE2000) / n
			print += meanDifference(a, mustRead(t, s, Occasion{Day: i, Print: 1}, Faults{}), colour.DE2000) / n
			day += meanDifference(a, mustRead(t, s, Occasion{Day: i + n}, Faults{}), colour.DE2000) / n
		}
		if again < 0.05 || again > 0.25 || print < 0.3 || print > 0.85 || day < print || day > 1.5 {
			t.Errorf("%s: re-read %.2f, print to print %.2f, day to day %.2f", m, again, print, day)
		}
	}
}

func TestBadConfigsAreRefused(t *testing.T) {
	for _, c := range []struct {
		change func(*Config)
		want   string
	}{
		{func(c *Config) { c.Chart = nil }, "chart: none"},
		{func(c *Config) { c.Chart = &Chart{Driven: DrivenInk} }, "no patches"},
		{func(c *Config) { c.Inks = nil }, "inks: 0"},
		{func(c *Config) { c.Inks = []string{"C", "M", "Y", "G"} }, `unknown ink "G"`},
		{func(c *Config) { c.Inks = []string{"C", "C"} }, "occurs twice"},
		{func(c *Config) { c.Inks = []string{"C", "M"} }, `channel "Y"`},
		{func(c *Config) { c.Family = "" }, `unknown ink family ""`},
		{func(c *Config) { c.Mixing = "paint" }, `unknown "paint"`},
		{func(c *Config) { c.Mode = "" }, "mode"},
		{func(c *Config) { c.Wander.Kind = "" }, "unknown kind"},
		{func(c *Config) { c.Wander.Rho = 1 }, "wander rho: 1 is outside"},
		{func(c *Config) { c.Noise.TailDF = 2 }, "tail df"},
		{func(c *Config) { c.Gamma = math.NaN() }, "gamma: NaN"},
		{func(c *Config) { c.Chart.Device[3][0] = 101 }, "device value 101"},
		{func(c *Config) { c.Chart.Device[3] = nil }, "0 device values, want 4"},
		{func(c *Config) { c.Chart.Driven = "steam" }, `driven by "steam"`},
	} {
		cfg := DefaultConfig()
		c.change(&cfg)
		if _, err := NewShop(1, cfg); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v, want %q", err, c.want)
		}
	}
	s := mustShop(t, 1, nil)
	for _, f := range []Faults{
		weak("G", 1), {Section: Section{Ink: "G", StrengthPercent: -1}}, {Correct: map[string]Correction{"G": {}}},
		{Ink: map[string]InkFault{"C": {ContaminationPercent: 1, By: "C"}}},
	} {
		if _, err := s.Read(Occasion{}, f); err == nil {
			t.Errorf("%+v passes", f)
		}
	}
	if _, err := s.Read(Occasion{Day: -1}, Faults{}); err == nil {
		t.Error("day -1 passes")
	}
}

func BenchmarkRead(b *testing.B) {
	for _, m := range Mixings() {
		b.Run(string(m), func(b *testing.B) {
			s := mustShop(b, 1, func(c *Config) { c.Mixing = m; c.Inks = InkNames(); c.Chart = LightChart() })
			var r Reading
			b.ReportAllocs()
			i := 0
			for b.Loop() {
				if err := s.ReadInto(&r, Occasion{Day: i % 100}, Faults{}); err != nil {
					b.Fatal(err)
				}
				i++
			}
		})
	}
}
