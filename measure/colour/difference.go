package colour

import "math"

// DE76 returns the CIE 1976 colour difference, the distance in L*a*b* (ISO/CIE 11664-4).
func DE76(a, b Lab) float64 {
	l, x, y := a.L-b.L, a.A-b.A, a.B-b.B
	return math.Sqrt(l*l + x*x + y*y)
}

// DE94 returns the CIE 1994 colour difference (CIE 116-1995) with its reference conditions
// (kL = 1, K1 = 0.045, K2 = 0.015), used for graphic arts. It is not symmetric: the weights
// come from the reference's chroma.
func DE94(reference, sample Lab) float64 { return de94(reference, sample, 1, 0.045, 0.015) }

// DE94Textile returns the CIE 1994 colour difference with the weights customary for textiles
// (kL = 2, K1 = 0.048, K2 = 0.014).
func DE94Textile(reference, sample Lab) float64 { return de94(reference, sample, 2, 0.048, 0.014) }

func de94(r, s Lab, kl, k1, k2 float64) float64 {
	c := r.Chroma()
	dL, dC, dH2 := parts(r, s)
	dL /= kl
	dC /= 1 + k1*c
	sh := 1 + k2*c
	return math.Sqrt(dL*dL + dC*dC + dH2/(sh*sh))
}

// CMC returns the CMC(l:c) colour difference of ISO 105-J03 and BS 6923. Textile acceptance
// uses l = 2, c = 1; perceptibility l = c = 1. The reference's ellipsoid counts, so it is not
// symmetric.
func CMC(reference, sample Lab, l, c float64) float64 {
	ch, h := reference.Chroma(), reference.Hue()
	sl := 0.511
	if reference.L >= 16 {
		sl = 0.040975 * reference.L / (1 + 0.01765*reference.L)
	}
	sc := 0.0638*ch/(1+0.0131*ch) + 0.638
	t := 0.36 + math.Abs(0.4*math.Cos((h+35)*(math.Pi/180)))
	if h >= 164 && h <= 345 {
		t = 0.56 + math.Abs(0.2*math.Cos((h+168)*(math.Pi/180)))
	}
	c4 := ch * ch * ch * ch
	f := math.Sqrt(c4 / (c4 + 1900))
	sh := sc * (f*t + 1 - f)
	dL, dC, dH2 := parts(reference, sample)
	dL /= l * sl
	dC /= c * sc
	return math.Sqrt(dL*dL + dC*dC + dH2/(sh*sh))
}

// parts splits a difference into lightness, chroma and the square of the hue difference.
func parts(r, s Lab) (dL, dC, dH2 float64) {
	dL = s.L - r.L
	dC = s.Chroma() - r.Chroma()
	da, db := s.A-r.A, s.B-r.B
	return dL, dC, math.Max(0, da*da+db*db-dC*dC)
}

// Grey returns the CIEDE2000 difference of two near-neutral colours in a* and b* alone: the
// lightness of both is taken as their mean.
func Grey(a, b Lab) float64 {
	l := (a.L + b.L) / 2
	return DE2000(Lab{l, a.A, a.B}, Lab{l, b.A, b.B})
}
