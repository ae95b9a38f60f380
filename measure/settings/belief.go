package settings

import (
	"errors"
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/mat"
)

// belief is what is known about the sliders around one print, the origin: the change of tints c
// as a function of the sliders' moves u from there (in half-ranges),
//
//	c(u) = w0 + sum_i w_i u_i + sum_i w_ii u_i^2 + sum_i<j w_ij u_i u_j,
//
// with Gaussian w. All prints but the origin are observations of it.
type belief struct {
	roles
	n     int // sliders
	terms []term
	// mean[f] and samples[s][f] are coefficients of term f.
	mean    [][]float64
	samples [][][]float64
}

// term is one feature with its prior: a mean and a covariance, which is the sum of outer products
// of the columns of root, and of the diagonal own.
type term struct {
	i, j int // sliders; j -1 for a linear term, i -1 for the constant
	mean []float64
	root [][]float64
	own  []float64
}

func (t *term) value(u []float64) float64 {
	switch {
	case t.i < 0:
		return 1
	case t.j < 0:
		return u[t.i]
	}
	return u[t.i] * u[t.j]
}

// seen is one print as the belief takes it in.
type seen struct {
	print int       // its place among the prints
	u     []float64 // moves from the origin
	c     []float64 // the change of tints that the print showed
	// noise is the covariance of c.
	noise *mat.SymDense
	left  float64 // mean of what the change does not explain, in dE00
}

// draws is how many samples of the belief an expectation is taken over.
const draws = 8

// newBelief makes the prior. print is the standard deviation of each coordinate from print to
// print.
func newBelief(r roles, sliders []Slider, print []float64) *belief {
	b := &belief{roles: r, n: len(sliders)}
	k := r.size()
	b.terms = append(b.terms, term{i: -1, j: -1, mean: make([]float64, k), own: print})
	var promises []promise
	for i, s := range sliders {
		p := r.promised(s)
		promises = append(promises, p)
		b.terms = append(b.terms, p.term(i, -1, 1, p.mean))
	}
	none := make([]float64, k)
	for i := range sliders {
		p := promises[i].withMean()
		b.terms = append(b.terms, p.term(i, i, squareShare, none))
	}
	for i := range sliders {
		for j := range i {
			p := promises[i].withMean()
			q := promises[j].withMean()
			p.leans = append(p.leans, q.leans...)
			own := make([]float64, k)
			for x := range own {
				own[x] = math.Hypot(p.own[x], q.own[x])
			}
			p.own = own
			b.terms = append(b.terms, p.term(j, i, pairShare, none))
		}
	}
	return b
}

// withMean turns the mean into one more lean: a square or product term may have its direction,
// with either sign.
func (p promise) withMean() promise {
	q := promise{mean: p.mean, own: p.own}
	q.leans = append(append([]lean(nil), p.leans...), lean{p.mean, 1})
	return q
}

func (p promise) term(i, j int, share float64, mean []float64) term {
	t := term{i: i, j: j, mean: mean, own: make([]float64, len(p.own))}
	for _, l := range p.leans {
		v := make([]float64, len(l.at))
		zero := true
		for k := range v {
			v[k] = share * l.sd * l.at[k]
			zero = zero && v[k] == 0
		}
		if !zero {
			t.root = append(t.root, v)
		}
	}
	for k := range t.own {
		t.own[k] = share * p.own[k]
	}
	return t
}

// covariance adds scale times the term's covariance to dst at block (a, b).
func (t *term) covariance(dst *mat.Dense, a, b int, scale float64) {
	if scale == 0 {
		return
	}
	k := len(t.mean)
	for _, v := range t.root {
		for x := range k {
			if v[x] == 0 {
				continue
			}
			f := scale * v[x]
			row := dst.RawRowView(a*k + x)[b*k : (b+1)*k]
			for y := range row {
				row[y] += f * v[y]
			}
		}
	}
	for x := range k {
		dst.Set(a*k+x, b*k+x, dst.At(a*k+x, b*k+x)+scale*t.own[x]*t.own[x])
	}
}

// apply gives the term's covariance times v.
func (t *term) apply(v, out []float64) {
	clear(out)
	for _, r := range t.root {
		d := 0.0
		for x := range v {
			d += r[x] * v[x]
		}
		for x := range v {
			out[x] += d * r[x]
		}
	}
	for x := range v {
		out[x] += t.own[x] * t.own[x] * v[x]
	}
}

var errSingular = errors.New("the prints contradict each other beyond what can be solved")

// gram is the covariance of the observations.
func (b *belief) gram(prints []seen) *mat.SymDense {
	k, m := b.size(), len(prints)
	g := mat.NewDense(m*k, m*k, nil)
	for a := range m {
		for c := range m {
			for f := range b.terms {
				t := &b.terms[f]
				t.covariance(g, a, c, t.value(prints[a].u)*t.value(prints[c].u))
			}
		}
	}
	s := mat.NewSymDense(m*k, nil)
	for i := range m * k {
		for j := i; j < m*k; j++ {
			s.SetSym(i, j, (g.At(i, j)+g.At(j, i))/2)
		}
	}
	for a := range m {
		for x := range k {
			for y := x; y < k; y++ {
				v := prints[a].noise.At(x, y)
				if x == y {
					v += tiny
				}
				s.SetSym(a*k+x, a*k+y, s.At(a*k+x, a*k+y)+v)
			}
		}
	}
	return s
}

