package drift

import (
	"math"

	"gonum.org/v1/gonum/floats"
)

// cholesky factors the symmetric q*q matrix m (lower triangle) into l, and reports whether m is
// positive definite.
func cholesky(m, l []float64, q int) bool {
	for i := range q {
		li := l[i*q : i*q+i+1]
		for j := range i + 1 {
			lj := l[j*q : j*q+j+1]
			s := m[i*q+j] - inner(li[:j], lj)
			if i == j {
				if !(s > 0) {
					return false
				}
				li[j] = math.Sqrt(s)
			} else {
				li[j] = s / lj[j]
			}
		}
	}
	return true
}

// backsolve solves L L' x = b in place.
func backsolve(l, b []float64, q int) {
	for i := range q {
		s := b[i]
		for k := range i {
			s -= l[i*q+k] * b[k]
		}
		b[i] = s / l[i*q+i]
	}
	for i := q - 1; i >= 0; i-- {
		s := b[i]
		for k := i + 1; k < q; k++ {
			s -= l[k*q+i] * b[k]
		}
		b[i] = s / l[i*q+i]
	}
}

// invert writes the inverse of L L' to out.
func invert(l, out []float64, q int) {
	scratch := make([]float64, q*q)
	inverseTriangle(l, scratch, q)
	clear(out)
	// (L L')^-1 = L^-T L^-1: row k of L^-1 adds its outer product.
	for k := range q {
		row := scratch[k*q : k*q+k+1]
		for i, v := range row {
			if v == 0 {
				continue
			}
			o := out[i*q : i*q+i+1]
			for j := range o {
				o[j] += v * row[j]
			}
		}
	}
	mirror(out, q)
}

// inverseTriangle inverts the lower triangular l into out, whose upper triangle must be zero.
func inverseTriangle(l, out []float64, q int) {
	for i := range q {
		li := l[i*q : i*q+i+1]
		oi := out[i*q : i*q+i+1]
		clear(oi)
		for k := range i {
			v := li[k]
			if v == 0 {
				continue
			}
			ok := out[k*q : k*q+k+1]
			for j, x := range ok {
				oi[j] -= v * x
			}
		}
		d := 1 / li[i]
		for j := range i {
			oi[j] *= d
		}
		oi[i] = d
	}
}

// addOuter adds v v' to the q*q matrix m.
func addOuter(m, v []float64, q int) {
	for i, x := range v {
		if x != 0 {
			floats.AddScaled(m[i*q:(i+1)*q], x, v)
		}
	}
}

// congruent gives r m r' for a lower triangular r and a symmetric m.
func congruent(r, m []float64, q int) []float64 {
	rm, out := make([]float64, q*q), make([]float64, q*q)
	for i := range q {
		row := rm[i*q : (i+1)*q]
		for k, x := range r[i*q : i*q+i+1] {
			floats.AddScaled(row, x, m[k*q:(k+1)*q])
		}
		for j := range i + 1 {
			out[i*q+j] = inner(r[j*q:j*q+j+1], row)
		}
	}
	mirror(out, q)
	return out
}

// tridiagonal brings the symmetric q*q matrix m to tridiagonal form Q' m Q by Householder's reflections
// (Golub and Van Loan, Matrix Computations, 4th ed., 8.3.1), gives its diagonal and what stands beside
// it, and applies Q' to the q*q matrix x. It overwrites m.
func tridiagonal(m, x []float64, q int) (diagonal, off []float64) {
	diagonal, off = make([]float64, q), make([]float64, max(0, q-1))
	v, p := make([]float64, q), make([]float64, q)
	for k := 0; k+2 < q; k++ {
		n := q - k - 1
		v, p := v[:n], p[:n]
		for i := range v {
			v[i] = m[(k+1+i)*q+k]
		}
		if square(v[1:]) == 0 {
			continue // it is so already
		}
		alpha := -math.Copysign(math.Sqrt(square(v)), v[0])
		v[0] -= alpha
		beta := 2 / square(v)
		m[(k+1)*q+k] = alpha
		block := func(i int) []float64 { return m[(k+1+i)*q+k+1 : (k+2+i)*q] }
		for i := range p {
			p[i] = beta * inner(block(i), v)
		}
		floats.AddScaled(p, -beta/2*inner(p, v), v)
		for i := range p {
			floats.AddScaled(block(i), -v[i], p)
			floats.AddScaled(block(i), -p[i], v)
		}
		reflect(x[(k+1)*q:], v, beta, q)
	}
	for i := range diagonal {
		diagonal[i] = m[i*q+i]
		if i > 0 {
			off[i-1] = m[i*q+i-1]
		}
	}
	return diagonal, off
}

// reflect takes beta v v' x from the rows of x, q values each, as many as v is long.
func reflect(x, v []float64, beta float64, q int) {
	sum := make([]float64, q)
	for i, a := range v {
		floats.AddScaled(sum, a, x[i*q:(i+1)*q])
	}
	for i, a := range v {
		floats.AddScaled(x[i*q:(i+1)*q], -beta*a, sum)
	}
}
