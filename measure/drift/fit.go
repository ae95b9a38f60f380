package drift

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/floats"

	"swathkeeper/measure/selection"
)

// fitter solves for the factors of a reading by generalised least squares with robust weights
// for patches. Everything is whitened: a patch's three residuals have unit covariance when the
// reading is ordinary.
type fitter struct {
	n, q, nc int
	// root is, for each patch, the lower triangular inverse root of its noise covariance:
	// LL, AL, AA, BL, BA, BB. All zero for a patch that the baseline does not know.
	root []float64
	// a holds the whitened signatures, patch by patch, component by component, q values each;
	// curve the whitened curvatures, nc values each.
	a, curve []float64
	// strength[c] is the place of channel c's strength among the factors, -1 when absent.
	strength []int
	normal   []float64 // sum of A'A over all known patches plus ridge, q*q
	chol     []float64 // its factor, q*q; nil when it has none
	bend     []float64 // A' times each channel's curve over all known patches, nc*q
	ridge    []float64
	known    int
	bare     []int // unprinted patches: when they move as one they are no scratches
}

const (
	// A patch's distance from the model has the chi distribution with three degrees of freedom;
	// 3.4 is its 99th percentile and 1.538 its median.
	robustBend   = 3.4
	chiMedian    = 1.5382
	fitRounds    = 8
	fitTolerance = 0.02
)

// work is the scratch of one fit.
type work struct {
	d       []float64 // whitened differences, n*3
	diff    []float64 // the same in Lab, for the caller
	r       []float64 // residuals
	dist    []float64 // n
	sorted  []float64 // n
	weight  []float64 // n; 0 for missing
	de      []float64 // n: CIEDE2000, for the caller
	present []float64 // n; 1 or 0
	m, rhs  []float64 // q*q, q
	full    []float64 // A'd over all present patches, q
	chol    []float64
	theta   []float64
	prev    []float64
	inverse []float64 // of chol, lower triangular, q*q: the covariance of theta is its transpose times itself
	spread  []float64 // variances of theta, q
	sub     []float64 // q*q: of missing patches
	scale   float64   // robust scale of the distances, at least 1
	used    int
	missing int
	have    []bool               // n; for the caller
	apart   []apart              // patches that do not count in full
	near    []int32              // patches whose weight is in question
	bent    [maxChannels]float64 // squares of the strengths whose curvature is taken out
	curved  bool                 // any of them
}

// apart is a patch, and by how much its weight differs from one.
type apart struct {
	patch int
	by    float64
}

func newWork(n, q int) *work {
	w := &work{}
	flat := make([]float64, 3*3*n+5*n+4*q*q+5*q)
	take := func(k int) []float64 {
		s := flat[:k:k]
		flat = flat[k:]
		return s
	}
	w.d, w.diff, w.r = take(3*n), take(3*n), take(3*n)
	w.dist, w.sorted, w.weight, w.present, w.de = take(n), take(n), take(n), take(n), take(n)
	w.m, w.chol, w.inverse, w.sub = take(q*q), take(q*q), take(q*q), take(q*q)
	w.rhs, w.full, w.theta, w.prev, w.spread = take(q), take(q), take(q), take(q), take(q)
	w.near, w.have = make([]int32, 0, n), make([]bool, n)
	return w
}

// newFitter whitens the signatures (factor -> patch*3) by the noise of each patch.
func newFitter(columns, curves [][]float64, strength []int, noise [6]float64, scale []float32, known []bool, ridge []float64) *fitter {
	q, n, nc := len(columns), len(known), len(strength)
	f := &fitter{n: n, q: q, nc: nc, strength: strength, ridge: ridge,
		root: make([]float64, 6*n), a: make([]float64, 3*n*q), curve: make([]float64, 3*n*nc), normal: make([]float64, q*q), bend: make([]float64, nc*q)}
	base := inverseRoot(noise)
	for p := range n {
		if !known[p] || scale[p] <= 0 {
			continue
		}
		f.known++
		k := 1 / math.Sqrt(float64(scale[p]))
		root := f.root[p*6 : p*6+6]
		for i := range root {
			root[i] = base[i] * k
		}
		for j := range q {
			f.whiten(p, columns[j][p*3:p*3+3], f.a[p*3*q+j:], q)
		}
		for c := range nc {
			if strength[c] >= 0 {
				f.whiten(p, curves[c][p*3:p*3+3], f.curve[p*3*nc+c:], nc)
			}
		}
		f.add(f.normal, p, 1)
		f.addBend(p)
	}
	for j := range q {
		f.normal[j*q+j] += ridge[j]
	}
	mirror(f.normal, q)
	if f.chol = make([]float64, q*q); !cholesky(f.normal, f.chol, q) {
		f.chol = nil
	}
	return f
}

