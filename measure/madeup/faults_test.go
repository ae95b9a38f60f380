package madeup

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"swathkeeper/measure/colour"
)

// onGroup is the mean DE76 over the patches that pick takes.
func onGroup(t testing.TB, a, b *Reading, c *Chart, pick func(p int, d []float64) bool) float64 {
	t.Helper()
	sum, n := 0.0, 0
	for p, d := range c.Device {
		if pick(p, d) {
			sum, n = sum+colour.DE76(a.Lab[p], b.Lab[p]), n+1
		}
	}
	if n == 0 {
		t.Fatal("no patch picked")
	}
	return sum / float64(n)
}

func total(d []float64) (sum float64) {
	for _, v := range d {
		sum += v
	}
	return sum
}

func bare(_ int, d []float64) bool { return total(d) == 0 }

// single takes one ink's tints from lo to hi.
func single(i int, lo, hi float64) func(int, []float64) bool {
	return func(_ int, d []float64) bool { return d[i] == total(d) && d[i] >= lo && d[i] <= hi }
}

// The signatures of the usual causes, each in the two extremes of mixing.
func TestFaultSignatures(t *testing.T) {
	for _, m := range []Mixing{KubelkaMunk, Neugebauer} {
		t.Run(string(m), func(t *testing.T) {
			s := mustShop(t, 21, func(c *Config) { c.Mixing = m; c.Vary = 0 })
			c := s.Chart()
			good := mustExact(t, s, Pressed, Faults{})
			read := func(f Faults) *Reading { return mustExact(t, s, Pressed, f) }
			on := func(r *Reading, pick func(int, []float64) bool) float64 { return onGroup(t, r, good, c, pick) }

			// One ink: its own patches move, others and the white do not.
			for i, ink := range c.Channels {
				for _, f := range []InkFault{{StrengthPercent: -5}, {HueNM: 5}, {TonePoints: 2}, {ConcentrationPercent: -10}, {ContaminationPercent: 3, By: c.Channels[(i+1)%4]}} {
					r := read(Faults{Ink: map[string]InkFault{ink: f}})
					if own := on(r, func(_ int, d []float64) bool { return d[i] > 0 }); own < 0.02 {
						t.Errorf("%s %+v: its own patches move by %g", ink, f, own)
					}
					if other := on(r, func(_ int, d []float64) bool { return d[i] == 0 }); other > 1e-9 {
						t.Errorf("%s %+v: patches without it move by %g", ink, f, other)
					}
				}
			}
			// Tone: mid-tones, not solids.
			tone := read(Faults{Preset: Preset{TonePoints: 3}})
			if mid, solid := on(tone, single(0, 40, 60)), on(tone, single(0, 100, 100)); mid < 0.5 || solid > 1e-9 {
				t.Errorf("preset: mid-tones %g, solids %g", mid, solid)
			}
			// Press: overprints lose more lightness than tints, white stays.
			under := read(Faults{Press: Press{Celsius: -8, Seconds: -8}})
			loss := func(p int) float64 { return under.Lab[p].L - good.Lab[p].L }
			if w := on(under, bare); w > 0.2 {
				t.Errorf("under-pressed: white moves by %g", w)
			}
			light, heavy := loss(patch(t, c, 30, 0, 0, 0)), loss(patch(t, c, 100, 100, 100, 0))
			if heavy < 1.2*light || heavy < 0.5 {
				t.Errorf("under-pressed: a tint lightens by %g, a full overprint by %g", light, heavy)
			}
			if d := under.Truth.Dose; d > 0.8 || d < 0.5 {
				t.Errorf("under-pressed: dose %g", d)
			}
			over := read(Faults{Press: Press{Celsius: 10, Seconds: 12}})
			if b := over.Lab[patch(t, c, 0, 0, 0, 0)].B - good.Lab[patch(t, c, 0, 0, 0, 0)].B; b < 0.3 {
				t.Errorf("over-pressed: white yellows by %g", b)
			}
			// Goods: white most.
			lot := read(Faults{Media: Media{Yellowness: 2, Lightness: -0.5}})
			if w, k := on(lot, bare), on(lot, single(3, 80, 100)); w < 1 || k > w/3 {
				t.Errorf("lot: white %g, black %g", w, k)
			}
			if got := lot.Truth.White; math.Abs(got.L-good.Truth.White.L+0.5) > 0.15 || math.Abs(got.B-good.Truth.White.B-2) > 0.3 {
				t.Errorf("lot: white %v from %v", got, good.Truth.White)
			}
			// Flare: darks lighten most, white least. Scale: white too.
			flare := read(Faults{Flare: 0.005})
			if w, k := on(flare, bare), on(flare, single(3, 100, 100)); k < 1 || w > 0.2 {
				t.Errorf("flare: white %g, black %g", w, k)
			}
			scale := read(Faults{Scale: -0.02})
			if w := on(scale, bare); w < 0.5 {
				t.Errorf("scale: white %g", w)
			}
			// Mixed drift: everything, and no single ink explains it.
			if d := meanDifference(read(Faults{Drift: 1}), good, colour.DE2000); d < 0.4 || d > 4 {
				t.Errorf("drift of 1 is %g", d)
			}
		})
	}
}

