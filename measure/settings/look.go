package settings

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
)

// show finds the change of tints from the picture's print that print pr shows, by Gauss and
// Newton with a little damping, and the inverse covariance of it per unit of patch noise. rest
// holds, for each patch, what of the logs the change does not explain.
func (pic *picture) show(pr Print, ridge []float64) (c []float64, info *mat.SymDense, rest [][3]float64) {
	k := pic.size()
	c = make([]float64, k)
	each := pic.each()
	info = mat.NewSymDense(k, nil)
	row := make([]float64, k)
	const rounds = 6
	for round := range rounds {
		h := mat.NewSymDense(k, nil)
		g := make([]float64, k)
		for p := range pic.lab {
			if pr.Missing != nil && pr.Missing[p] {
				continue
			}
			var slope [16][3]float64
			z := pic.moved(p, c, &slope)
			for b := range z {
				z[b] += pic.logs[p][b]
			}
			have := drift.LabOf(z)
			s := labSlope(z)
			e := [3]float64{pr.Lab[p].L - have.L, pr.Lab[p].A - have.A, pr.Lab[p].B - have.B}
			m := &pic.metric[p]
			var ms [3][3]float64
			var me [3]float64
			for i := range 3 {
				for j := range 3 {
					me[i] += m[i][j] * e[j]
					for b := range 3 {
						ms[i][b] += m[i][j] * s[j][b]
					}
				}
			}
			// A patch that fits badly (a scratch, a fold) counts less.
			w := 1.0
			if d := math.Sqrt(me[0]*me[0] + me[1]*me[1] + me[2]*me[2]); d > 3 && round > 1 {
				w = 3 / d
			}
			for i := range 3 {
				for ch, form := range pic.form[p] {
					d := ms[i][0]*slope[ch][0] + ms[i][1]*slope[ch][1] + ms[i][2]*slope[ch][2]
					for x, f := range form {
						row[ch*each+x] = d * f
					}
				}
				for x, v := range row {
					if v == 0 {
						continue
					}
					g[x] += w * v * me[i]
					for y := x; y < k; y++ {
						h.SetSym(x, y, h.At(x, y)+w*v*row[y])
					}
				}
			}
		}
		info.CopySym(h)
		for x := range k {
			h.SetSym(x, x, h.At(x, x)+ridge[x])
			g[x] -= ridge[x] * c[x]
		}
		var chol mat.Cholesky
		if !chol.Factorize(h) {
			break
		}
		var step mat.VecDense
		if err := chol.SolveVecTo(&step, mat.NewVecDense(k, g)); err != nil && !isCondition(err) {
			break
		}
		size := 0.0
		for x := range k {
			size = math.Max(size, math.Abs(step.AtVec(x)))
		}
		cut := math.Min(1, 0.25/math.Max(size, 1e-12))
		for x := range k {
			c[x] += cut * step.AtVec(x)
		}
		if size < 1e-4 {
			break
		}
	}
	rest = make([][3]float64, len(pic.lab))
	for p := range rest {
		if pr.Missing != nil && pr.Missing[p] {
			continue
		}
		z := pic.moved(p, c, nil)
		y := drift.LogsOf(pr.Lab[p])
		for b := range z {
			rest[p][b] = y[b] - pic.logs[p][b] - z[b]
		}
	}
	return c, info, rest
}

// leftover is what the changes of tints do not explain, patch by patch, as a function of the
// sliders: a Gaussian process alike for all patches.
type leftover struct {
	at     [][]float64 // moves of the prints, the origin first
	rest   [][][3]float64
	solver mat.Cholesky
	ok     bool
}

// Variances of the leftover in units of a patch's noise: constant, linear, square.
const (
	restConstant = 1.0
	restLinear   = 12.0
	restSquare   = 6.0
)

func restKernel(a, b []float64) float64 {
	d := 0.0
	for i := range a {
		d += a[i] * b[i]
	}
	return restConstant + restLinear*d + restSquare*d*d
}

func newLeftover(at [][]float64, rest [][][3]float64, weight []float64) *leftover {
	l := &leftover{at: at, rest: rest}
	m := len(at)
	g := mat.NewSymDense(m, nil)
	for i := range m {
		for j := i; j < m; j++ {
			g.SetSym(i, j, restKernel(at[i], at[j]))
		}
		g.SetSym(i, i, g.At(i, i)+1/weight[i])
	}
	l.ok = m > 1 && l.solver.Factorize(g)
	return l
}

