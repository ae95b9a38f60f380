package drift

import (
	"math"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
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
	sc := newScorer(t, v, z)
	score := sc.score
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

// scorer gives the marginal likelihood of guesses at the hyperparameters. The search moves one of them
// at a time, so that it keeps what the others have not touched.
type scorer struct {
	tints    [][]float64
	variance []float64
	values   *mat.Dense
	at       hyper     // what terms and gram were made for; zero: not yet
	terms    []float64 // k of each channel for each pair of points, i <= j
	gram     []float64 // without the nugget, n x n, upper triangle
	chol     []float64
	half     *mat.Dense
}

func newScorer(tints [][]float64, variance []float64, values *mat.Dense) *scorer {
	n, bands := values.Dims()
	return &scorer{tints: tints, variance: variance, values: values, gram: make([]float64, n*n), chol: make([]float64, n*n), half: mat.NewDense(n, bands, nil)}
}

// score is the logarithm of the marginal likelihood but for a constant, the bands taken as independent;
// minus infinity where the guess allows no fit.
func (s *scorer) score(h hyper) float64 {
	n, bands := s.values.Dims()
	s.fill(h)
	copy(s.chol, s.gram)
	for i, v := range s.variance {
		s.chol[i*n+i] += h.nugget * v
	}
	upper, ok := lapack64.Potrf(blas64.Symmetric{Uplo: blas.Upper, N: n, Stride: n, Data: s.chol})
	if !ok {
		return math.Inf(-1)
	}
	// z' K^-1 z is the square of U'^-1 z.
	s.half.Copy(s.values)
	blas64.Trsm(blas.Left, blas.Trans, 1, upper, s.half.RawMatrix())
	var fit, logDet float64
	for i := range n {
		for _, x := range s.half.RawRowView(i) {
			fit += x * x
		}
		logDet += 2 * math.Log(s.chol[i*n+i])
	}
	return -fit/2 - float64(bands)*logDet/2
}

// fill makes the gram of h without its nugget.
func (s *scorer) fill(h hyper) {
	n, channels := len(s.tints), len(s.tints[0])
	if s.terms == nil || h.warp != s.at.warp || h.bend != s.at.bend {
		w := h.warped(s.tints)
		if s.terms == nil {
			s.terms = make([]float64, n*(n+1)/2*channels)
		}
		k := 0
		for i := range n {
			for j := i; j < n; j++ {
				for c := range channels {
					s.terms[k] = h.k1(w[i][c], w[j][c])
					k++
				}
			}
		}
	} else if h.mix == s.at.mix {
		return
	}
	s.at = h
	k, scale := 0, kernelSlope/h.mix
	for i := range n {
		row := s.gram[i*n : (i+1)*n]
		for j := i; j < n; j++ {
			p := 1.0
			for _, x := range s.terms[k : k+channels] {
				p *= 1 + h.mix*x
			}
			k += channels
			row[j] = kernelConstant + scale*(p-1)
		}
	}
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

// surfaceReader predicts at many vectors of tints of one chart. A chart has few values of each channel, so
// that what a value has to do with every training point is worked out once. It serves one goroutine.
type surfaceReader struct {
	*surface
	rows    [maxChannels]map[float64][]float64 // channel -> tint -> factor of the kernel, point by point
	spare   []float64
	product []float64
}

// keptTints bounds the memory of a reader, for charts on which no value occurs twice.
const keptTints = 200

func (s *surface) reader() *surfaceReader {
	r := &surfaceReader{surface: s, spare: make([]float64, len(s.tints)), product: make([]float64, len(s.tints))}
	for c := range r.rows {
		r.rows[c] = map[float64][]float64{}
	}
	return r
}

// at is surface.at.
func (r *surfaceReader) at(tints []float64, out []float64) {
	product := r.product
	for i := range product {
		product[i] = 1
	}
	for c, t := range tints {
		if t == 0 {
			continue // the factor is 1
		}
		row := r.row(c, t)
		for i, f := range row[:len(product)] {
			product[i] *= f
		}
	}
	copy(out, r.offset)
	scale := kernelSlope / r.hyper.mix
	bands := len(r.offset)
	alpha := r.alpha.RawMatrix()
	for i, p := range product {
		k := kernelConstant + scale*(p-1)
		row := alpha.Data[i*alpha.Stride : i*alpha.Stride+bands]
		for b, a := range row {
			out[b] += k * a
		}
	}
}

func (r *surfaceReader) row(c int, t float64) []float64 {
	row, ok := r.rows[c][t]
	if ok {
		return row
	}
	row = r.spare
	if len(r.rows[c]) < keptTints {
		row = make([]float64, len(r.tints))
		r.rows[c][t] = row
	}
	x := math.Pow(t, r.hyper.warp)
	for i, y := range r.tints {
		row[i] = 1 + r.hyper.mix*r.hyper.k1(x, y[c])
	}
	return row
}
