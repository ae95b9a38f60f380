package banding

import (
	"math"
	"slices"
)

func dropGaps(x []float64, gaps []int) []float64 {
	k := 0
	for i, v := range x {
		if len(gaps) > 0 && gaps[0] == i {
			gaps = gaps[1:]
			continue
		}
		x[k] = v
		k++
	}
	return x[:k]
}

func rms(records [][]float64) float64 {
	s, n := 0.0, 0
	for _, r := range records {
		for _, v := range r {
			s += v * v
		}
		n += len(r)
	}
	return math.Sqrt(s / float64(max(1, n)))
}

// whiteness is the largest autocorrelation of the prediction errors at lags up to twice the order,
// which is zero, give or take 1/sqrt(samples), when the spectrum is right.
func whiteness(records [][]float64, s Spectrum) float64 {
	p := len(s.AR) - 1
	r := make([]float64, 2*p+1)
	var e []float64
	for _, x := range records {
		e = e[:0]
		for t := p; t < len(x); t++ {
			sum := 0.0
			for k, a := range s.AR {
				sum += a * x[t-k]
			}
			e = append(e, sum)
		}
		for lag := range r {
			if lag >= len(e) {
				break
			}
			// Four sums side by side: half of learning was spent waiting for one.
			a, b := e[lag:], e[:len(e)-lag]
			b = b[:len(a)]
			var s0, s1, s2, s3 float64
			t := 0
			for ; t+4 <= len(a); t += 4 {
				s0 += a[t] * b[t]
				s1 += a[t+1] * b[t+1]
				s2 += a[t+2] * b[t+2]
				s3 += a[t+3] * b[t+3]
			}
			for ; t < len(a); t++ {
				s0 += a[t] * b[t]
			}
			r[lag] += s0 + s1 + s2 + s3
		}
	}
	top := 0.0
	for _, v := range r[1:] {
		top = math.Max(top, math.Abs(v)/r[0])
	}
	return top
}

// robustSD is the standard deviation that the middle of the distribution of x, assumed centred on
// zero, speaks for: the median of |x| over 0.6745. It uses at most about 1,000 of the values.
func robustSD(x []float64) float64 {
	step := len(x)/1000 + 1
	var v []float64
	for i := 0; i < len(x); i += step {
		if x[i] == x[i] {
			v = append(v, math.Abs(x[i]))
		}
	}
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[len(v)/2] / 0.6744897501960817
}

// middleSD is the standard deviation of x from values drawn in to 2.5 robust standard deviations: almost
// as sure as the root mean square, and as little moved by lines and dirt as robustSD.
func middleSD(x []float64) float64 {
	const (
		cut  = 2.5
		left = 0.97757 // E min(z^2, cut^2) of a normal z
	)
	s := robustSD(x)
	top := cut * cut * s * s
	sum := 0.0
	for _, v := range x {
		sum += math.Min(v*v, top)
	}
	return math.Sqrt(sum / left / float64(max(1, len(x))))
}
