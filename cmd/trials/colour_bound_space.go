package main

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/madeup"
)

// knownKind is a fault of the size that changes the chart by 1.0 dE00, as a point of the observers' space: as
// it is, and as each of them believes it to be, whitened.
type knownKind struct {
	row      int
	answer   answer
	prior    float64
	is       []float64
	believed [2][]float64
}

// knownShop is a shop as the observer knows it. Its space is spanned by all that may happen to a chart, each
// patch in units of its noise.
type knownShop struct {
	*madeup.Shop
	good  []colour.Lab
	bare  int // an unprinted patch
	kinds []knownKind
	days  [][]float64   // a standard deviation of each part of an ordinary day
	drift [][]float64   // of each part of a mixed drift, and
	labs  [][][]float64 // as it changes the patches in L*, a*, b*

	white mat.Dense // takes a point to where the ordinary mean of charts has unit variance in every direction
	// The law of mixed drifts there: directions, the variance along each at a size of 1, and the size that
	// changes the chart by 1.0 dE00 in the median.
	along mat.Dense
	vars  []float64
	size  float64
}

// newKnownShop prints all that may happen, kinds of faults at the given sizes (0 for what is not tried), there
// and on a sister printer.
func newKnownShop(seed uint64, cfg madeup.Config, sizes []float64) (*knownShop, error) {
	shop, err := madeup.NewShop(seed, cfg)
	if err != nil {
		return nil, err
	}
	good, err := shop.Exact(madeup.Pressed, madeup.Faults{})
	if err != nil {
		return nil, err
	}
	s := &knownShop{Shop: shop, good: good.Lab, bare: slices.IndexFunc(shop.Chart().Device, func(d []float64) bool { return floats.Sum(d) == 0 })}
	days, err := changes(shop, dayFaults(cfg))
	if err != nil {
		return nil, err
	}
	var parts []madeup.Faults
	for part := range madeup.DriftParts(len(cfg.Inks)) {
		parts = append(parts, madeup.Faults{Drift: 1, DriftPart: part + 1})
	}
	if s.labs, err = changes(shop, parts); err != nil {
		return nil, err
	}
	sister, err := madeup.NewShop(seed^1<<63, cfg)
	if err != nil {
		return nil, err
	}
	var faults []madeup.Faults
	for i, kind := range madeup.FaultKinds(cfg.Inks) {
		row := causeRow(kind)
		if row < 0 || sizes[i] == 0 || kind.Cause == mixedDrift {
			continue
		}
		faults = append(faults, kind.Make(sizes[i]))
		s.kinds = append(s.kinds, knownKind{row: row, answer: answer{causes[row].advice, kind.Ink}})
	}
	is, err := changes(shop, faults)
	if err != nil {
		return nil, err
	}
	there, err := changes(sister, faults)
	if err != nil {
		return nil, err
	}
	roots, err := s.patchNoise(days)
	if err != nil {
		return nil, err
	}
	points, err := spanned(slices.Concat(days, s.labs, is, there), roots)
	if err != nil {
		return nil, err
	}
	next := func(n int) (out [][]float64) {
		out, points = points[:n], points[n:]
		return out
	}
	s.days, s.drift = next(len(days)), next(len(s.labs))
	isAt, thereAt := next(len(is)), next(len(there))
	for i := range s.kinds {
		k := &s.kinds[i]
		k.is, k.believed = isAt[i], [2][]float64{isAt[i], thereAt[i]}
		same := 0.0
		for _, other := range s.kinds {
			if other.row == k.row {
				same++
			}
		}
		k.prior = -math.Log(same)
	}
	return s, s.learn()
}

// changes are those of each patch in L*, a*, b* by each of the faults.
func changes(shop *madeup.Shop, faults []madeup.Faults) (out [][][]float64, err error) {
	good, err := shop.Exact(madeup.Pressed, madeup.Faults{})
	if err != nil {
		return nil, err
	}
	for _, f := range faults {
		r, err := shop.Exact(madeup.Pressed, f)
		if err != nil {
			return nil, err
		}
		out = append(out, less(r.Lab, good.Lab))
	}
	return out, nil
}

// dayFaults are the parts of an ordinary day, each of one standard deviation, as faults.
func dayFaults(cfg madeup.Config) (out []madeup.Faults) {
	w := cfg.Wander
	for _, ink := range cfg.Inks {
		out = append(out,
			madeup.Faults{Ink: map[string]madeup.InkFault{ink: {StrengthPercent: w.StrengthPercent}}},
			madeup.Faults{Ink: map[string]madeup.InkFault{ink: {TonePoints: w.TonePoints}}})
	}
	return append(out,
		// The dose goes with the 0.3th power of the pressure.
		madeup.Faults{Press: madeup.Press{Pressure: cfg.Press.Pressure * (math.Exp(w.Press/0.3) - 1)}},
		madeup.Faults{Media: madeup.Media{Lightness: w.White}}, madeup.Faults{Media: madeup.Media{Yellowness: w.White}},
		madeup.Faults{Scale: w.InstrumentScale})
}

func less(a, b []colour.Lab) [][]float64 {
	out := make([][]float64, len(a))
	for p := range a {
		out[p] = []float64{a[p].L - b[p].L, a[p].A - b[p].A, a[p].B - b[p].B}
	}
	return out
}

