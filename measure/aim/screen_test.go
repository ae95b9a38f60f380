package aim

import (
	"math"
	"testing"

	"swathkeeper/measure/colour"
)

// TestCompensation works the formula of ISO 18619 by hand: a black of L* 20 has
// Y = ((20+16)/116)^3 = 0.029891, so the scale from zero is 0.970109; a grey of Y 0.2 becomes
// 0.2 x 0.970109 + 0.029891 = 0.223913, and its L* 116 x 0.223913^(1/3) - 16 = 54.440.
func TestCompensation(t *testing.T) {
	c := NewCompensation(0, 20)
	if math.Abs(c.Scale-0.970109) > 1e-6 {
		t.Errorf("scale %.6f, want 0.970109", c.Scale)
	}
	grey := colour.XYZ{X: 0.2 * colour.D50.X, Y: 20, Z: 0.2 * colour.D50.Z}
	got := c.Apply(grey).Lab(colour.D50)
	if math.Abs(got.L-54.440) > 1e-3 || math.Abs(got.A) > 1e-9 || math.Abs(got.B) > 1e-9 {
		t.Errorf("a grey of Y 0.2 becomes %+v, want L* 54.440 neutral", got)
	}
	if w := c.Apply(colour.D50); math.Abs(w.Y-100) > 1e-9 || math.Abs(w.X-colour.D50.X) > 1e-9 {
		t.Errorf("white moves to %+v", w)
	}
	if b := c.Apply(colour.XYZ{}).Lab(colour.D50); math.Abs(b.L-20) > 1e-9 {
		t.Errorf("black becomes L* %.6f, want 20", b.L)
	}
	// A black lighter than L* 50 counts as 50; between equal blacks nothing moves.
	if NewCompensation(0, 60) != NewCompensation(0, 50) {
		t.Error("a black of L* 60 is not cut to 50")
	}
	if s := NewCompensation(12, 12).Scale; s != 1 {
		t.Errorf("between equal blacks the scale is %g", s)
	}
}

// TestScreen: on a fabric as white as D50 without a black of its own, sRGB values keep their
// published Lab (IEC 61966-2-1 primaries, adapted by Bradford to D50, as color libraries give it:
// red 54.29, 80.81, 69.89; from the ICC's own sRGB profile, rounded, from memory). On a fabric,
// white becomes the fabric and black a neutral of the deepest black's lightness.
func TestScreen(t *testing.T) {
	rgb := [][]float64{{255, 0, 0}, {255, 255, 255}, {0, 0, 0}, {119, 119, 119}}
	got, err := Screen(rgb, Ends{White: colour.Lab{L: 100}, Black: colour.Lab{}})
	if err != nil {
		t.Fatal(err)
	}
	if d := colour.DE76(got[0], colour.Lab{L: 54.29, A: 80.81, B: 69.89}); d > 0.1 {
		t.Errorf("sRGB red is %+v, off by %.2f", got[0], d)
	}
	// sRGB 119 is Y 0.1845, L* 50.03.
	if math.Abs(got[3].L-50.03) > 0.05 {
		t.Errorf("sRGB grey 119 has L* %.2f, want 50.03", got[3].L)
	}
	e := Ends{White: colour.Lab{L: 94, A: 0.5, B: -3}, Black: colour.Lab{L: 22, A: 1, B: -2}}
	if got, err = Screen(rgb, e); err != nil {
		t.Fatal(err)
	}
	if d := colour.DE76(got[1], e.White); d > 1e-6 {
		t.Errorf("white becomes %+v, not the fabric's", got[1])
	}
	// Black: Y from the media-relative black, times the white's Y: the measured L* again.
	if math.Abs(got[2].L-22) > 1e-6 {
		t.Errorf("black has L* %.4f, want 22", got[2].L)
	}
	for _, bad := range []Ends{{}, {White: colour.Lab{L: 94}, Black: colour.Lab{L: 80}}, {White: colour.Lab{L: math.NaN()}}} {
		if _, err := Screen(rgb, bad); err == nil {
			t.Errorf("ends %+v are taken", bad)
		}
	}
	if _, err := Screen([][]float64{{0, 0, 256}}, e); err == nil {
		t.Error("a value of 256 is taken")
	}
	if _, err := Screen([][]float64{{0, 0, 0, 0}}, e); err == nil {
		t.Error("four values are taken")
	}
}
