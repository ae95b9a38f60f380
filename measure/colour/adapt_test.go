package colour

import (
	"math"
	"testing"
)

type catReference struct {
	CSS struct {
		White   map[string][2]float64 `json:"white_from_xy"`
		Forward Matrix                `json:"D65_to_D50"`
		Back    Matrix                `json:"D50_to_D65"`
	} `json:"bradford_css"`
	E308 struct {
		Forward Matrix `json:"D65_to_D50"`
	} `json:"bradford_9650x"`
	ICC struct {
		Forward Matrix `json:"D65_to_D50"`
	} `json:"icc_srgb_v4_chad"`
}

func fromXY(xy [2]float64) XYZ {
	return XYZ{100 * xy[0] / xy[1], 100, 100 * (1 - xy[0] - xy[1]) / xy[1]}
}

// Reference: cat-d65-d50.json (W3C CSS Color 4, Lindbloom, the ICC sRGB v4 tag).
func TestBradford(t *testing.T) {
	var ref catReference
	readJSON(t, "cat-d65-d50.json", &ref)
	d65, d50 := fromXY(ref.CSS.White["D65"]), fromXY(ref.CSS.White["D50"])
	nearMatrix(t, "CSS D65 to D50", Bradford(d65, d50), ref.CSS.Forward, 1e-12)
	nearMatrix(t, "CSS D50 to D65", Bradford(d50, d65), ref.CSS.Back, 1e-12)
	nearMatrix(t, "E308 whites", Bradford(D65, D50), ref.E308.Forward, 6e-8)
	nearMatrix(t, "ICC", Bradford(d65, XYZ{96.42, 100, 82.49}), ref.ICC.Forward, 8e-6)
	if ref.ICC.Forward == (Matrix{}) || ref.E308.Forward == (Matrix{}) {
		t.Error("reference not read")
	}
}

func nearMatrix(t *testing.T, what string, got, want Matrix, tolerance float64) {
	t.Helper()
	for i := range 3 {
		for j := range 3 {
			near(t, what, got[i][j], want[i][j], tolerance)
		}
	}
}

func TestSRGB(t *testing.T) {
	nearXYZ(t, "white", SRGB(1, 1, 1), D50, 1e-9)
	nearXYZ(t, "black", SRGB(0, 0, 0), XYZ{}, 0)
	// Grey is neutral; IEC 61966-2-1: 0.5 encodes 0.21404 (from memory).
	grey := SRGB(0.5, 0.5, 0.5)
	near(t, "grey Y", grey.Y, 21.404, 1e-3)
	if c := grey.Lab(D50).Chroma(); c > 1e-9 {
		t.Errorf("chroma of grey is %g", c)
	}
	// CSS Color 4, sample values of lab(): red is 54.29, 80.80, 69.89 (D50 white by xy there,
	// hence the tolerance).
	nearLab(t, "red", SRGB(1, 0, 0).Lab(D50), Lab{54.29, 80.80, 69.89}, 0.02)
	if l := LinearRGB(math.NaN(), 0, 0); l.IsFinite() {
		t.Error("NaN is lost")
	}
}
