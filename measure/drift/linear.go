package drift

import "math"

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
