package madeup

import (
	"math"

	"swathkeeper/measure/colour"
)

// Shapes that the reflectance of white goods is made from.
var (
	ultraviolet = shape(func(nm float64) float64 { return 1 - 0.10*(1-step(nm, 405, 12)) })
	blue        = shape(func(nm float64) float64 { return 1 - step(nm, 490, 22) })
	glow        = shape(func(nm float64) float64 { return bell(nm, 440, 16, 32) })
)

func shape(f func(nm float64) float64) (s spectrum) {
	for b := range s {
		s[b] = f(wavelength(b))
	}
	return s
}

// white returns a reflectance of the wanted L* and b* (a* follows, near 0), by Newton's method
// in the two: the level, and how much the blue end falls.
func white(wantL, wantB float64) (r spectrum) {
	level, fall := 0.86, 0.02
	at := func(level, fall float64) colour.Lab {
		for b := range r {
			r[b] = level * ultraviolet[b] * (1 - fall*blue[b])
		}
		return weights.Lab(r[:])
	}
	for range 8 {
		lab := at(level, fall)
		dl, db := wantL-lab.L, wantB-lab.B
		if math.Abs(dl)+math.Abs(db) < 1e-9 {
			break
		}
		const h = 1e-4
		u, v := at(level+h, fall), at(level, fall+h)
		a, b := (u.L-lab.L)/h, (v.L-lab.L)/h
		c, d := (u.B-lab.B)/h, (v.B-lab.B)/h
		det := a*d - b*c
		level += (d*dl - b*db) / det
		fall += (a*db - c*dl) / det
	}
	at(level, fall)
	return r
}

// scanners' own sensitivities: three broad bells, scaled so that the perfect diffuser is 1.
// Invented; no real scanner's curves.
var scanner = func() (s [3]spectrum) {
	for c, f := range []func(float64) float64{
		func(nm float64) float64 { return bell(nm, 610, 28, 35) },
		func(nm float64) float64 { return bell(nm, 540, 35, 32) },
		func(nm float64) float64 { return bell(nm, 455, 24, 28) },
	} {
		s[c] = shape(f)
		sum := 0.0
		for _, v := range s[c] {
			sum += v
		}
		for b := range s[c] {
			s[c][b] /= sum
		}
	}
	return s
}()

// ScannerRGB is what a scanner would see of a reflectance in the made-up sampling: linear R, G,
// B, the perfect diffuser being 1. Its colours are not those of any standard. A reflectance of
// another length gives NaN.
func ScannerRGB(reflectance []float64) (rgb [3]float64) {
	if len(reflectance) != Bands {
		return [3]float64{math.NaN(), math.NaN(), math.NaN()}
	}
	for c := range rgb {
		for b, v := range scanner[c] {
			rgb[c] += v * reflectance[b]
		}
	}
	return rgb
}
