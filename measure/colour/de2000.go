package colour

import "math"

const (
	pow25to7 = 6103515625.0 // 25^7

	cos30, sin30 = 0.86602540378443864676, 0.5
	cos6, sin6   = 0.99452189536827333692, 0.10452846326765347140
	cos63, sin63 = 0.45399049973954679156, 0.89100652418836786236
	cos275       = 0.08715574274765817356
	sin275       = -0.99619469809174553230
)

// DE2000 returns the CIEDE2000 colour difference with kL = kC = kH = 1 (ISO/CIE 11664-6:2014;
// G. Sharma, W. Wu, E. N. Dalal, Color Research and Application 30(1):21-30, 2005, whose
// supplementary pairs it meets, in both directions, to the digits printed). It is symmetric
// and never negative; a NaN coordinate gives NaN.
//
// The published formula works with hue angles. This one works with the hue vectors instead,
// which is the same in exact arithmetic, needs no circular function (bell stands in for those of
// bluish colours) in place of five, and loses no digits for close colours. Where
// the hues are exactly opposite, and so have no one mean, it follows the paper's rule.
func DE2000(p, q Lab) float64 {
	// a' stretches the a* axis near the grey axis.
	c := (math.Sqrt(p.A*p.A+p.B*p.B) + math.Sqrt(q.A*q.A+q.B*q.B)) / 2
	g := 1.5 - 0.5*math.Sqrt(ratio7(c))
	a1, a2 := g*p.A, g*q.A
	b1, b2 := p.B, q.B
	c1 := math.Sqrt(a1*a1 + b1*b1)
	c2 := math.Sqrt(a2*a2 + b2*b2)
	mc := (c1 + c2) / 2

	// Mean hue as a unit vector (x, y), and the hue difference dH = 2 sqrt(C1 C2) sin(dh/2).
	// With dot = C1 C2 cos(dh) and cross = C1 C2 sin(dh) the half angle follows without dh.
	prod := c1 * c2
	dot := a1*a2 + b1*b2
	cross := float64(a1*b2) - float64(a2*b1) // not fused: 0 for equal colours on any processor
	var x, y, dH float64
	switch {
	case prod < 1e-200:
		x = 1 // one without chroma: no hue difference, and then the mean hue has no effect
	case dot >= 0:
		r := math.Sqrt(2 * (prod + dot)) // 2 sqrt(C1 C2) cos(dh/2)
		dH = 2 * cross / r
		n := 1 / (r * math.Sqrt(prod))
		x, y = (a1*c2+a2*c1)*n, (b1*c2+b2*c1)*n
	default:
		x, y, dH = obtuse(a1, b1, c1, a2, b2, c2, prod, dot, cross)
	}

	// cos(nh) and sin(nh) from x = cos h, y = sin h.
	x2, y2 := x*x-y*y, 2*x*y
	x3, y3 := x2*x-y2*y, y2*x+x2*y
	x4, y4 := x2*x2-y2*y2, 2*x2*y2
	t := 1 - 0.17*(x*cos30+y*sin30) + 0.24*x2 + 0.32*(x3*cos6-y3*sin6) - 0.20*(x4*cos63+y4*sin63)

	ml := (p.L+q.L)/2 - 50
	ml *= ml
	dL := (q.L - p.L) / (1 + 0.015*ml/math.Sqrt(20+ml))
	dC := (c2 - c1) / (1 + 0.045*mc)
	dH /= 1 + 0.015*mc*t

	sum := dL*dL + dC*dC + dH*dH
	// The rotation term is a bell of 25 degrees around hue 275. Beyond 120 degrees from there
	// it is below 1e-10 of its height; and the formula counts the distance from 275 without
	// passing 360, so that there is none at 0..90 either.
	if along := x*cos275 + y*sin275; along > -0.5 && (y < 0 || x < 0) {
		sum -= 2 * math.Sqrt(ratio7(mc)) * bell(along) * dC * dH
	}
	return math.Sqrt(sum)
}

// ratio7 returns c^7 / (c^7 + 25^7).
func ratio7(c float64) float64 {
	c2 := c * c
	c7 := c2 * c2 * c2 * c
	return c7 / (c7 + pow25to7)
}

// obtuse gives the mean hue and the hue difference for hues more than 90 degrees apart, where
// the sum of the two vectors loses digits and their difference does not.
func obtuse(a1, b1, c1, a2, b2, c2, prod, dot, cross float64) (x, y, dH float64) {
	r := math.Sqrt(2 * (prod - dot)) // 2 sqrt(C1 C2) sin(|dh|/2)
	n := 1 / (r * math.Sqrt(prod))
	u, v := (a2*c1-a1*c2)*n, (b2*c1-b1*c2)*n // unit vector along u2 - u1
	// The mean hue lies a quarter turn from it, on the side of the shorter arc. For opposite
	// hues, where rounding decides the sign of cross, the paper averages the two angles of
	// 0..360: a quarter turn on from the smaller.
	on := cross > 0
	if math.Abs(cross) <= 1e-14*prod {
		half := upper(a1, b1)
		on = half
		if half == upper(a2, b2) { // both a hair inside one half: the end of it that comes first
			on = (a1 > 0) == half
		}
	}
	if on {
		return v, -u, r
	}
	return -v, u, -r
}

// upper reports whether the hue angle lies in 0..180 degrees, 180 exclusive.
func upper(a, b float64) bool { return b > 0 || (b == 0 && a > 0) }