// weights gives each print's share in the leftover at moves u.
func (l *leftover) weights(u []float64) []float64 {
	m := len(l.at)
	if !l.ok {
		return make([]float64, m)
	}
	k := mat.NewVecDense(m, nil)
	for i := range m {
		k.SetVec(i, restKernel(l.at[i], u))
	}
	var w mat.VecDense
	if err := l.solver.SolveVecTo(&w, k); err != nil && !isCondition(err) {
		return make([]float64, m)
	}
	out := make([]float64, m)
	for i := range out {
		out[i] = w.AtVec(i)
	}
	return out
}

// scene is everything needed to foretell a print.
type scene struct {
	*Task
	pic    *picture
	belief *belief
	rest   *leftover
	at     int       // the print that the picture is of
	origin []float64 // its settings, in units -1..1
	subset []int     // patches that the optimiser looks at
	base   [][3]float64
	c      []float64
	// caution is the share of the belief's doubt that the search minds, 0..1.
	caution float64
	taken   [][]float64 // settings of the prints
	// list are the other prints as seen, print and ridge the noise and the damping of their changes.
	list         []seen
	print, ridge []float64
}

// prepare fills in what of the logs does not hang on the change of tints: the leftover at u.
func (s *scene) prepare(u []float64, patches []int) {
	w := s.rest.weights(u)
	for _, p := range patches {
		z := s.pic.logs[p]
		for j, share := range w {
			if share == 0 {
				continue
			}
			r := &s.rest.rest[j][p]
			for b := range z {
				z[b] += share * r[b]
			}
		}
		s.base[p] = z
	}
}

// colour foretells patch p under a change of tints, after prepare.
func (s *scene) colour(p int, c []float64) colour.Lab {
	z := s.pic.moved(p, c, nil)
	for b := range z {
		z[b] += s.base[p][b]
	}
	return drift.LabOf(z)
}

// expect foretells the mean difference from the aim at moves u under each sample, over patches.
func (s *scene) expect(u []float64, patches []int, out *[draws]float64) (mean float64) {
	s.prepare(u, patches)
	for d := range draws {
		out[d] = s.difference(s.belief.samples[d], u, patches)
		mean += out[d] / draws
	}
	return mean
}

// aimed is what the search makes small: the difference under the mean belief, and a share of the
// expected one, which grows where little is known. Settings that were printed already are out.
func (s *scene) aimed(u []float64, patches []int, out *[draws]float64) float64 {
	if s.printed(u) {
		return math.Inf(1)
	}
	s.prepare(u, patches)
	v, n := 0.0, draws
	if s.caution < 1 {
		v = (1 - s.caution) * s.difference(s.belief.mean, u, patches)
		n = draws / 2 // a small share needs no more
	}
	for d := range n {
		v += s.caution / float64(n) * s.difference(s.belief.samples[d], u, patches)
	}
	return v
}

// printed tells whether moves u, which can be set, lead to settings of a print.
func (s *scene) printed(u []float64) bool {
	for _, v := range s.taken {
		same := true
		for i, sl := range s.Sliders {
			same = same && math.Abs(sl.value(s.origin[i]+u[i])-v[i]) < 1e-6*(sl.High-sl.Low)
		}
		if same {
			return true
		}
	}
	return false
}

// left is the mean size, in CIEDE2000, of what a change of tints leaves unexplained.
func (pic *picture) left(rest [][3]float64) float64 {
	sum := 0.0
	for p := range rest {
		s := labSlope(pic.logs[p])
		e := mul(&pic.metric[p], mul(&s, rest[p]))
		sum += math.Sqrt(e[0]*e[0] + e[1]*e[1] + e[2]*e[2])
	}
	return sum / float64(len(rest))
}

// difference foretells it under coefficients w. It needs prepare.
func (s *scene) difference(w [][]float64, u []float64, patches []int) float64 {
	s.belief.into(s.c, w, u)
	sum, all := 0.0, 0.0
	for _, p := range patches {
		k := s.weight(p)
		if k == 0 {
			continue
		}
		sum += k * colour.DE2000(s.colour(p, s.c), s.Aim[p])
		all += k
	}
	return sum / all
}
