package banding

import "math"

// contrastSensitivity is the modulation sensitivity of the standard observer, 1 / (just visible modulation), at
// u cycles per degree on a field of the given luminance (cd/m2) and angular size (degrees square).
//
//	S(u) = 5200 exp(-0.0016 u^2 (1 + 100/L)^0.08)
//	       / sqrt( (1 + 144/X^2 + 0.64 u^2) (63/L^0.83 + 1/(1 - exp(-0.02 u^2))) )
//
// P. G. J. Barten, Formula for the contrast sensitivity of the human eye, Proc. SPIE 5294 (2004).
// It holds for a clean field and a practised observer with time to look.
func contrastSensitivity(u, luminance, degrees float64) float64 {
	if !(u > 0) {
		return 0
	}
	top := 5200 * math.Exp(-0.0016*u*u*math.Pow(1+100/luminance, 0.08))
	size := 1 + 144/(degrees*degrees) + 0.64*u*u
	noise := 63/math.Pow(luminance, 0.83) + 1/-math.Expm1(-0.02*u*u)
	return top / math.Sqrt(size*noise)
}

// fieldDegrees is the size of the field that a person looks at for lines; beyond it the threshold
// hardly changes.
const fieldDegrees = 10

// visibility is the contrast of a line over its threshold: 1 is just visible to the standard observer
// under laboratory conditions, and about 3 to 6 is where people complain in practice (common
// practice, no source).
//
// The line is a Gaussian of lightness peak dL (CIE L*) and standard deviation sigmaMM, every periodMM, or
// once when periodMM is 0. It is taken apart into its harmonics; each one's luminance modulation
// (dY / Y = 3 dL / (L + 16)) is divided by its threshold, and the parts are added in squares.
// The paper's "worst harmonic alone" would find less than people do: thresholds of real bands lie
// below those of their sine waves.
func visibility(dL, level, sigmaMM, periodMM, viewingMM, luminance float64) float64 {
	perDegree := viewingMM * math.Tan(math.Pi/180)
	period := periodMM
	if period <= 0 {
		period = fieldDegrees * perDegree
	}
	area := math.Abs(dL) * 3 / (math.Max(level, 1) + 16) * sigmaMM * math.Sqrt(2*math.Pi)
	field := luminance * math.Max(0.01, math.Pow((level+16)/116, 3))
	sum := 0.0
	for k := 1; k <= 2000; k++ {
		f := float64(k) / period // cycles per mm
		u := f * perDegree
		if u > 60 {
			break
		}
		x := 2 * math.Pi * sigmaMM * f
		m := 2 * area / period * math.Exp(-x*x/2)
		if x > 6 {
			break
		}
		t := m * contrastSensitivity(u, field, fieldDegrees)
		sum += t * t
	}
	return math.Sqrt(sum)
}