// patchNoise gives for each patch and component of Lab one over the standard deviation of its noise, from
// ordinary charts less what the parts of their days make of them. Of how the noise of L*, a* and b* hang
// together it makes no use.
func (s *knownShop) patchNoise(days [][][]float64) ([][]float64, error) {
	n := len(s.good)
	a := mat.NewDense(3*n, len(days), nil)
	for j, d := range days {
		for p, v := range d {
			for i, x := range v {
				a.Set(3*p+i, j, x)
			}
		}
	}
	y := mat.NewDense(3*n, knownNoise, nil)
	var r madeup.Reading
	for k := range knownNoise {
		if err := s.ReadInto(&r, madeup.Occasion{Day: 1000 + k}, madeup.Faults{}); err != nil {
			return nil, err
		}
		for p, v := range less(r.Lab, s.good) {
			for i, x := range v {
				y.Set(3*p+i, k, x)
			}
		}
	}
	var x, fit mat.Dense
	if err := x.Solve(a, y); err != nil {
		return nil, err
	}
	fit.Mul(a, &x)
	y.Sub(y, &fit)
	out := make([][]float64, n)
	for p := range n {
		out[p] = make([]float64, 3)
		for i := range 3 {
			row := y.RawRowView(3*p + i)
			out[p][i] = math.Sqrt(knownNoise / math.Max(1e-6, inner(row, row)))
		}
	}
	return out, nil
}

// spanned gives each column's place in the space that all of them span, in units of the patches' noise.
func spanned(columns [][][]float64, roots [][]float64) ([][]float64, error) {
	q := len(columns)
	flat := make([][]float64, q)
	for j, c := range columns {
		for p, v := range c {
			for i, x := range v {
				flat[j] = append(flat[j], x*roots[p][i])
			}
		}
	}
	gram := mat.NewSymDense(q, nil)
	for i := range q {
		for j := i; j < q; j++ {
			gram.SetSym(i, j, inner(flat[i], flat[j]))
		}
	}
	var eigen mat.EigenSym
	if !eigen.Factorize(gram, true) {
		return nil, errors.New("the changes of the chart have no eigenvalues")
	}
	var v mat.Dense
	eigen.VectorsTo(&v)
	points := make([][]float64, q)
	for d, l := range eigen.Values(nil) {
		if l < 1e-4 {
			continue // a hundredth of the noise of one patch
		}
		for j := range points {
			points[j] = append(points[j], math.Sqrt(l)*v.At(j, d))
		}
	}
	return points, nil
}

// contrast weighs the days of a series: the mean of the charts with the fault less that of the baseline.
func contrast() []float64 {
	c := make([]float64, boundBaseline+causeRunning+knownCharts)
	for i := range c {
		switch {
		case i < boundBaseline:
			c[i] = -1.0 / boundBaseline
		case i >= boundBaseline+causeRunning:
			c[i] = 1.0 / knownCharts
		}
	}
	return c
}

var knownNoiseSD = math.Sqrt(1.0/knownCharts + 1.0/boundBaseline)

// ownDays is the wander of one part of a day, in its standard deviations.
func (s *knownShop) ownDays() madeup.Wander {
	w := s.Config().Wander
	if w.Kind != madeup.AR1 {
		w.Rho = 0
	}
	w.StrengthPercent = 1
	return w
}

// learn whitens the space and takes the law of mixed drifts.
func (s *knownShop) learn() error {
	q := len(s.days[0])
	c := contrast()
	var v float64
	days := covariance(s.ownDays(), len(c))
	for i := range c {
		for j := range c {
			v += c[i] * days.At(i, j) * c[j]
		}
	}
	cov := mat.NewSymDense(q, nil)
	for i := range q {
		cov.SetSym(i, i, knownNoiseSD*knownNoiseSD)
	}
	for _, d := range s.days {
		cov.SymRankOne(cov, v, mat.NewVecDense(q, d))
	}
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		return errors.New("the ordinary days of a shop have no spread")
	}
	var lower mat.TriDense
	chol.LTo(&lower)
	if err := s.white.Inverse(&lower); err != nil {
		return err
	}
	for i := range s.kinds {
		for b, x := range s.kinds[i].believed {
			s.kinds[i].believed[b] = s.whitened(x)
		}
	}
	law := mat.NewSymDense(q, nil)
	for _, d := range s.drift {
		law.SymRankOne(law, 1, mat.NewVecDense(q, s.whitened(d)))
	}
	var eigen mat.EigenSym
	if !eigen.Factorize(law, true) {
		return errors.New("mixed drifts have no directions")
	}
	s.vars = eigen.Values(nil)
	eigen.VectorsTo(&s.along)
	r := rand.New(rand.NewPCG(1, 1))
	var sizes []float64
	for range 15 {
		_, size := s.mixture(r)
		sizes = append(sizes, size)
	}
	slices.Sort(sizes)
	s.size = sizes[len(sizes)/2]
	return nil
}

func (s *knownShop) whitened(x []float64) []float64 {
	var y mat.VecDense
	y.MulVec(&s.white, mat.NewVecDense(len(x), x))
	return y.RawVector().Data
}
