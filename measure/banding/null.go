package banding

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// What the largest value of a good reading is.
//
// The filtered and folded noise is close to a smooth Gaussian random field of unit variance, and the chance
// that its largest value passes u is, for high u, the expected Euler characteristic of the set
// above u (R. J. Adler and J. E. Taylor, Random Fields and Geometry, 2007, theorem 15.9.5):
//
//	line of length L, mean square derivative lambda:        L sqrt(lambda) / 2 pi exp(-u^2/2) + Phi(-u)
//	phase circle of length T by period range (drift D):     T sqrt(lambda) / 2 pi exp(-u^2/2)
//	                                                        + T D lambda/sqrt(12) / (2 pi)^1.5 u exp(-u^2/2)
//
// Drift D is the total displacement, over the whole strip, that a change of period makes; the repeats lie
// evenly along the strip, so that the drift's own mean square derivative is lambda / 12.
//
// Several widths of one line are strongly correlated, and their union is less than the sum: the bank's
// three widths count as bankOverlap times the sum (measured by TestBankOverlap).
const bankOverlap = 0.78

// The formulas hold in the tail; at the middle of the distribution, where scales are fitted, they give
// values that are too large, more so on a coarse grid of trial periods. These are the fitted scales of noise
// for which the model holds exactly (TestNullScale), so that a scale of 1 means what it says.
const (
	refPair    = 0.96
	refSection = 0.92
)

// The same by width, narrow to wide.
var (
	refLine   = [len(bankMM)]float64{0.935, 0.955, 0.98}
	refSingle = [len(bankMM)]float64{0.99, 1.01, 1.035}
)

// field is the geometry of one search: the coefficients of the formulas above.
type field struct {
	flat   float64 // of exp(-u^2/2)
	slope  float64 // of u exp(-u^2/2)
	points float64 // of Phi(-u)
}

func lineField(length, lambda float64) field {
	return field{flat: length * math.Sqrt(lambda) / (2 * math.Pi), points: 1}
}

func foldField(period, drift, lambda float64) field {
	return field{
		flat:  period * math.Sqrt(lambda) / (2 * math.Pi),
		slope: period * drift * lambda / math.Sqrt(12) / math.Pow(2*math.Pi, 1.5),
	}
}

func (f field) plus(g field) field {
	return field{f.flat + g.flat, f.slope + g.slope, f.points + g.points}
}

func (f field) times(k float64) field { return field{f.flat * k, f.slope * k, f.points * k} }

// chance is the probability that the largest value passes u.
func (f field) chance(u float64) float64 {
	if u < 1 {
		u = 1 // the formula holds in the tail only
	}
	e := math.Exp(-u * u / 2)
	mean := f.flat*e + f.slope*u*e + f.points*math.Erfc(u/math.Sqrt2)/2
	return -math.Expm1(-mean)
}

// limit is the u that is passed with probability p.
func (f field) limit(p float64) float64 {
	lo, hi := 1.0, 40.0
	for range 60 {
		if mid := (lo + hi) / 2; f.chance(mid) > p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// nullSample gathers largest values of good readings, each with the field it was taken over.
type nullSample struct {
	Value []float64
	Field []field
	k, se float64 // of scale, once asked for
}

func (s *nullSample) add(v float64, f field) {
	if v > 0 && !math.IsInf(v, 0) {
		s.Value = append(s.Value, v)
		s.Field = append(s.Field, f)
		s.k = 0
	}
}

// scale finds the factor by which the noise is larger than the model says: with it, the chances of the
// observed largest values average one half, as they must. se is its relative standard error.
func (s *nullSample) scale() (k, se float64) {
	if len(s.Value) == 0 {
		return 1, 0.1
	}
	if s.k > 0 {
		return s.k, s.se
	}
	defer func() { s.k, s.se = k, se }()
	mean := func(k float64) float64 {
		sum := 0.0
		for i, v := range s.Value {
			sum += s.Field[i].chance(v / k)
		}
		return sum / float64(len(s.Value))
	}
	lo, hi := 0.9, 1.1
	for lo > 0.3 && mean(lo) > 0.5 {
		lo /= 1.3
	}
	for hi < 20 && mean(hi) < 0.5 {
		hi *= 1.3
	}
	for hi/lo > 1.0001 {
		k = math.Sqrt(lo * hi)
		if mean(k) < 0.5 {
			lo = k // the values look too large: the scale must grow
		} else {
			hi = k
		}
	}
	k = math.Sqrt(lo * hi)
	// The relative spread of a maximum is about 0.13; neighbouring maxima share noise, so that only
	// about half of them count.
	return k, 0.13 / math.Sqrt(math.Max(1, float64(len(s.Value))/2))
}

// heavy says how much wider the maxima spread than the model's, 1 = as they should.
func (s *nullSample) heavy(k float64) float64 {
	n := len(s.Value)
	if n < 8 {
		return 1
	}
	// Compare in standard normal scores of the chances: unit variance when the model holds.
	sum := 0.0
	norm := distuv.UnitNormal
	for i, v := range s.Value {
		p := s.Field[i].chance(v / k)
		z := norm.Quantile(math.Min(math.Max(1-p, 1e-9), 1-1e-9))
		z = math.Max(math.Min(z, 6), -6)
		sum += z * z
	}
	return math.Sqrt(sum/float64(n)) / 1.1 // 1.1: what it is when the model holds, see refSingle
}

// gumbel fits a Gumbel law to the values by moments, its scale widened by its own uncertainty: what is
// left when the Gaussian model cannot be believed. The limit of chance p is mu - beta ln(-ln(1 - p)).
func (s *nullSample) gumbel() (mu, beta float64) {
	n := float64(len(s.Value))
	if n < 2 {
		return 0, 0
	}
	mean, sq := 0.0, 0.0
	for _, v := range s.Value {
		mean += v
	}
	mean /= n
	for _, v := range s.Value {
		sq += (v - mean) * (v - mean)
	}
	beta = math.Sqrt(sq/(n-1)*6) / math.Pi * (1 + 1/math.Sqrt(n))
	return mean - 0.5772156649015329*beta, beta
}
