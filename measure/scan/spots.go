package scan

import (
	"math"
	"slices"
)

// spot is a dark roundish thing in the overview, which may be a mark.
type spot struct {
	x, y     float64 // centre, in full-resolution pixels (pixel centres at .5)
	diameter float64 // in full-resolution pixels
}

// spots finds dark areas that are about as wide as high, filled like a disc, and have white
// around them. Where dpi is known their size must be about that of a mark.
func (o *overview) spots(dpi float64) []spot {
	lo, hi := 5.0, float64(min(o.w, o.h))/8
	if dpi > 0 {
		d := 3.0 / 25.4 * dpi / float64(o.factor)
		lo, hi = 0.6*d, 1.5*d
	}
	var out []spot
	for _, b := range o.blobs() {
		w, h := b.sides()
		if w < lo || h < lo || w > hi || h > hi || w > 1.4*h || h > 1.4*w {
			continue
		}
		// A disc fills pi/4 of its box; a square all of it, a ring or letter less.
		if fill := b.fill(); fill < 0.6 || fill > 0.92 {
			continue
		}
		c := b.centre()
		if !o.whiteAround(c.x, c.y, max(w, h)/2, o.limit()) {
			continue
		}
		f := float64(o.factor)
		out = append(out, spot{(c.x + 0.5) * f, (c.y + 0.5) * f, 2 * math.Sqrt(float64(b.n)/math.Pi) * f})
	}
	if dpi == 0 {
		out = commonSize(out)
	}
	return out
}

// whiteAround reports whether nearly all of a ring around a disc is lighter than limit.
func (o *overview) whiteAround(cx, cy, r float64, limit byte) bool {
	dark := 0
	for i := range 24 {
		a := float64(i) * math.Pi / 12
		if o.at(int(math.Round(cx+1.5*r*math.Cos(a))), int(math.Round(cy+1.5*r*math.Sin(a)))) <= limit {
			dark++
		}
	}
	return dark <= 2
}

// commonSize keeps the spots of the size that most have, within a tenth.
func commonSize(s []spot) []spot {
	best, most := 0.0, 0
	for _, a := range s {
		n := 0
		for _, b := range s {
			if math.Abs(a.diameter-b.diameter) < 0.1*a.diameter {
				n++
			}
		}
		if n > most {
			best, most = a.diameter, n
		}
	}
	return slices.DeleteFunc(s, func(a spot) bool { return math.Abs(a.diameter-best) > 0.15*best })
}
