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
