package drift

import (
	"math"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/floats"
)

// patternLaws makes the laws of patterns, all on one background.
type patternLaws struct {
	m               *Model
	fit, background []float64
	roots           map[float64][]float64 // inverse roots of background + wrong fit, by wrong
}

// model makes the law of a pattern at each size, wrong being how much of the fit's own covariance
// imperfect signatures add: they leave a misfit in proportion to the whole change, which the fit spreads
// over whatever factors it can least tell apart.
//
// With B the background, P the pattern's covariance for size 1 and B = L L', the covariance at size s is
// L (I + s^2 M) L' with M = inv(L) P inv(L)'. M is brought to tridiagonal form T = Q' M Q once, and Q'
// inv(L) is the basis in which a law of any size takes a few operations for each factor.
func (l *patternLaws) model(spec patternSpec, sizes []float64, wrong float64) patternModel {
	m, q := l.m, l.m.q
	out := patternModel{name: spec.name, index: spec.channel}
	if spec.channel >= 0 {
		out.channel = m.b.Chart.Channels[spec.channel]
	}
	root := l.root(wrong)
	if root == nil {
		return out
	}
	covariance, v := make([]float64, q*q), make([]float64, q)
	one := make([]float64, q)
	for j, sd := range spec.sd {
		if sd != 0 {
			one[j] = sd
			m.raw(one, v)
			addOuter(covariance, v, q)
			one[j] = 0
		}
	}
	for _, way := range spec.ways {
		m.raw(way, v)
		addOuter(covariance, v, q)
	}
	if spec.fitted != nil {
		addOuter(covariance, spec.fitted, q)
	}
	out.basis = append([]float64(nil), root...)
	diagonal, off := tridiagonal(congruent(root, covariance, q), out.basis, q)
	if spec.mean != nil {
		m.raw(spec.mean, v)
		out.mean = make([]float64, q)
		multiply(out.basis, v, out.mean)
	}
	var ln float64
	for i := range q {
		ln += math.Log(root[i*q+i])
	}
	for _, size := range sizes {
		if s, ok := newSized(diagonal, off, size); ok {
			s.ln += ln
			out.sizes = append(out.sizes, s)
		}
	}
	return out
}

// newSized factors I + size^2 T.
func newSized(diagonal, off []float64, size float64) (s sizedPattern, ok bool) {
	q, k := len(diagonal), size*size
	s = sizedPattern{size: size, below: make([]float64, q), inverse: make([]float64, q)}
	for i, t := range diagonal {
		d := 1 + k*t
		if i > 0 {
			s.below[i] = k * off[i-1] * s.inverse[i-1]
			d -= s.below[i] * k * off[i-1]
		}
		if !(d > 0) {
			return s, false
		}
		s.inverse[i] = 1 / d
		s.ln -= math.Log(d) / 2
	}
	return s, true
}

// root is the lower triangular inverse root of the background with so much of the fit; nil when it has none.
func (l *patternLaws) root(wrong float64) []float64 {
	if r, ok := l.roots[wrong]; ok {
		return r
	}
	q := l.m.q
	cov, chol, root := make([]float64, q*q), make([]float64, q*q), make([]float64, q*q)
	floats.AddScaledTo(cov, l.background, wrong, l.fit)
	if cholesky(cov, chol, q) {
		inverseTriangle(chol, root, q)
	} else {
		root = nil
	}
	l.roots[wrong] = root
	return root
}

// negligible is the difference of logarithms from which a term adds nothing to a sum.
const negligible = 37

// logLikelihood is the log of the mean over sizes of the normal density at theta. y, as long, is for its use.
func (p *patternModel) logLikelihood(theta, y []float64) float64 {
	multiply(p.basis, theta, y)
	best := math.Inf(-1)
	var logs [8]float64
	for i := range p.sizes {
		logs[i] = p.sizes[i].at(y, p.mean)
		best = max(best, logs[i])
	}
	var sum float64
	for _, v := range logs[:len(p.sizes)] {
		if v > best-negligible {
			sum += math.Exp(v - best)
		}
	}
	return best + math.Log(sum/float64(len(p.sizes)))
}

// at is the log density, without what all densities have in common, of y in the basis.
func (s *sizedPattern) at(y, mean []float64) float64 {
	var ss, x float64
	below, inverse := s.below[:len(y)], s.inverse[:len(y)]
	if mean == nil {
		for i, v := range y {
			x = v - below[i]*x
			ss += x * x * inverse[i]
		}
		return s.ln - ss/2
	}
	mean = mean[:len(y)]
	for i, v := range y {
		x = v - s.size*mean[i] - below[i]*x
		ss += x * x * inverse[i]
	}
	return s.ln - ss/2
}

// multiply writes the square matrix m times x to y.
func multiply(m, x, y []float64) {
	q := len(x)
	blas64.Gemv(blas.NoTrans, 1, blas64.General{Rows: q, Cols: q, Stride: q, Data: m}, vector(x), 0, vector(y))
}
