package scan

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// warp takes sheet places (mm) to picture places (pixels): an affine map, which undoes turn,
// shear and even stretch, plus a thin-plate spline (Duchon 1977; Bookstein 1989) through what
// the marks are off from it, since fabric stretches unevenly. Between marks it bends as little
// as can be.
type warp struct {
	t      affine
	knots  []point // mm
	wx, wy []float64
	alone  []float64 // for each knot, the error in mm of a warp that does not know it
	// off is the root mean square of the marks' distance from the affine map, and fit the
	// median error at a mark of a warp that does not know it, both in mm.
	off, fit float64
}

// warpUnit scales mm, so that the spline's numbers are near 1.
const warpUnit = 50.0

// warpSmooth lets the spline miss a mark a little: a mark's place is uncertain by about a
// hundredth of a millimetre, which is not to be bent for.
const warpSmooth = 1e-3

func bend(a, b point) float64 {
	x, y := (a.x-b.x)/warpUnit, (a.y-b.y)/warpUnit
	r2 := x*x + y*y
	if r2 < 1e-12 {
		return 0
	}
	return r2 * math.Log(r2)
}

// newWarp fits the warp. ok is false when the marks lie on a line.
func newWarp(ms []match) (w *warp, ok bool) {
	mm, px := make([]point, len(ms)), make([]point, len(ms))
	for i, m := range ms {
		mm[i], px[i] = m.mark, m.place
	}
	t, ok := fitAffine(mm, px)
	if !ok {
		return nil, false
	}
	w = &warp{t: t, knots: mm}
	n := len(ms)
	a, b := mat.NewDense(n+3, n+3, nil), mat.NewDense(n+3, 2, nil)
	sum := 0.0
	for i, p := range mm {
		for j, q := range mm {
			a.Set(i, j, bend(p, q))
		}
		a.Set(i, i, warpSmooth)
		for k, v := range [3]float64{1, p.x / warpUnit, p.y / warpUnit} {
			a.Set(i, n+k, v)
			a.Set(n+k, i, v)
		}
		q := t.apply(p)
		b.Set(i, 0, px[i].x-q.x)
		b.Set(i, 1, px[i].y-q.y)
		sum += (px[i].x-q.x)*(px[i].x-q.x) + (px[i].y-q.y)*(px[i].y-q.y)
	}
	w.off = math.Sqrt(sum/float64(n)) / t.scale()
	var inverse, x mat.Dense
	if err := inverse.Inverse(a); err != nil {
		return nil, false
	}
	x.Mul(&inverse, b)
	w.wx, w.wy = make([]float64, n+3), make([]float64, n+3)
	for i := range n + 3 {
		w.wx[i], w.wy[i] = x.At(i, 0), x.At(i, 1)
	}
	// What leaving out one knot would do follows from the same inverse (Rippa 1999).
	for i := range n {
		w.alone = append(w.alone, math.Hypot(w.wx[i], w.wy[i])/math.Abs(inverse.At(i, i))/t.scale())
	}
	w.fit = slices.Sorted(slices.Values(w.alone))[n/2]
	return w, true
}

func (w *warp) apply(p point) point {
	q := w.t.apply(p)
	for i, k := range w.knots {
		u := bend(p, k)
		q.x += u * w.wx[i]
		q.y += u * w.wy[i]
	}
	n := len(w.knots)
	for i, v := range [3]float64{1, p.x / warpUnit, p.y / warpUnit} {
		q.x += v * w.wx[n+i]
		q.y += v * w.wy[n+i]
	}
	return q
}

// around gives the affine map that is right near a place: it takes the distance from c, in mm,
// to pixels. It is the warp's value and slope there.
func (w *warp) around(c point) affine {
	t := w.t
	q := t.apply(c)
	t.c, t.f = q.x, q.y
	for i, k := range w.knots {
		x, y := (c.x-k.x)/warpUnit, (c.y-k.y)/warpUnit
		r2 := x*x + y*y
		if r2 < 1e-12 {
			continue
		}
		l := math.Log(r2)
		u, s := r2*l, 2*(l+1)/warpUnit
		t.c, t.a, t.b = t.c+u*w.wx[i], t.a+s*x*w.wx[i], t.b+s*y*w.wx[i]
		t.f, t.d, t.e = t.f+u*w.wy[i], t.d+s*x*w.wy[i], t.e+s*y*w.wy[i]
	}
	n := len(w.knots)
	t.c += w.wx[n] + (c.x*w.wx[n+1]+c.y*w.wx[n+2])/warpUnit
	t.f += w.wy[n] + (c.x*w.wy[n+1]+c.y*w.wy[n+2])/warpUnit
	t.a, t.b = t.a+w.wx[n+1]/warpUnit, t.b+w.wx[n+2]/warpUnit
	t.d, t.e = t.d+w.wy[n+1]/warpUnit, t.e+w.wy[n+2]/warpUnit
	return t
}

// sift fits the warp and drops marks that the others contradict, one after another: dirt on a
// mark moves it.
func sift(ms []match) (w *warp, ok bool) {
	ms = slices.Clone(ms)
	for {
		if w, ok = newWarp(ms); !ok {
			return nil, false
		}
		worst := 0
		for i, e := range w.alone {
			if e > w.alone[worst] {
				worst = i
			}
		}
		if w.alone[worst] <= max(0.3, 8*w.fit) || len(ms) <= 6 {
			return w, true
		}
		ms = slices.Delete(ms, worst, worst+1)
	}
}