func TestModes(t *testing.T) {
	s := mustShop(t, 22, nil)
	at := func(m Mode) colour.Lab { return mustExact(t, s, Pressed, Faults{Mode: m}).Truth.White }
	// M0 and M1 differ by 1 to 3 in b* on brightened white: from memory, common practice.
	if d := at(M0).B - at(M1).B; d < 0.5 || d > 3.5 {
		t.Errorf("M0 to M1 is %g in b*", d)
	}
	if d := at(M2).B - at(M1).B; d < 1 {
		t.Errorf("M2 to M1 is %g in b*", d)
	}
}

func TestFaultsWithAPlace(t *testing.T) {
	for _, m := range Mixings() {
		s := mustShop(t, 23, func(c *Config) { c.Mixing = m })
		c := s.Chart()
		good := mustExact(t, s, Pressed, Faults{})
		moved := func(f Faults, pick func(p int) bool) float64 {
			r := mustExact(t, s, Pressed, f)
			return onGroup(t, r, good, c, func(p int, d []float64) bool { return pick(p) && d[1] > 0 })
		}
		section := Faults{Section: Section{Ink: "M", FromRow: 5, ToRow: 7, StrengthPercent: -10}}
		in, out := func(p int) bool { return c.Row[p] >= 5 && c.Row[p] <= 7 }, func(p int) bool { return c.Row[p] < 5 || c.Row[p] > 7 }
		if a, b := moved(section, in), moved(section, out); a < 0.3 || b > 1e-9 {
			t.Errorf("%s: section: %g in its rows, %g outside", m, a, b)
		}
		for name, f := range map[string]Faults{
			"warm-up": {WarmUpPercent: 10},
			"fading":  {Ink: map[string]InkFault{"M": {ContaminationPercent: 5, By: "Y", FadeRows: 3}}},
		} {
			first, last := moved(f, func(p int) bool { return c.Row[p] <= 2 }), moved(f, func(p int) bool { return c.Row[p] >= 15 })
			if first < 0.2 || last > first/5 {
				t.Errorf("%s: %s: %g in the first rows, %g in the last", m, name, first, last)
			}
		}
		edge := Faults{PressEdge: 0.3}
		near, far := moved(edge, func(p int) bool { return c.Col[p] == 1 }), moved(edge, func(p int) bool { return c.Col[p] == 18 })
		if near > 1e-9 || far < 0.3 {
			t.Errorf("%s: press edge: %g at column 1, %g at 18", m, near, far)
		}
	}
}

func TestMisreading(t *testing.T) {
	s := mustShop(t, 24, nil)
	c := s.Chart()
	n := len(c.IDs)
	good := mustRead(t, s, Occasion{}, Faults{})
	turned := mustRead(t, s, Occasion{}, Faults{Turned: true})
	slipped := mustRead(t, s, Occasion{}, Faults{SlipRows: 1})
	for p := range n {
		if turned.Lab[p] != good.Lab[n-1-p] {
			t.Fatalf("turned: patch %s is not the opposite one", c.IDs[p])
		}
		if slipped.Lab[p] != good.Lab[(p+18)%n] {
			t.Fatalf("slipped: patch %s is not the one below", c.IDs[p])
		}
	}
}

func TestTransferStage(t *testing.T) {
	s := mustShop(t, 25, nil)
	paper := mustExact(t, s, Transfer, Faults{})
	pressed := mustExact(t, s, Pressed, Faults{})
	if d := meanDifference(paper, pressed, colour.DE2000); d < 3 {
		t.Errorf("paper and goods are %g apart", d)
	}
	for name, f := range map[string]Faults{
		"press": {Press: Press{Celsius: -15}}, "goods": {Media: Media{Yellowness: 3, YieldPercent: 5}},
	} {
		if !same(paper, mustExact(t, s, Transfer, f)) {
			t.Errorf("the paper shows the %s", name)
		}
	}
	if d := meanDifference(paper, mustExact(t, s, Transfer, weak("C", -5)), colour.DE2000); d < 0.05 {
		t.Errorf("the paper shows a weak ink by %g only", d)
	}
}

