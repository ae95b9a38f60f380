package drift

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// ToleranceFactor is k such that mean +- k sd covers the share p of all readings with the given
// confidence, where the mean is worth n readings and the sd has df degrees of freedom: the exact
// two-sided factor (Odeh and Owen, Tables for Normal Tolerance Limits, 1980; ISO 16269-6).
func ToleranceFactor(n, df, p, confidence float64) float64 {
	if !(n >= 1 && df > 0 && p > 0 && p < 1 && confidence > 0 && confidence < 1) {
		return math.NaN()
	}
	const points = 60
	x, w := make([]float64, points), make([]float64, points)
	quad.Legendre{}.FixedLocations(x, w, 0, 8/math.Sqrt(n))
	half := make([]float64, points)
	for i := range x {
		half[i] = halfWidth(x[i], p)
	}
	chi := distuv.ChiSquared{K: df}
	normal := distuv.Normal{Mu: 0, Sigma: 1 / math.Sqrt(n)}
	covers := func(k float64) float64 {
		var sum float64
		for i := range x {
			sum += 2 * w[i] * normal.Prob(x[i]) * chi.Survival(df*half[i]*half[i]/(k*k))
		}
		return sum
	}
	low, high := 0.1, 1e4
	for range 200 {
		mid := math.Sqrt(low * high)
		if covers(mid) < confidence {
			low = mid
		} else {
			high = mid
		}
	}
	return math.Sqrt(low * high)
}

// halfWidth is r with P(x - r < Z < x + r) = p for a standard normal Z.
func halfWidth(x, p float64) float64 {
	low, high := 0.0, x+10
	for range 100 {
		mid := (low + high) / 2
		if distuv.UnitNormal.CDF(x+mid)-distuv.UnitNormal.CDF(x-mid) < p {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}
