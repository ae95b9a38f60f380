package drift_test

import (
	"math"
	"testing"

	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
)

// TestSpectraTellNoLess: signatures from spectra measure the turn of a yellow dye as those from L*, a*, b*
// do, on printers that lay dots or half dots (simulated; worlds that were drawn at random, and then
// kept since signatures of moved absorptions made the turn 13 % too small there). The truth is what the
// solid's hue angle turns by without noise.
func TestSpectraTellNoLess(t *testing.T) {
	t.Parallel()
	var ratio [2]float64
	worlds := []uint64{2, 32, 49}
	for _, k := range worlds {
		cfg := madeup.VariedConfig(k + 1)
		if cfg.Mixing != madeup.Neugebauer && cfg.Mixing != madeup.Blend {
			t.Fatalf("world %d mixes by %s", k, cfg.Mixing)
		}
		m, err := madeup.NewShop(3000017+k, cfg)
		if err != nil {
			t.Fatal(err)
		}
		var labs, spectra []drift.Sample
		for d := range 10 {
			r, err := m.Read(madeup.Occasion{Day: d}, madeup.Faults{})
			if err != nil {
				t.Fatal(err)
			}
			smp := drift.Sample{Lab: r.Lab, Day: day(d)}
			labs = append(labs, smp)
			smp.Spectra = &drift.Spectra{StartNM: madeup.StartNM, StepNM: madeup.StepNM, Values: r.Spectra}
			spectra = append(spectra, smp)
		}
		turned := madeup.Faults{Ink: map[string]madeup.InkFault{"Y": {HueNM: 5}}}
		truth := solidTurn(t, m, 2, turned)
		for way, base := range [][]drift.Sample{labs, spectra} {
			b, err := drift.Learn(drift.Chart(*m.Chart()), base, drift.Options{})
			if err != nil {
				t.Fatal(err)
			}
			model, err := b.Prepare()
			if err != nil {
				t.Fatal(err)
			}
			for d := range 3 {
				r, err := m.Read(madeup.Occasion{Day: 20 + d}, turned)
				if err != nil {
					t.Fatal(err)
				}
				res, _, err := model.Judge(drift.Sample{Lab: r.Lab, Day: day(20 + d)}, drift.State{})
				if err != nil {
					t.Fatal(err)
				}
				ratio[way] += res.Channels[2].HueDeg / truth / 3 / float64(len(worlds))
			}
		}
	}
	t.Logf("measured turn over the true one: from L*, a*, b* %.3f, from spectra %.3f", ratio[0], ratio[1])
	for way, r := range ratio {
		if math.Abs(r-1) > 0.07 {
			t.Errorf("way %d measures %.3f of the turn", way, r)
		}
	}
}

// solidTurn is the turn of a channel's solid in degrees of hue angle, without noise.
func solidTurn(t *testing.T, m *madeup.Shop, channel int, f madeup.Faults) float64 {
	t.Helper()
	good, err := m.Exact(madeup.Pressed, madeup.Faults{})
	if err != nil {
		t.Fatal(err)
	}
	bad, err := m.Exact(madeup.Pressed, f)
	if err != nil {
		t.Fatal(err)
	}
	for p, d := range m.Chart().Device {
		sum := 0.0
		for _, v := range d {
			sum += v
		}
		if d[channel] == 100 && sum == 100 {
			return math.Remainder(bad.Lab[p].Hue()-good.Lab[p].Hue(), 360)
		}
	}
	t.Fatal("no solid on the chart")
	return 0
}
