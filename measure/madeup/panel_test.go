package madeup

import (
	"testing"

	"swathkeeper/measure/colour"
)

func panelShop(t *testing.T, kind PanelKind, seed uint64) (*Shop, *Panel) {
	t.Helper()
	cfg := DefaultConfig()
	cfg.Chart = RGBChart()
	if kind == PanelInk {
		cfg.Chart = CMYKChart()
	}
	var err error
	if cfg.Panel, err = NewPanel(seed, kind); err != nil {
		t.Fatal(err)
	}
	s, err := NewShop(seed, cfg)
	if err != nil {
		t.Fatal(err)
	}
	return s, cfg.Panel
}

// TestPanels: each slider of each kind does something over its range, the same each time, and not
// evenly: two halves of a range differ, and two sliders together do other than one after the other.
func TestPanels(t *testing.T) {
	for _, kind := range PanelKinds() {
		s, p := panelShop(t, kind, 11)
		read := func(v []float64) []colour.Lab {
			r, err := s.Exact(Pressed, Faults{Dials: v})
			if err != nil {
				t.Fatalf("%s: %v", kind, err)
			}
			return append([]colour.Lab(nil), r.Lab...)
		}
		apart := func(a, b []colour.Lab) (sum float64) {
			for i := range a {
				sum += colour.DE2000(a[i], b[i]) / float64(len(a))
			}
			return sum
		}
		middle := make([]float64, len(p.Dials()))
		for i, d := range p.Dials() {
			middle[i] = (d.Low + d.High) / 2
		}
		base := read(middle)
		uneven, coupled := 0, 0
		for i, d := range p.Dials() {
			at := func(v float64) []colour.Lab {
				w := append([]float64(nil), middle...)
				w[i] = v
				return read(w)
			}
			low, high := at(d.Low), at(d.High)
			if whole := apart(low, high); whole < 0.5 {
				t.Errorf("%s: %s moves the chart by %.2f over its whole range", kind, d.Name, whole)
			}
			a, b := apart(low, base), apart(base, high)
			if a > 1.15*b || b > 1.15*a {
				uneven++
			}
			j := (i + 1) % len(middle)
			w := append([]float64(nil), middle...)
			w[i], w[j] = d.High, p.Dials()[j].High
			both := read(w)
			w[i] = middle[i]
			other := read(w)
			sum := make([]colour.Lab, len(base))
			for k := range sum {
				sum[k] = colour.Lab{L: high[k].L + other[k].L - base[k].L, A: high[k].A + other[k].A - base[k].A, B: high[k].B + other[k].B - base[k].B}
			}
			if apart(both, sum) > 0.15 {
				coupled++
			}
			if apart(at(d.High), high) != 0 {
				t.Errorf("%s: %s is not the same twice", kind, d.Name)
			}
		}
		if uneven < 2 || coupled < 2 {
			t.Errorf("%s: %d sliders are uneven, %d coupled", kind, uneven, coupled)
		}
		rest, err := s.Exact(Pressed, Faults{})
		if err != nil {
			t.Fatal(err)
		}
		if apart(rest.Lab, read(p.Rest())) != 0 {
			t.Errorf("%s: an untouched panel is not at rest", kind)
		}
	}
}

func TestPanelRefuses(t *testing.T) {
	if _, err := NewPanel(1, "dial"); err == nil {
		t.Error("an unknown kind is made")
	}
	s, p := panelShop(t, PanelNotch, 3)
	v := p.Rest()
	v[0] = 6
	for _, dials := range [][]float64{v, {1}} {
		if _, err := s.Read(Occasion{}, Faults{Dials: dials}); err == nil {
			t.Errorf("dials %v are taken", dials)
		}
	}
	cfg := DefaultConfig()
	plain, err := NewShop(1, cfg)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := plain.Read(Occasion{}, Faults{Dials: []float64{1}}); err == nil {
		t.Error("a driver without sliders takes dials")
	}
	if cfg.Panel, err = NewPanel(1, PanelTone); err != nil {
		t.Fatal(err)
	}
	if _, err := NewShop(1, cfg); err == nil {
		t.Error("a panel for RGB goes with an ink chart")
	}
}
