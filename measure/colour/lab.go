package colour

import "math"

// XYZ holds CIE tristimulus values, 2 degree observer, scaled so that the perfect reflecting
// diffuser has Y = 100.
type XYZ struct{ X, Y, Z float64 }

// Lab holds CIE 1976 L*a*b* coordinates on the CIE scale: L 0..100, A and B about -130..130.
type Lab struct{ L, A, B float64 }

// LCh holds lightness, chroma C*ab and the hue angle h_ab in degrees, 0 <= H < 360.
type LCh struct{ L, C, H float64 }

// White points, 2 degree observer. Three D50 whites are in circulation, differing in Z only:
// 82.521 (ISO 13655 and ASTM E308, from the weighting factors measuring instruments use), 82.51
// (CIE 15, from 1 nm sums) and 82.49 (the profile connection space of ISO 15076-1, a rounding).
// Readings come from instruments, so the first is the one used here.
var (
	// D50 is the white of ISO 13655 and ASTM E308 Table 5: 96.422, 100, 82.521.
	D50 = XYZ{96.422, 100, 82.521}
	// D65 is the white of ASTM E308: 95.047, 100, 108.883.
	D65 = XYZ{95.047, 100, 108.883}

	whiteA = XYZ{109.850, 100, 35.585} // ASTM E308
)

// The exact constants of ISO/CIE 11664-4 (CIE 15:2004 and later), not their older roundings
// 0.008856 and 903.3, which leave a step where the two branches meet.
const (
	epsilon = 216.0 / 24389 // (6/29)^3: the cube root holds above it
	slope   = 841.0 / 108   // (29/6)^2/3: of the straight part below it
	offset  = 4.0 / 29
)

func labF(t float64) float64 {
	if t > epsilon {
		return math.Cbrt(t)
	}
	return slope*t + offset
}

func labInverse(f float64) float64 {
	if f > 6.0/29 {
		return f * f * f
	}
	return (f - offset) / slope
}

// Lab converts to CIE 1976 L*a*b* relative to white (ISO/CIE 11664-4:2019). The straight part
// of the formula continues below zero, so small negative tristimulus values keep their sign.
func (c XYZ) Lab(white XYZ) Lab {
	x, y, z := labF(c.X/white.X), labF(c.Y/white.Y), labF(c.Z/white.Z)
	return Lab{L: 116*y - 16, A: 500 * (x - y), B: 200 * (y - z)}
}

// XYZ is the inverse of XYZ.Lab.
func (c Lab) XYZ(white XYZ) XYZ {
	y := (c.L + 16) / 116
	return XYZ{
		X: white.X * labInverse(y+c.A/500),
		Y: white.Y * labInverse(y),
		Z: white.Z * labInverse(y-c.B/200),
	}
}

// Chroma returns C*ab.
func (c Lab) Chroma() float64 { return math.Sqrt(c.A*c.A + c.B*c.B) }

// Hue returns the hue angle h_ab in degrees, 0 <= h < 360; 0 for a colour without chroma.
func (c Lab) Hue() float64 {
	h := math.Atan2(c.B, c.A) * (180 / math.Pi)
	if h < 0 {
		h += 360
	}
	if h >= 360 { // -1e-17 + 360 rounds to 360
		h = 0
	}
	return h
}

// LCh returns the cylindrical coordinates.
func (c Lab) LCh() LCh { return LCh{L: c.L, C: c.Chroma(), H: c.Hue()} }

// Lab is the inverse of Lab.LCh.
func (c LCh) Lab() Lab {
	s, k := math.Sincos(c.H * (math.Pi / 180))
	return Lab{L: c.L, A: c.C * k, B: c.C * s}
}

// IsFinite reports whether no coordinate is NaN or infinite.
func (c Lab) IsFinite() bool { return finite(c.L, c.A, c.B) }

// IsFinite reports whether no coordinate is NaN or infinite.
func (c XYZ) IsFinite() bool { return finite(c.X, c.Y, c.Z) }

func finite(a, b, c float64) bool {
	s := a - a + (b - b) + (c - c)
	return s == 0
}
