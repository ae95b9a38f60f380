package colour

import "math"

// DE76 returns the CIE 1976 colour difference, the distance in L*a*b* (ISO/CIE 11664-4).
func DE76(a, b Lab) float64 {
	l, x, y := a.L-b.L, a.A-b.A, a.B-b.B
	return math.Sqrt(l*l + x*x + y*y)
}
