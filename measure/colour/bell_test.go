package colour

import (
	"math"
	"testing"
)

// TestBell: the pieces give the bell of the published formula, with its angles, over all of their
// reach and where they meet.
func TestBell(t *testing.T) {
	worst := 0.0
	for k := range 120001 {
		angle := float64(k) / 1000 // degrees from 275
		want := math.Sin(60 * math.Pi / 180 * math.Exp(-(angle/25)*(angle/25)))
		cosine := math.Cos(angle * math.Pi / 180)
		for _, x := range []float64{cosine, math.Nextafter(cosine, 2), math.Nextafter(cosine, -2)} {
			worst = max(worst, math.Abs(bell(x)-want))
		}
	}
	if !(worst < 1e-13) {
		t.Errorf("off by up to %g", worst)
	}
	if got := bell(math.Nextafter(1, 2)); math.Abs(got-math.Sin(math.Pi/3)) > 1e-13 {
		t.Errorf("at the top %g", got)
	}
}
