package drift

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// surface is a smooth function from tints (0..1 a channel) to several bands of log reflectance,
// fitted to the patches of a chart. It exists for its derivatives: what a little more of one
// channel does to every patch.
//
// Log reflectance is where inks mix most smoothly. Filters laid over each other add there
// (Bouguer, Lambert, Beer), and so do halftones under the Demichel equations with any
// Yule-Nielsen exponent n: R^(1/n) is a product of one term a channel, whose logarithm is a
// sum. What is left of interaction is small and is fitted too.
//
// The fit is a Gaussian process (Rasmussen and Williams, Gaussian Processes for Machine
// Learning, 2006, chapter 2) whose kernel is
//
//	v0 + v1/g (prod_c (1 + g k(x_c, y_c)) - 1),  k(x, y) = x y + b m^2 (3M - m)/6
//
// with m and M the smaller and the larger of x and y: a cubic smoothing spline through zero
// for every channel (Wahba, Spline Models for Observational Data, 1990), and products of them
// for interactions, which vanish where one of the channels is not printed. b (bend) and g
// (interaction) and the nugget are chosen by the marginal likelihood.
type surface struct {
	tints  [][]float64 // training points, warped
	alpha  *mat.Dense  // points x bands
	offset []float64   // mean of each band
	hyper  hyper
}

type hyper struct{ bend, mix, nugget, warp float64 }

const (
	kernelConstant = 4.0
	kernelSlope    = 4.0
	// maxChannels and maxFactors bound what a chart may have.
	maxChannels = 16
	maxFactors  = 5*maxChannels + 8
	// surfacePoints bounds the cost of a fit, which grows with the cube of the points.
	surfacePoints = 700
	hyperPoints   = 180
)

func (h hyper) k1(x, y float64) float64 {
	m, w := x, y
	if m > w {
		m, w = w, m
	}
	return x*y + h.bend*m*m*(3*w-m)/6
}

func (h hyper) kernel(x, y []float64) float64 {
	p := 1.0
	for c := range x {
		p *= 1 + h.mix*h.k1(x[c], y[c])
	}
	return kernelConstant + kernelSlope/h.mix*(p-1)
}

// fitSurface fits values (points x bands) at tints. variance is the relative noise variance of
// each point; the common scale is chosen by likelihood.
func fitSurface(tints [][]float64, values *mat.Dense, variance []float64) (*surface, error) {
	n, bands := values.Dims()
	s := &surface{offset: make([]float64, bands)}
	pick := spread(n, surfacePoints)
	raw := make([][]float64, len(pick))
	y := mat.NewDense(len(pick), bands, nil)
	v := make([]float64, len(pick))
	for i, p := range pick {
		raw[i] = tints[p]
		y.SetRow(i, values.RawRowView(p))
		v[i] = variance[p]
	}
	for b := range s.offset {
		for i := range pick {
			s.offset[b] += y.At(i, b) / float64(len(pick))
		}
		for i := range pick {
			y.Set(i, b, y.At(i, b)-s.offset[b])
		}
	}
	s.hyper = chooseHyper(raw, y, v)
	s.tints = s.hyper.warped(raw)
	var chol mat.Cholesky
	if !chol.Factorize(gram(s.tints, v, s.hyper)) {
		return nil, &UnusableError{Code: "singular", Text: "the chart's colours do not depend on its device values in any smooth way",
			Hint: "check that the layout belongs to this chart"}
	}
	s.alpha = mat.NewDense(len(pick), bands, nil)
	if err := chol.SolveTo(s.alpha, y); err != nil {
		return nil, &UnusableError{Code: "singular", Text: "the chart's layout gives no stable fit: " + err.Error(),
			Hint: "check that the layout belongs to this chart"}
	}
	return s, nil
}

// spread picks at most most of n indices, evenly.
func spread(n, most int) []int {
	m := min(n, most)
	pick := make([]int, m)
	for i := range pick {
		pick[i] = i * n / m
	}
	return pick
}

// warped raises tints to the warp.
func (h hyper) warped(tints [][]float64) [][]float64 {
	out := make([][]float64, len(tints))
	for i, t := range tints {
		out[i] = make([]float64, len(t))
		for c, v := range t {
			out[i][c] = math.Pow(v, h.warp)
		}
	}
	return out
}

func gram(tints [][]float64, variance []float64, h hyper) *mat.SymDense {
	n := len(tints)
	k := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			k.SetSym(i, j, h.kernel(tints[i], tints[j]))
		}
		k.SetSym(i, i, k.At(i, i)+h.nugget*variance[i])
	}
	return k
}

// chooseHyper searches bend, interaction and nugget one after the other, on a part of the
// patches, for the largest marginal likelihood with the bands taken as independent.
func chooseHyper(tints [][]float64, y *mat.Dense, variance []float64) hyper {
	n, bands := y.Dims()
	pick := spread(n, hyperPoints)
	t, v := make([][]float64, len(pick)), make([]float64, len(pick))
	z := mat.NewDense(len(pick), bands, nil)
	for i, p := range pick {
		t[i], v[i] = tints[p], variance[p]
		z.SetRow(i, y.RawRowView(p))
	}
	score := func(h hyper) float64 {
		var chol mat.Cholesky
		if !chol.Factorize(gram(h.warped(t), v, h)) {
			return math.Inf(-1)
		}
		var a mat.Dense
		if chol.SolveTo(&a, z) != nil {
			return math.Inf(-1)
		}
		var fit float64
		for i := range pick {
			for b := range bands {
				fit += z.At(i, b) * a.At(i, b)
			}
		}
		return -fit/2 - float64(bands)*chol.LogDet()/2
	}
	best := hyper{bend: 3, mix: 0.1, nugget: 4, warp: 0.7}
	top := score(best)
	// The second round meets many of the first again; what was scored cannot be better than the best.
	tried := map[hyper]bool{best: true}
	try := func(h hyper) {
		if tried[h] {
			return
		}
		tried[h] = true
		if s := score(h); s > top {
			best, top = h, s
		}
	}
	for range 2 {
		was := best
		for _, x := range []float64{0.4, 0.5, 0.6, 0.85, 1, 1.2} {
			was.warp = x
			try(was)
		}
		was = best
		for _, x := range []float64{0.003, 0.01, 0.03, 0.3, 1, 3, 10} {
			was.mix = x
			try(was)
		}
		was = best
		for _, x := range []float64{0.03, 0.1, 0.3, 1, 10, 30, 100, 300} {
			was.bend = x
			try(was)
		}
		was = best
		for _, x := range []float64{0.3, 1, 2, 10, 30, 100, 1000} {
			was.nugget = x
			try(was)
		}
	}
	return best
}

// at predicts the bands at a vector of tints.
func (s *surface) at(tints []float64, out []float64) {
	var x [maxChannels]float64
	for c, t := range tints {
		x[c] = math.Pow(t, s.hyper.warp)
	}
	copy(out, s.offset)
	for i, y := range s.tints {
		k := s.hyper.kernel(x[:len(tints)], y)
		row := s.alpha.RawRowView(i)
		for b, a := range row {
			out[b] += k * a
		}
	}
}
