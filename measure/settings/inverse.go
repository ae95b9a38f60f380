package settings

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// The aim is something that the sliders can reach, or nearly: somebody once printed it, or it was
// pulled within reach. So it is one more print, whose settings are not known. Where it was made is
// asked the other way round: under which settings is the change from the nearest print to the aim
// most likely, by what is believed of the sliders? Directions in which the belief is sure count
// for more there than those in which it only guesses, which least differences do not know.
type inverse struct {
	*foretold
	aim []float64 // change of tints from the picture's print to the aim
}

// foretold is the change of tints that one more print will show.
type foretold struct {
	*posterior
	cov   []*mat.SymDense // of each term
	noise *mat.SymDense   // of the print
}

func newForetold(p *posterior, noise *mat.SymDense) *foretold {
	f, k := &foretold{posterior: p, noise: noise}, p.size()
	for t := range p.terms {
		d := mat.NewDense(k, k, nil)
		p.terms[t].covariance(d, 0, 0, 1)
		sym := mat.NewSymDense(k, nil)
		for x := range k {
			for y := x; y < k; y++ {
				sym.SetSym(x, y, (d.At(x, y)+d.At(y, x))/2)
			}
		}
		f.cov = append(f.cov, sym)
	}
	return f
}

// newInverse sees the aim as a change of tints. Its noise is what of the aim no amounts of these
// inks give, taken to be as much again of what they do give.
func (s *scene) newInverse() (*inverse, error) {
	p, err := s.belief.given(s.list)
	if err != nil {
		return nil, err
	}
	n := len(s.pic.lab)
	as := Print{Lab: s.Aim, Missing: make([]bool, n)}
	known := 0.0
	for i := range as.Missing {
		if as.Missing[i] = s.weight(i) == 0; !as.Missing[i] {
			known++
		}
	}
	c, info, rest := s.pic.show(as, s.ridge)
	left := s.pic.left(rest) * float64(n) / known
	k := s.pic.size()
	v := s.PatchNoise*s.PatchNoise + left*left*known/float64(k)
	h := mat.NewSymDense(k, nil)
	for x := range k {
		for y := x; y < k; y++ {
			h.SetSym(x, y, info.At(x, y)/v)
		}
		h.SetSym(x, x, h.At(x, x)+s.ridge[x]/v)
	}
	var chol mat.Cholesky
	if !chol.Factorize(h) {
		return nil, errSingular
	}
	noise := mat.NewSymDense(k, nil)
	if err := chol.InverseTo(noise); err != nil && !isCondition(err) {
		return nil, errSingular
	}
	for x := range k {
		noise.SetSym(x, x, noise.At(x, x)+s.print[x]*s.print[x])
	}
	return &inverse{foretold: newForetold(p, noise), aim: c}, nil
}

// covariance of the change of tints at u, given the prints, and with the print's noise.
func (v *foretold) covariance(u []float64) *mat.SymDense {
	k, m := v.size(), len(v.prints)
	out := mat.NewSymDense(k, nil)
	out.CopySym(v.noise)
	add := func(dst []float64, stride int, a, b []float64) {
		for f := range v.terms {
			s := v.terms[f].value(a) * v.terms[f].value(b)
			if s == 0 {
				continue
			}
			raw := v.cov[f].RawSymmetric()
			for x := range k {
				row := raw.Data[x*raw.Stride:]
				for y := x; y < k; y++ {
					dst[x*stride+y] += s * row[y]
				}
			}
		}
	}
	raw := out.RawSymmetric()
	add(raw.Data, raw.Stride, u, u)
	if m == 0 {
		return out
	}
	cross := mat.NewDense(m*k, k, nil)
	block := make([]float64, k*k)
	for a, pr := range v.prints {
		clear(block)
		add(block, k, pr.u, u)
		for x := range k {
			for y := x; y < k; y++ {
				cross.Set(a*k+x, y, block[x*k+y])
				cross.Set(a*k+y, x, block[x*k+y])
			}
		}
	}
	var solved mat.Dense
	if err := v.chol.SolveTo(&solved, cross); err != nil && !isCondition(err) {
		return out
	}
	var less mat.Dense
	less.Mul(cross.T(), &solved)
	for x := range k {
		for y := x; y < k; y++ {
			out.SetSym(x, y, out.At(x, y)-(less.At(x, y)+less.At(y, x))/2)
		}
	}
	return out
}

