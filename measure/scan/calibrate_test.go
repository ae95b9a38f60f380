package scan

import (
	"math"
	"math/rand/v2"
	"testing"

	"swathkeeper/measure/colour"
)

// A scanner whose three sensitivities mix and whose light is not quite linear, calibrated on
// half of a set of colours and tried on the other half.
func TestCalibrationHoldsForPatchesItHasNotSeen(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	var rgb [][3]float64
	var lab []colour.Lab
	for range 400 {
		truth := [3]float64{0.03 + 0.85*rng.Float64(), 0.03 + 0.85*rng.Float64(), 0.03 + 0.85*rng.Float64()}
		var seen [3]float64
		for i := range 3 {
			v := 0.8*truth[i] + 0.12*truth[(i+1)%3] + 0.08*truth[(i+2)%3]
			seen[i] = math.Pow(v, 1.05) * (1 + 0.003*rng.NormFloat64())
		}
		rgb = append(rgb, seen)
		lab = append(lab, colour.LinearRGB(truth[0], truth[1], truth[2]).Lab(colour.D50))
	}
	c, err := Calibrate(rgb[:200], lab[:200])
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Validate(); err != nil {
		t.Error(err)
	}
	mean, raw := 0.0, 0.0
	for i := 200; i < 400; i++ {
		mean += colour.DE2000(c.Lab(rgb[i]), lab[i]) / 200
		raw += colour.DE2000(colour.LinearRGB(rgb[i][0], rgb[i][1], rgb[i][2]).Lab(colour.D50), lab[i]) / 200
	}
	t.Logf("degree %d: foretold mean %.2f, true %.2f, uncalibrated %.2f", c.Degree, c.Mean, mean, raw)
	if math.Abs(mean-c.Mean) > 0.25*mean {
		t.Errorf("foretold a mean error of %.2f, it is %.2f", c.Mean, mean)
	}
	if mean > raw/3 {
		t.Errorf("mean error %.2f, uncalibrated %.2f", mean, raw)
	}
}

func TestCalibrationRefuses(t *testing.T) {
	same := make([][3]float64, 30)
	labs := make([]colour.Lab, 30)
	for i := range same {
		same[i] = [3]float64{0.5, 0.5, 0.5}
	}
	if _, err := Calibrate(same[:10], labs[:10]); err == nil {
		t.Error("ten patches passed")
	}
	if _, err := Calibrate(same, labs[:29]); err == nil {
		t.Error("unequal numbers passed")
	}
	labs[3].L = math.NaN()
	if _, err := Calibrate(same, labs); err == nil {
		t.Error("NaN passed")
	}
}
