package banding

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Spectrum is an autoregressive model of the noise of a trace, in the trace's unit.
type Spectrum struct {
	// AR is the prediction-error filter: e[t] = sum AR[k] x[t-k], AR[0] = 1.
	AR []float64 `json:"ar"`
	// Variance is that of e.
	Variance float64 `json:"variance"`
}

// Power is the noise's power density at a frequency in cycles per sample, in unit^2 per cycle per
// sample, so that its integral over -1/2..1/2 is the variance.
func (s Spectrum) Power(frequency float64) float64 {
	re, im := 0.0, 0.0
	for k, a := range s.AR {
		sin, cos := math.Sincos(2 * math.Pi * frequency * float64(k))
		re += a * cos
		im -= a * sin
	}
	return s.Variance / (re*re + im*im)
}

// burg fits one autoregressive model to several records by Burg's method: the reflection
// coefficients minimise the forward and backward prediction errors of all records together
// (J. P. Burg, Maximum entropy spectral analysis, 1975). The order is lowered when the records are
// short.
func burg(records [][]float64, order int) (Spectrum, error) {
	total, longest := 0, 0
	for _, r := range records {
		total += len(r)
		longest = max(longest, len(r))
	}
	order = min(order, total/12, longest/3)
	if order < 1 {
		return Spectrum{}, fmt.Errorf("a spectrum needs at least 12 samples, have %d", total)
	}
	f, b := make([][]float64, len(records)), make([][]float64, len(records))
	energy := 0.0
	for i, r := range records {
		f[i] = append([]float64(nil), r...)
		b[i] = append([]float64(nil), r...)
		for _, v := range r {
			energy += v * v
		}
	}
	variance := energy / float64(total)
	if !(variance > 0) {
		return Spectrum{}, fmt.Errorf("the records are constant: no noise to fit a spectrum to")
	}
	a := make([]float64, 1, order+1)
	a[0] = 1
	old := make([]float64, order+1)
	for m := 1; m <= order; m++ {
		num, den := 0.0, 0.0
		for i := range f {
			n := len(f[i])
			if n <= m {
				continue
			}
			fi, bi := f[i][m:n], b[i][m-1:n-1]
			bi = bi[:len(fi)]
			for t, u := range fi {
				v := bi[t]
				num += u * v
				den += u*u + v*v
			}
		}
		if !(den > 0) {
			break
		}
		k := -2 * num / den
		for i := range f {
			n := len(f[i])
			if n <= m {
				continue
			}
			fi, bi := f[i], b[i]
			for t := n - 1; t >= m; t-- {
				u, v := fi[t], bi[t-1]
				fi[t] = u + k*v
				bi[t] = v + k*u
			}
		}
		copy(old, a)
		a = append(a, 0)
		for j := 1; j <= m; j++ {
			a[j] += k * old[m-j]
		}
		variance *= 1 - k*k
		if !(variance > 1e-12*energy/float64(total)) {
			break
		}
	}
	return Spectrum{AR: a, Variance: variance}, nil
}

// inverseCovariance returns the coefficients q[0..p] of the symmetric Toeplitz band that the inverse
// covariance matrix of the model is away from its corners.
func (s Spectrum) inverseCovariance() []float64 {
	q := make([]float64, len(s.AR))
	for j := range q {
		sum := 0.0
		for i := 0; i+j < len(s.AR); i++ {
			sum += s.AR[i] * s.AR[i+j]
		}
		q[j] = sum / s.Variance
	}
	return q
}

// corner works out what the Toeplitz band gets wrong in the last p entries of (inverse covariance) x:
// the band also counts the prediction errors after the end, which were never seen (the second term of
// the Gohberg-Semencul formula). tail holds the last samples of x, last first; out[m] belongs to
// the m-th entry from the end and is to be subtracted. By symmetry the same function serves the start.
func (s Spectrum) corner(tail, out []float64) {
	p := len(s.AR) - 1
	for m := range out {
		out[m] = 0
	}
	for j := 0; j < p; j++ {
		e := 0.0
		for k := j + 1; k <= p && k-j-1 < len(tail); k++ {
			e += s.AR[k] * tail[k-j-1]
		}
		e /= s.Variance
		for k := j + 1; k <= p && k-j-1 < len(out); k++ {
			out[k-j-1] += s.AR[k] * e
		}
	}
}

// fillGaps replaces the samples of x at the given places, which must ascend, by their expected values
// given all others. Whitened with the same spectrum, the filled samples then carry exactly nothing.
func (s Spectrum) fillGaps(x []float64, missing []int) error {
	if len(missing) == 0 {
		return nil
	}
	q := s.inverseCovariance()
	p := len(q) - 1
	n := len(missing)
	for _, i := range missing {
		x[i] = 0
	}
	band := 0
	for i := range missing {
		for j := i + 1; j < n && missing[j]-missing[i] <= p; j++ {
			band = max(band, j-i)
		}
	}
	m := mat.NewSymBandDense(n, band, nil)
	rhs := mat.NewVecDense(n, nil)
	for i, at := range missing {
		for j := i; j < n && missing[j]-at <= p; j++ {
			m.SetSymBand(i, j, q[missing[j]-at])
		}
		z := 0.0
		for k := -p; k <= p; k++ {
			if t := at + k; t >= 0 && t < len(x) {
				z += q[max(k, -k)] * x[t]
			}
		}
		rhs.SetVec(i, -z)
	}
	var chol mat.BandCholesky
	if !chol.Factorize(m) {
		return fmt.Errorf("gap of %d samples: the spectrum is not positive definite", n)
	}
	var fill mat.VecDense
	if err := chol.SolveVecTo(&fill, rhs); err != nil {
		return fmt.Errorf("gap of %d samples: %w", n, err)
	}
	for i, at := range missing {
		x[at] = fill.AtVec(i)
	}
	return nil
}
