package drift

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// nodes is the number of Gauss-Legendre nodes that the integral equations are solved on.
const nodes = 80

// nystrom solves L(x) = 1 + atom(x) L(first) + integral of kernel(x, y) L(y) over [low, high], the
// equation of an average run length, by the Nystrom method. first is the node that stands for
// an atom of probability, whose value is returned as well; atom may be nil.
func nystrom(low, high float64, kernel func(x, y float64) float64, atom func(x float64) float64, at []float64) []float64 {
	x, w := make([]float64, nodes), make([]float64, nodes)
	quad.Legendre{}.FixedLocations(x, w, low, high)
	n := nodes
	points := x
	if atom != nil {
		points = append([]float64{0}, x...)
		n++
	}
	a, b := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
	for i, p := range points {
		for k := range x {
			a.Set(i, k+n-nodes, -w[k]*kernel(p, x[k]))
		}
		if atom != nil {
			a.Set(i, 0, -atom(p))
		}
		a.Set(i, i, a.At(i, i)+1)
		b.SetVec(i, 1)
	}
	var l mat.VecDense
	var poor mat.Condition // a very long run length makes the equations stiff, not wrong
	if err := l.SolveVec(a, b); err != nil && (!errors.As(err, &poor) || math.IsInf(float64(poor), 0)) {
		return nil
	}
	out := make([]float64, len(at))
	for i, p := range at {
		out[i] = 1
		for k := range x {
			out[i] += w[k] * kernel(p, x[k]) * l.AtVec(k+n-nodes)
		}
		if atom != nil {
			out[i] += atom(p) * l.AtVec(0)
		}
	}
	return out
}

// EWMARunLength is the average number of readings until an exponentially weighted mean with
// weight lambda leaves fixed limits of +-width asymptotic standard deviations, when the mean of
// independent normal readings is off by shift standard deviations from the start (zero state).
// The integral equation is Crowder's (Technometrics 29, 1987); Lucas and Saccucci (Technometrics
// 32, 1990) tabulate it. It returns NaN outside 0 < lambda <= 1, width > 0.
func EWMARunLength(lambda, width, shift float64) float64 {
	if !(lambda > 0 && lambda <= 1 && width > 0) {
		return math.NaN()
	}
	h := width * math.Sqrt(lambda/(2-lambda))
	kernel := func(z, y float64) float64 {
		return distuv.UnitNormal.Prob((y-(1-lambda)*z)/lambda-shift) / lambda
	}
	return first(nystrom(-h, h, kernel, nil, []float64{0}))
}

// CUSUMRunLength is the average run length of a tabular CUSUM with reference value k, decision
// interval h and head start, in standard deviations, for a shift of the mean; with both sides,
// signals of either count (Lucas and Crosier, Technometrics 24, 1982). It returns NaN unless
// h > 0 and 0 <= head start < h.
func CUSUMRunLength(k, h, headStart, shift float64, twoSided bool) float64 {
	if !(h > 0 && headStart >= 0 && headStart < h) {
		return math.NaN()
	}
	side := func(shift float64) []float64 {
		kernel := func(s, y float64) float64 { return distuv.UnitNormal.Prob(y + k - s - shift) }
		atom := func(s float64) float64 { return distuv.UnitNormal.CDF(k - s - shift) }
		return nystrom(0, h, kernel, atom, []float64{0, headStart})
	}
	up := side(shift)
	if up == nil {
		return math.NaN()
	}
	if !twoSided {
		return up[1]
	}
	down := side(-shift)
	if down == nil {
		return math.NaN()
	}
	return (up[1]*down[0] + up[0]*down[1] - up[0]*down[0]) / (up[0] + down[0])
}

// MEWMARunLength is the in-control average run length of a multivariate EWMA of p variables with
// weight lambda and limit h on its T2 with the asymptotic covariance (Rigdon, J. Statist. Comput.
// Simul. 52, 1995). It returns NaN unless p > 0, 0 < lambda < 1 and h > 0.
func MEWMARunLength(p int, lambda, h float64) float64 {
	if !(p > 0 && lambda > 0 && lambda < 1 && h > 0) {
		return math.NaN()
	}
	top := math.Sqrt(h * lambda / (2 - lambda))
	kernel := func(r, u float64) float64 {
		away := (1 - lambda) * r / lambda
		return noncentralChiSquared(u*u/(lambda*lambda), float64(p), away*away) * 2 * u / (lambda * lambda)
	}
	return first(nystrom(0, top, kernel, nil, []float64{0}))
}

func first(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	return v[0]
}

// noncentralChiSquared is the density of the noncentral chi-squared law, as a Poisson mixture of
// central ones.
func noncentralChiSquared(x, df, away float64) float64 {
	if x <= 0 {
		return 0
	}
	half := away / 2
	mode := math.Floor(half)
	var sum float64
	for dir := range 2 {
		for i := 0; ; i++ {
			j := mode + float64(i)
			if dir == 1 {
				j = mode - 1 - float64(i)
			}
			if j < 0 {
				break
			}
			poisson := 1.0
			if half > 0 {
				lg, _ := math.Lgamma(j + 1)
				poisson = math.Exp(j*math.Log(half) - half - lg)
			} else if j > 0 {
				break
			}
			term := poisson * distuv.ChiSquared{K: df + 2*j}.Prob(x)
			sum += term
			if poisson < 1e-14 || i > 2000 {
				break
			}
		}
	}
	return sum
}
