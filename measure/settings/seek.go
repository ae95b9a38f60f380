package settings

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// bounds are how far slider i may be moved from the origin.
func (s *scene) bounds(i int) (low, high float64) { return -1 - s.origin[i], 1 - s.origin[i] }

// seek looks for the moves with the smallest expected difference: Levenberg and Marquardt on the
// mean belief from several starts, then a pattern search over values that can be set on the
// expectation. fixed[i] true leaves slider i at its start.
func (s *scene) seek(starts [][]float64, fixed []bool) (best []float64, value float64) {
	value = math.Inf(1)
	var out [draws]float64
	for _, start := range starts {
		u := s.descend(start, fixed)
		u = s.settle(u)
		v := s.aimed(u, s.subset, &out)
		if at := s.settle(start); !slices.Equal(at, u) {
			if w := s.aimed(at, s.subset, &out); w < v {
				u, v = at, w
			}
		}
		if best == nil || v < value {
			best, value = u, v
		}
	}
	return s.polish(best, value, fixed)
}

// settle rounds moves to values that can be set.
func (s *scene) settle(u []float64) []float64 {
	out := make([]float64, len(u))
	for i, sl := range s.Sliders {
		out[i] = sl.unit(sl.Nearest(sl.value(s.origin[i]+u[i]))) - s.origin[i]
	}
	return out
}

// step is slider i's smallest move.
func (s *scene) step(i int) float64 {
	sl := s.Sliders[i]
	if sl.Step == 0 {
		return 0.01
	}
	return 2 * sl.Step / (sl.High - sl.Low)
}

// polish is a pattern search: single sliders and pairs, by halving steps.
func (s *scene) polish(u []float64, value float64, fixed []bool) ([]float64, float64) {
	var out [draws]float64
	try := func(v []float64) bool {
		v = s.settle(v)
		if slices.Equal(v, u) {
			return false
		}
		if w := s.aimed(v, s.subset, &out); w < value-1e-6 {
			u, value = v, w
			return true
		}
		return false
	}
	n := len(u)
	for _, size := range []float64{0.16, 0.08, 0.04, 0.02, 0} {
		for range 3 {
			better := false
			for i := range n {
				if fixed != nil && fixed[i] {
					continue
				}
				h := math.Max(size, s.step(i))
				for _, sign := range []float64{1, -1} {
					v := slices.Clone(u)
					v[i] += sign * h
					better = try(v) || better
				}
			}
			if !better {
				break
			}
		}
		if size > 0.05 {
			continue
		}
		for i := range n {
			for j := range i {
				if fixed != nil && (fixed[i] || fixed[j]) {
					continue
				}
				for _, sign := range []float64{1, -1} {
					for _, both := range []float64{1, -1} {
						v := slices.Clone(u)
						v[i] += both * math.Max(size, s.step(i))
						v[j] += both * sign * math.Max(size, s.step(j))
						try(v)
					}
				}
			}
		}
	}
	return u, value
}

// descend minimises the mean difference under the mean belief: least squares reweighted by the
// patches' differences, since the sum of lengths is sought and not that of squares.
func (s *scene) descend(start []float64, fixed []bool) []float64 {
	n := len(start)
	u := slices.Clone(start)
	for i := range u {
		low, high := s.bounds(i)
		u[i] = min(high, max(low, u[i]))
	}
	at := func(u []float64) float64 {
		s.prepare(u, s.subset)
		return s.difference(s.belief.mean, u, s.subset)
	}
	value := at(u)
	damping := 1e-2
	c0 := make([]float64, s.pic.size())
	dc := make([][]float64, n)
	for range 25 {
		s.prepare(u, s.subset)
		s.belief.into(c0, s.belief.mean, u)
		const h = 1e-3
		for i := range n {
			v := slices.Clone(u)
			v[i] += h
			dc[i] = s.belief.at(s.belief.mean, v)
			for x := range dc[i] {
				dc[i][x] = (dc[i][x] - c0[x]) / h
			}
		}
		hess, g := s.normal(c0, dc)
		improved := false
		for range 6 {
			a := mat.NewSymDense(n, nil)
			for i := range n {
				for j := i; j < n; j++ {
					a.SetSym(i, j, hess[i][j])
				}
				a.SetSym(i, i, hess[i][i]*(1+damping)+1e-3*damping+1e-9)
			}
			var chol mat.Cholesky
			if !chol.Factorize(a) {
				damping = damping*10 + 1e-6
				continue
			}
			var d mat.VecDense
			if err := chol.SolveVecTo(&d, mat.NewVecDense(n, slices.Clone(g))); err != nil && !isCondition(err) {
				break
			}
			v := slices.Clone(u)
			for i := range v {
				if fixed != nil && fixed[i] {
					continue
				}
				low, high := s.bounds(i)
				v[i] = min(high, max(low, u[i]+d.AtVec(i)))
			}
			if w := at(v); w < value {
				improved = value-w > 1e-4
				u, value = v, w
				damping = math.Max(1e-6, damping/4)
				break
			}
			damping *= 6
		}
		if !improved {
			break
		}
	}
	return u
}

// normal gives the normal equations of the reweighted least squares at the change c0 with its
// derivatives dc. It needs prepare.
func (s *scene) normal(c0 []float64, dc [][]float64) (h [][]float64, g []float64) {
	n := len(dc)
	h = make([][]float64, n)
	for i := range h {
		h[i] = make([]float64, n)
	}
	g = make([]float64, n)
	each := s.pic.each()
	rows := make([][3]float64, n)
	for _, p := range s.subset {
		k := s.weight(p)
		if k == 0 {
			continue
		}
		var slope [16][3]float64
		z := s.pic.moved(p, c0, &slope)
		for b := range z {
			z[b] += s.base[p][b]
		}
		have := labOf(z)
		ls := labSlope(z)
		m := metricAt(s.Aim[p])
		e := mul(&m, [3]float64{s.Aim[p].L - have.L, s.Aim[p].A - have.A, s.Aim[p].B - have.B})
		w := k / math.Max(0.5, math.Sqrt(e[0]*e[0]+e[1]*e[1]+e[2]*e[2]))
		for i := range n {
			var dz [3]float64
			for ch, form := range s.pic.form[p] {
				d := 0.0
				for x, f := range form {
					d += f * dc[i][ch*each+x]
				}
				for b := range dz {
					dz[b] += slope[ch][b] * d
				}
			}
			rows[i] = mul(&m, mul(&ls, dz))
		}
		for i := range n {
			for b := range 3 {
				g[i] += w * rows[i][b] * e[b]
			}
			for j := i; j < n; j++ {
				h[i][j] += w * (rows[i][0]*rows[j][0] + rows[i][1]*rows[j][1] + rows[i][2]*rows[j][2])
			}
		}
	}
	return h, g
}

func mul(m *[3][3]float64, v [3]float64) (out [3]float64) {
	for i := range out {
		out[i] = m[i][0]*v[0] + m[i][1]*v[1] + m[i][2]*v[2]
	}
	return out
}