// posterior conditions coefficients on prints.
type posterior struct {
	*belief
	prints []seen
	chol   mat.Cholesky
}

func (b *belief) given(prints []seen) (*posterior, error) {
	p := &posterior{belief: b, prints: prints}
	if len(prints) > 0 && !p.chol.Factorize(b.gram(prints)) {
		return nil, errSingular
	}
	return p, nil
}

// condition moves coefficients drawn from the prior to what the prints, less errors e, ask for: a
// sample of the prior becomes one of the posterior (Matheron's rule), and its mean the mean. e is
// nil for no errors.
func (p *posterior) condition(w [][]float64, e [][]float64) error {
	k, m := p.size(), len(p.prints)
	if m == 0 {
		return nil
	}
	res := mat.NewVecDense(m*k, nil)
	for a, pr := range p.prints {
		c := p.at(w, pr.u)
		for x := range k {
			v := pr.c[x] - c[x]
			if e != nil {
				v -= e[a][x]
			}
			res.SetVec(a*k+x, v)
		}
	}
	var alpha mat.VecDense
	if err := p.chol.SolveVecTo(&alpha, res); err != nil && !isCondition(err) {
		return errSingular
	}
	v, out := make([]float64, k), make([]float64, k)
	for f := range p.terms {
		t := &p.terms[f]
		clear(v)
		for a, pr := range p.prints {
			phi := t.value(pr.u)
			for x := range k {
				v[x] += phi * alpha.AtVec(a*k+x)
			}
		}
		t.apply(v, out)
		for x := range k {
			w[f][x] += out[x]
		}
	}
	return nil
}

// errors draws a print's errors, one list of coordinates a print.
func (p *posterior) errors(r *rand.Rand) ([][]float64, error) {
	k := p.size()
	out := make([][]float64, len(p.prints))
	for a, pr := range p.prints {
		noise := mat.NewSymDense(k, nil)
		noise.CopySym(pr.noise)
		for x := range k {
			noise.SetSym(x, x, noise.At(x, x)+tiny)
		}
		var c mat.Cholesky
		if !c.Factorize(noise) {
			return nil, errSingular
		}
		var root mat.TriDense
		c.LTo(&root)
		xi := make([]float64, k)
		for x := range xi {
			xi[x] = r.NormFloat64()
		}
		out[a] = make([]float64, k)
		for x := range k {
			for y := range x + 1 {
				out[a][x] += root.At(x, y) * xi[y]
			}
		}
	}
	return out, nil
}

// mostLikely is the mean of the coefficients given prints.
func (b *belief) mostLikely(prints []seen) ([][]float64, error) {
	p, err := b.given(prints)
	if err != nil {
		return nil, err
	}
	w := make([][]float64, len(b.terms))
	for f := range w {
		w[f] = append([]float64(nil), b.terms[f].mean...)
	}
	return w, p.condition(w, nil)
}

// learn takes the prints in: the mean and samples of the coefficients given all of them.
func (b *belief) learn(prints []seen, r *rand.Rand) error {
	var err error
	if b.mean, err = b.mostLikely(prints); err != nil {
		return err
	}
	p, err := b.given(prints)
	if err != nil {
		return err
	}
	k := b.size()
	b.samples = make([][][]float64, draws)
	// Samples come in pairs on both sides of the mean, so that their own mean is the mean.
	for s := 0; s < draws; s += 2 {
		e, err := p.errors(r)
		if err != nil {
			return err
		}
		w := b.draw(r)
		if err := p.condition(w, e); err != nil {
			return err
		}
		mirror := make([][]float64, len(w))
		for f := range w {
			mirror[f] = make([]float64, k)
			for x := range k {
				mirror[f][x] = 2*b.mean[f][x] - w[f][x]
			}
		}
		b.samples[s], b.samples[s+1] = w, mirror
	}
	return nil
}

// tiny keeps covariances definite.
const tiny = 1e-10

func isCondition(err error) bool {
	var c mat.Condition
	return errors.As(err, &c)
}

// draw samples the prior.
func (b *belief) draw(r *rand.Rand) [][]float64 {
	w := make([][]float64, len(b.terms))
	for f := range b.terms {
		t := &b.terms[f]
		w[f] = append([]float64(nil), t.mean...)
		for _, v := range t.root {
			xi := r.NormFloat64()
			for x := range v {
				w[f][x] += xi * v[x]
			}
		}
		for x, sd := range t.own {
			w[f][x] += sd * r.NormFloat64()
		}
	}
	return w
}

// at is the change of tints at moves u under coefficients w.
func (b *belief) at(w [][]float64, u []float64) []float64 {
	c := make([]float64, b.size())
	b.into(c, w, u)
	return c
}

func (b *belief) into(c []float64, w [][]float64, u []float64) {
	clear(c)
	for f := range b.terms {
		phi := b.terms[f].value(u)
		if phi == 0 {
			continue
		}
		for x, v := range w[f] {
			c[x] += phi * v
		}
	}
}
