package scan

import "math"

// affine takes sheet places (mm) to picture places (pixels):
// x' = a x + b y + c, y' = d x + e y + f.
type affine struct{ a, b, c, d, e, f float64 }

func (t affine) apply(p point) point {
	return point{t.a*p.x + t.b*p.y + t.c, t.d*p.x + t.e*p.y + t.f}
}

func (t affine) det() float64 { return t.a*t.e - t.b*t.d }

// scale is the mean number of pixels in a millimetre.
func (t affine) scale() float64 { return math.Sqrt(math.Abs(t.det())) }

// axes gives the pixels per mm along x and along y, and the angle between the axes less a right
// angle, in degrees.
func (t affine) axes() (x, y, shear float64) {
	x, y = math.Hypot(t.a, t.d), math.Hypot(t.b, t.e)
	return x, y, math.Asin(max(-1, min(1, (t.a*t.b+t.d*t.e)/(x*y)))) * 180 / math.Pi
}

// fitAffine is the least-squares affine map from to; ok is false when the places lie on a line.
func fitAffine(from, to []point) (t affine, ok bool) {
	n := float64(len(from))
	if n < 3 {
		return t, false
	}
	var mx, my, ux, uy float64
	for i, p := range from {
		mx, my, ux, uy = mx+p.x/n, my+p.y/n, ux+to[i].x/n, uy+to[i].y/n
	}
	var xx, xy, yy, xu, yu, xv, yv float64
	for i, p := range from {
		x, y, u, v := p.x-mx, p.y-my, to[i].x-ux, to[i].y-uy
		xx, xy, yy = xx+x*x, xy+x*y, yy+y*y
		xu, yu, xv, yv = xu+x*u, yu+y*u, xv+x*v, yv+y*v
	}
	det := xx*yy - xy*xy
	if det <= 1e-6*(xx+yy)*(xx+yy) {
		return t, false
	}
	t.a, t.b = (xu*yy-yu*xy)/det, (yu*xx-xu*xy)/det
	t.d, t.e = (xv*yy-yv*xy)/det, (yv*xx-xv*xy)/det
	t.c, t.f = ux-t.a*mx-t.b*my, uy-t.d*mx-t.e*my
	return t, true
}

// similarity is the turn, scale and shift (after a mirroring, if asked) that takes p, q to u, v.
func similarity(p, q, u, v point, mirrored bool) affine {
	m := 1.0
	if mirrored {
		m = -1
	}
	x, y := (q.x-p.x)*m, q.y-p.y
	du, dv := v.x-u.x, v.y-u.y
	n := x*x + y*y
	// The complex quotient (du + i dv) / (x + i y).
	re, im := (du*x+dv*y)/n, (dv*x-du*y)/n
	t := affine{a: re * m, b: -im, d: im * m, e: re}
	t.c, t.f = u.x-t.a*p.x-t.b*p.y, u.y-t.d*p.x-t.e*p.y
	return t
}

// turn splits an angle into quarter turns clockwise, 0 to 3, and the rest in degrees.
func turn(degrees float64) (quarters int, rest float64) {
	q := math.Round(degrees / 90)
	return ((int(q) % 4) + 4) % 4, degrees - 90*q
}

// angle is the turn of the sheet in the picture, in degrees clockwise as seen, after a
// mirroring about the feed axis was undone.
func (t affine) angle() float64 { return math.Atan2(-t.b, t.e) * 180 / math.Pi }
