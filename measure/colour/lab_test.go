package colour

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Reference: xyz-lab-lch.csv (colour-science and python-colormath test values; CIE 15 edges).
func TestLabAndLCh(t *testing.T) {
	tab := readTable(t, "xyz-lab-lch.csv")
	for _, row := range tab.rows {
		v := tab.numbers(t, row, "X", "Y", "Z", "Xn", "Yn", "Zn", "L", "a", "b", "C", "h")
		tolerance := 1e-7
		if strings.Contains(tab.text(row, "source"), "3 decimals") {
			tolerance = 1e-3 // C there is cut, not rounded
		}
		what := tab.text(row, "source")
		white := XYZ{v[3] * 100, v[4] * 100, v[5] * 100}
		xyz := XYZ{v[0] * 100, v[1] * 100, v[2] * 100}
		got := xyz.Lab(white)
		nearLab(t, what, got, Lab{v[6], v[7], v[8]}, tolerance)
		near(t, what+" C", got.LCh().C, v[9], tolerance)
		if !math.IsNaN(v[10]) {
			near(t, what+" h", got.LCh().H, v[10], tolerance)
		}
		nearXYZ(t, what+" back", got.XYZ(white), xyz, 1e-9)
	}
}

// Reference: xyz-lab-de00-cie142.csv (CIE 142-2001 worked examples): XYZ to CIEDE2000.
func TestXYZToDE2000(t *testing.T) {
	tab := readTable(t, "xyz-lab-de00-cie142.csv")
	white := XYZ{94.811, 100, 107.304}
	for _, row := range tab.rows {
		v := tab.numbers(t, row, "X1", "Y1", "Z1", "X2", "Y2", "Z2", "dE00")
		a := XYZ{v[0], v[1], v[2]}.Lab(white)
		b := XYZ{v[3], v[4], v[5]}.Lab(white)
		what := "pair " + tab.text(row, "pair")
		nearLab(t, what, a, tab.lab(t, row, "L1", "a1", "b1"), 5.1e-5)
		nearLab(t, what, b, tab.lab(t, row, "L2", "a2", "b2"), 5.1e-5)
		near(t, what, DE2000(a, b), v[6], 1.5e-4)
	}
}

func TestHueRange(t *testing.T) {
	for _, c := range []struct{ a, b, h float64 }{
		{1, 0, 0}, {0, 1, 90}, {-1, 0, 180}, {0, -1, 270}, {1, -1e-300, 0}, {0, 0, 0},
	} {
		if h := (Lab{50, c.a, c.b}).Hue(); math.Abs(h-c.h) > 1e-12 || h >= 360 {
			t.Errorf("hue of %g, %g: %g, want %g", c.a, c.b, h, c.h)
		}
	}
}

func TestRoundTrips(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		lab := drawLab(r, "lab")
		nearLab(t, "XYZ and back", lab.XYZ(D50).Lab(D50), lab, 1e-9)
		nearLab(t, "LCh and back", lab.LCh().Lab(), lab, 1e-9)
		if h := lab.Hue(); h < 0 || h >= 360 {
			r.Fatalf("hue %g", h)
		}
	})
}

func drawLab(r *rapid.T, label string) Lab {
	return Lab{
		rapid.Float64Range(0, 110).Draw(r, label+" L"),
		rapid.Float64Range(-130, 130).Draw(r, label+" a"),
		rapid.Float64Range(-130, 130).Draw(r, label+" b"),
	}
}

func TestIsFinite(t *testing.T) {
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if (Lab{bad, 0, 0}).IsFinite() || (Lab{0, bad, 0}).IsFinite() || (XYZ{0, 0, bad}).IsFinite() {
			t.Errorf("%g passes for finite", bad)
		}
	}
	if !(Lab{50, -3, 1e300}).IsFinite() {
		t.Error("a finite colour does not pass")
	}
}