// whiten writes the three whitened components of v at out[0], out[stride], out[2 stride].
func (f *fitter) whiten(p int, v []float64, out []float64, stride int) {
	r := f.root[p*6 : p*6+6]
	out[0] = r[0] * v[0]
	out[stride] = r[1]*v[0] + r[2]*v[1]
	out[2*stride] = r[3]*v[0] + r[4]*v[1] + r[5]*v[2]
}

// add accumulates k times patch p's A'A into the lower triangle of m.
func (f *fitter) add(m []float64, p int, k float64) {
	q := f.q
	rows := f.a[p*3*q : (p+1)*3*q]
	x, y, z := rows[:q], rows[q:2*q], rows[2*q:3*q]
	for i := range q {
		xi, yi, zi := k*x[i], k*y[i], k*z[i]
		if xi == 0 && yi == 0 && zi == 0 {
			continue
		}
		row, x, y, z := m[i*q:i*q+i+1], x[:i+1], y[:i+1], z[:i+1]
		for j := range row {
			row[j] += xi*x[j] + yi*y[j] + zi*z[j]
		}
	}
}

// addBend accumulates patch p's A' times its curves.
func (f *fitter) addBend(p int) {
	for c := range f.nc {
		v := f.curve[p*3*f.nc:]
		f.addTo(f.bend[c*f.q:(c+1)*f.q], p, v[c], v[f.nc+c], v[2*f.nc+c])
	}
}

func mirror(m []float64, q int) {
	for i := range q {
		for j := range i {
			m[j*q+i] = m[i*q+j]
		}
	}
}

// inverseRoot returns the lower triangular L^-1 of a covariance (LL, LA, LB, AA, AB, BB) = L L'.
func inverseRoot(v [6]float64) (r [6]float64) {
	l11 := math.Sqrt(v[0])
	l21, l31 := v[1]/l11, v[2]/l11
	l22 := math.Sqrt(v[3] - l21*l21)
	l32 := (v[4] - l31*l21) / l22
	l33 := math.Sqrt(v[5] - l31*l31 - l32*l32)
	r[0] = 1 / l11
	r[2] = 1 / l22
	r[5] = 1 / l33
	r[1] = -l21 * r[0] * r[2]
	r[4] = -l32 * r[2] * r[5]
	r[3] = -(l31*r[0] + l32*r[1]) * r[5]
	return r
}

// load whitens the differences (patch*3, in Lab) into the scratch; present marks the patches
// that count.
func (f *fitter) load(w *work, diff []float64, missing []bool) {
	w.used, w.missing = 0, 0
	for p := range f.n {
		if f.root[p*6] == 0 || missing != nil && missing[p] {
			if f.root[p*6] != 0 {
				w.missing++
			}
			w.present[p] = 0
			w.d[p*3], w.d[p*3+1], w.d[p*3+2] = 0, 0, 0
			continue
		}
		w.present[p] = 1
		w.used++
		f.whiten(p, diff[p*3:p*3+3], w.d[p*3:], 1)
	}
	clear(w.sub)
	if w.missing > 0 {
		for p := range f.n {
			if w.present[p] == 0 && f.root[p*6] != 0 {
				f.add(w.sub, p, 1)
			}
		}
	}
}

// solve fits the factors to what load put in. It reports false when the normal equations are
// singular, which the ridge prevents for finite input.
func (f *fitter) solve(w *work) bool {
	copy(w.weight, w.present)
	clear(w.theta)
	clear(w.bent[:])
	w.curved = false
	f.project(w)
	whole := true
	for round := range fitRounds {
		copy(w.prev, w.theta)
		if !f.step(w) {
			return false
		}
		var moved float64
		for j, t := range w.theta {
			moved = max(moved, math.Abs(t-w.prev[j])*math.Sqrt(f.normal[j*f.q+j]))
		}
		// While the factors hardly move, only patches that lie out are looked at again.
		if whole = round == 0 || moved > 0.5; whole {
			f.residuals(w)
			f.rescale(w)
		} else {
			for _, p := range w.near {
				f.residual(w, int(p))
			}
		}
		if change := f.reweigh(w, round); round >= 1 && change < fitTolerance {
			break
		}
	}
	if !whole {
		f.residuals(w)
		f.rescale(w)
	}
	w.errors(f.q)
	return true
}

// errors takes the variances of theta from the factor of the last equations.
func (w *work) errors(q int) {
	inverseTriangle(w.chol, w.inverse, q)
	clear(w.spread)
	for i := range q {
		for j, v := range w.inverse[i*q : i*q+i+1] {
			w.spread[j] += v * v
		}
	}
}

// variance is that of the sum of the factors times g.
func (w *work) variance(g []float64) (v float64) {
	q := len(g)
	for i := range q {
		x := inner(w.inverse[i*q:i*q+i+1], g)
		v += x * x
	}
	return v
}