func TestRereadSharesThePrint(t *testing.T) {
	s := mustShop(t, 26, func(c *Config) {
		c.Noise.TexturePercent = 0
		c.Noise.BandFloor = 0
		c.Noise.BandPercent = 0
		c.Wander.InstrumentScale = 0
	})
	a, b := mustRead(t, s, Occasion{Day: 1}, Faults{}), mustRead(t, s, Occasion{Day: 1, Reread: 1}, Faults{})
	if !same(a, b) {
		t.Error("without instrument noise a re-read differs")
	}
}

func TestEveryFaultKindCanBeSized(t *testing.T) {
	for _, kind := range FaultKinds([]string{"C", "M", "Y", "K"}) {
		s := mustShop(t, 27, func(c *Config) { c.Mixing = Blend })
		if kind.Cause == "ink hue" && kind.Ink == "K" || kind.Cause == "contamination" && kind.Ink == "K" || kind.Cause == "head section" {
			continue // these cannot change a whole chart by as much
		}
		size, err := s.SizeFor(kind.Make, 0.5)
		if err != nil {
			t.Errorf("%s: %v", kind.Name, err)
			continue
		}
		got := meanDifference(mustExact(t, s, Pressed, kind.Make(size)), mustExact(t, s, Pressed, Faults{}), colour.DE2000)
		if math.Abs(got-0.5) > 0.002 {
			t.Errorf("%s: size %g gives %g", kind.Name, size, got)
		}
	}
	s := mustShop(t, 27, nil)
	if size, err := s.SizeFor(func(float64) Faults { return Faults{} }, 1); err == nil {
		t.Errorf("no fault of size %g changes the chart by 1", size)
	}
}

func TestDriverPrinters(t *testing.T) {
	for _, inks := range [][]string{{"C", "M", "Y", "K"}, InkNames(), {"C", "M", "Y"}} {
		t.Run(fmt.Sprint(inks), func(t *testing.T) {
			s := mustShop(t, 28, func(c *Config) { c.Inks, c.Chart = inks, RGBChart() })
			c := s.Chart()
			good := mustExact(t, s, Pressed, Faults{})
			if w := good.Lab[patch(t, c, 255, 255, 255)]; colour.DE76(w, good.Truth.White) > 0.3 {
				t.Errorf("255, 255, 255 prints %v on %v", w, good.Truth.White)
			}
			if k := good.Lab[patch(t, c, 0, 0, 0)]; k.L > 40 {
				t.Errorf("0, 0, 0 prints %v", k)
			}
			// Deeper asked is darker printed, along each ramp.
			for i := range 3 {
				var last float64 = 101
				for v := 255.0; v >= 0; v-- {
					d := []float64{255, 255, 255}
					d[i] = v
					for p, dev := range c.Device {
						if slices.Equal(dev, d) {
							if l := good.Lab[p].L; l > last+1e-9 {
								t.Errorf("channel %d at %g: L* %g after %g", i, v, l, last)
							} else {
								last = l
							}
						}
					}
				}
			}
			f := weak("C", -5)
			if len(inks) == 6 {
				f.Ink["LC"] = f.Ink["C"]
			}
			bad := mustExact(t, s, Pressed, f)
			before := meanDifference(bad, good, colour.DE2000)
			if before < 0.1 {
				t.Errorf("a weak cyan is %g", before)
			}
			f.Correct = map[string]Correction{"C": {Percent: 3.3}}
			if after := meanDifference(mustExact(t, s, Pressed, f), good, colour.DE2000); after > 0.7*before {
				t.Errorf("asking for more cyan leaves %g of %g", after, before)
			}
		})
	}
}

// TestDriftParts: each part of a mixed drift does something of its own, and there are no more of them. The
// parts are those of this package's own definition.
func TestDriftParts(t *testing.T) {
	t.Parallel()
	shop, err := NewShop(3, DefaultConfig())
	if err != nil {
		t.Fatal(err)
	}
	var good, seen []*Reading
	read := func(f Faults) *Reading {
		r, err := shop.Exact(Pressed, f)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	good = append(good, read(Faults{}))
	far := func(a, b *Reading) (most float64) {
		for p := range a.Lab {
			most = math.Max(most, colour.DE2000(a.Lab[p], b.Lab[p]))
		}
		return most
	}
	n := DriftParts(len(shop.Config().Inks))
	for part := 1; part <= n; part++ {
		r := read(Faults{Drift: 1, DriftPart: part})
		for i, other := range append(good, seen...) {
			if d := far(r, other); d < 0.1 {
				t.Errorf("part %d is %.3f from reading %d", part, d, i)
			}
		}
		seen = append(seen, r)
	}
	for _, part := range []int{-1, n + 1} {
		if _, err := shop.Exact(Pressed, Faults{Drift: 1, DriftPart: part}); err == nil {
			t.Errorf("part %d of %d was taken", part, n)
		}
	}
}