// surprise is minus twice the logarithm of how likely the aim is at u, but for a constant.
func (v *inverse) surprise(u []float64) float64 {
	var chol mat.Cholesky
	if !chol.Factorize(v.covariance(u)) {
		return math.Inf(1)
	}
	r := v.at(v.mean, u)
	for x := range r {
		r[x] = v.aim[x] - r[x]
	}
	d := mat.NewVecDense(len(r), r)
	var a mat.VecDense
	if err := chol.SolveVecTo(&a, d); err != nil && !isCondition(err) {
		return math.Inf(1)
	}
	return mat.Dot(d, &a) + chol.LogDet()
}

// likeliest looks for the settings of the aim from several starts: a pattern search.
func (s *scene) likeliest(v *inverse, starts [][]float64) []float64 {
	var best []float64
	top := math.Inf(1)
	for _, start := range starts {
		u := slices.Clone(start)
		if d := v.surprise(u); best == nil || d < top {
			best, top = u, d
		}
	}
	for _, size := range []float64{0.2, 0.1, 0.05, 0.025} {
		for range 3 {
			better := false
			for i := range best {
				low, high := s.bounds(i)
				for _, sign := range []float64{1, -1} {
					u := slices.Clone(best)
					u[i] = min(high, max(low, u[i]+sign*size))
					if d := v.surprise(u); d < top-1e-3 {
						best, top, better = u, d, true
						break
					}
				}
			}
			if !better {
				break
			}
		}
	}
	return best
}

// doubtful adds to the aim's noise what is not known of its settings u.
func (v *inverse) doubtful(u []float64) *mat.SymDense {
	k, n := v.size(), len(u)
	out := mat.NewSymDense(k, nil)
	out.CopySym(v.noise)
	var chol mat.Cholesky
	if !chol.Factorize(v.covariance(u)) {
		return out
	}
	const h = 1e-3
	c := v.at(v.mean, u)
	slope := mat.NewDense(k, n, nil)
	for i := range n {
		w := slices.Clone(u)
		w[i] += h
		for x, y := range v.at(v.mean, w) {
			slope.Set(x, i, (y-c[x])/h)
		}
	}
	var solved, info mat.Dense
	if err := chol.SolveTo(&solved, slope); err != nil && !isCondition(err) {
		return out
	}
	info.Mul(slope.T(), &solved)
	sym := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			sym.SetSym(i, j, (info.At(i, j)+info.At(j, i))/2)
		}
		sym.SetSym(i, i, sym.At(i, i)+1)
	}
	var of mat.Cholesky
	var spread mat.SymDense
	if !of.Factorize(sym) {
		return out
	}
	if err := of.InverseTo(&spread); err != nil && !isCondition(err) {
		return out
	}
	var a, b mat.Dense
	a.Mul(slope, &spread)
	b.Mul(&a, slope.T())
	for x := range k {
		for y := x; y < k; y++ {
			out.SetSym(x, y, out.At(x, y)+(b.At(x, y)+b.At(y, x))/2)
		}
	}
	return out
}

// errFar says that the aim seems to lie where the belief expects worse than is printed already.
var errFar = errors.New("the aim lies beyond what is known")

// supposeAim takes the aim into the belief as one more print, at the settings where it most likely
// is, and returns those. It is meant for the first prints, fewer than half as many as sliders; later
// the prints know better. Where it fails the belief stays as it was: so too when the belief's mean
// foretells no less there than best, the nearest print's difference.
func (s *scene) supposeAim(start []float64, best float64) ([]float64, error) {
	inv, err := s.newInverse()
	if err != nil {
		return nil, err
	}
	at := s.likeliest(inv, [][]float64{start, s.descend(start, nil)})
	s.prepare(at, s.subset)
	if s.difference(s.belief.mean, at, s.subset) >= best {
		return nil, errFar
	}
	aim := seen{print: -1, u: slices.Clone(at), c: inv.aim, noise: inv.doubtful(at)}
	return at, s.belief.learn(append(slices.Clone(s.list), aim), rand.New(rand.NewPCG(s.Seed, 0x61696d)))
}