// design is A, a row for each component of each patch.
func (f *fitter) design() blas64.General {
	return blas64.General{Rows: 3 * f.n, Cols: f.q, Stride: f.q, Data: f.a}
}

// project computes A'd over all present patches: d is zero at the others.
func (f *fitter) project(w *work) {
	blas64.Gemv(blas.Trans, 1, f.design(), vector(w.d), 0, vector(w.full))
}

func vector(v []float64) blas64.Vector { return blas64.Vector{N: len(v), Inc: 1, Data: v} }

// step solves the weighted normal equations. Nearly all patches have weight one, so the sums over
// all of them are taken once and the few others are taken out.
func (f *fitter) step(w *work) bool {
	q := f.q
	copy(w.rhs, w.full)
	copy(w.m, f.normal)
	w.apart = w.apart[:0]
	if w.missing > 0 {
		for i, v := range w.sub {
			w.m[i] -= v
		}
		for p := range f.n {
			if w.present[p] == 0 && f.root[p*6] != 0 {
				w.apart = append(w.apart, apart{p, -1})
			}
		}
	}
	for p, v := range w.weight {
		k := v - w.present[p]
		if k == 0 {
			continue
		}
		w.apart = append(w.apart, apart{p, k})
		f.add(w.m, p, k)
		f.addTo(w.rhs, p, k*w.d[p*3], k*w.d[p*3+1], k*w.d[p*3+2])
	}
	if len(w.apart) == 0 && f.chol != nil { // every patch counts in full, as in most first rounds
		copy(w.chol, f.chol)
	} else if !cholesky(w.m, w.chol, q) {
		return false
	}
	// The curvature of large strength changes goes by their squares, of which the normal equations
	// hold the sums: a few solutions with one factorisation settle it.
	for range curveRounds {
		copy(w.theta, w.rhs)
		if w.curved {
			f.straighten(w)
		}
		backsolve(w.chol, w.theta, q)
		if !f.uncurve(w) {
			break
		}
	}
	return true
}

// straighten takes the curvature, as it stands, out of A'd in theta.
func (f *fitter) straighten(w *work) {
	for c := range f.nc {
		floats.AddScaled(w.theta, -w.bent[c], f.bend[c*f.q:(c+1)*f.q])
	}
	for _, a := range w.apart {
		var v [3]float64
		curve := f.curve[a.patch*3*f.nc : (a.patch+1)*3*f.nc]
		for i := range v {
			for c, x := range curve[i*f.nc : (i+1)*f.nc] {
				v[i] -= x * w.bent[c]
			}
		}
		f.addTo(w.theta, a.patch, a.by*v[0], a.by*v[1], a.by*v[2])
	}
}

// addTo adds patch p's A' times (dx, dy, dz).
func (f *fitter) addTo(to []float64, p int, dx, dy, dz float64) {
	q := len(to)
	rows := f.a[p*3*q : (p+1)*3*q]
	x, y, z := rows[:q:q], rows[q:2*q:2*q], rows[2*q:3*q:3*q]
	for j := range to {
		to[j] += x[j]*dx + y[j]*dy + z[j]*dz
	}
}

// curveRounds is how often, at most, the curvature is taken out anew.
const curveRounds = 8

// uncurve takes up the curvature of the strengths as they now stand and reports whether that
// changes anything.
func (f *fitter) uncurve(w *work) bool {
	moved := false
	for _, j := range f.strength {
		w.curved = w.curved || j >= 0 && math.Abs(w.theta[j]) > leastCurved
	}
	if !w.curved {
		return false
	}
	for c, j := range f.strength {
		if j >= 0 {
			s := max(-60, min(60, w.theta[j]))
			moved = moved || math.Abs(math.Abs(s)-math.Sqrt(w.bent[c])) > 0.02
			w.bent[c] = s * s
		}
	}
	return moved
}

// leastCurved is the change of a strength, in percent, from which its curvature is worth taking out.
const leastCurved = 2

// bareMove is the median of the unprinted patches' residuals, and whether two or more of them, and
// more than half, lie by it (patches differ in noise, by which residuals are scaled), beyond the bend: the goods have moved then, and the patches that show it
// best must not be thrown out for it.
func (f *fitter) bareMove(w *work, bend float64) (mid [3]float64, asOne bool) {
	n, out := 0, false
	for _, p := range f.bare {
		if w.present[p] != 0 {
			n++
			out = out || w.dist[p] > bend
		}
	}
	if n < 2 || !out {
		return mid, false
	}
	for a := range mid {
		by := w.sorted[:0]
		for _, p := range f.bare {
			if w.present[p] != 0 {
				by = append(by, w.r[p*3+a])
			}
		}
		mid[a] = median(by)
	}
	if length(mid) < bend {
		return mid, false
	}
	k := 0
	for _, p := range f.bare {
		if w.present[p] != 0 && away(w.r[p*3:p*3+3], mid) <= max(bend, length(mid)/2) {
			k++
		}
	}
	return mid, k >= 2 && 2*k > n
}

func length(v [3]float64) float64 { return math.Sqrt(v[0]*v[0] + v[1]*v[1] + v[2]*v[2]) }

func away(r []float64, from [3]float64) float64 {
	x, y, z := r[0]-from[0], r[1]-from[1], r[2]-from[2]
	return math.Sqrt(x*x + y*y + z*z)
}

// residuals takes those of all patches. Where a patch is not there its residual means nothing, and its
// distance is 0.
func (f *fitter) residuals(w *work) {
	copy(w.r, w.d)
	blas64.Gemv(blas.NoTrans, -1, f.design(), vector(w.theta), 1, vector(w.r))
	for p := range f.n {
		if w.present[p] == 0 {
			w.dist[p] = 0
			continue
		}
		f.bendAndMeasure(w, p)
	}
}

// bendAndMeasure takes the curvature out of patch p's residual and measures how far it is off.
func (f *fitter) bendAndMeasure(w *work, p int) {
	r := w.r[p*3 : p*3+3 : p*3+3]
	if nc := f.nc; w.curved {
		curve := f.curve[p*3*nc : (p+1)*3*nc]
		x, y, z := curve[:nc:nc], curve[nc:2*nc:2*nc], curve[2*nc:3*nc:3*nc]
		for c := range x {
			k := w.bent[c]
			r[0] -= x[c] * k
			r[1] -= y[c] * k
			r[2] -= z[c] * k
		}
	}
	w.dist[p] = math.Sqrt(r[0]*r[0] + r[1]*r[1] + r[2]*r[2])
}

func (f *fitter) residual(w *work, p int) {
	q := f.q
	rows := f.a[p*3*q : (p+1)*3*q]
	theta := w.theta[:q:q]
	x, y, z := rows[:q:q], rows[q:2*q:2*q], rows[2*q:3*q:3*q]
	rx, ry, rz := w.d[p*3], w.d[p*3+1], w.d[p*3+2]
	var sx, sy, sz float64 // a second sum each, so that no addition waits for the one before
	j := 0
	for ; j+1 < len(theta); j += 2 {
		t, u := theta[j], theta[j+1]
		rx -= x[j] * t
		ry -= y[j] * t
		rz -= z[j] * t
		sx -= x[j+1] * u
		sy -= y[j+1] * u
		sz -= z[j+1] * u
	}
	if j < len(theta) {
		t := theta[j]
		rx -= x[j] * t
		ry -= y[j] * t
		rz -= z[j] * t
	}
	w.r[p*3], w.r[p*3+1], w.r[p*3+2] = rx+sx, ry+sy, rz+sz
	f.bendAndMeasure(w, p)
}

// rescale takes the robust scale of the distances, and lists the patches whose weight is in
// question: small steps of the factors bring no other patch to where weights bend.
func (f *fitter) rescale(w *work) {
	k := 0
	for p := range f.n {
		if w.present[p] != 0 {
			w.sorted[k] = w.dist[p]
			k++
		}
	}
	w.scale = max(1, selection.Smallest(w.sorted[:k], k/2)/chiMedian)
	w.near = w.near[:0]
	for p := range f.n {
		if w.present[p] != 0 && (w.dist[p] > 0.7*robustBend*w.scale || w.weight[p] < 1) {
			w.near = append(w.near, int32(p))
		}
	}
}

// reweigh sets the weights from the residuals and returns the largest change. The first two
// rounds use Huber's weights, which cannot go astray; later ones fall off with the square, so
// that a scratch loses its pull (a redescending M-estimator; Huber and Ronchetti, Robust
// Statistics, 2009). The bend widens with the median distance: when the whole chart does not
// fit, no patch is to blame.
func (f *fitter) reweigh(w *work, round int) float64 {
	bend := robustBend * w.scale
	white, asOne := f.bareMove(w, bend)
	var change float64
	for _, p := range w.near {
		v := 1.0
		if d := w.dist[p]; d > bend && !(asOne && slices.Contains(f.bare, int(p)) && away(w.r[p*3:p*3+3], white) <= max(bend, length(white)/2)) {
			v = bend / d
			if round >= 2 {
				v *= v
			}
			if d > 3*bend && round >= 2 {
				v = 0
			}
		}
		change = max(change, math.Abs(v-w.weight[p]))
		w.weight[p] = v
	}
	if round < 2 && change >= fitTolerance {
		return 1 // the redescending rounds are still to come
	}
	return change
}
