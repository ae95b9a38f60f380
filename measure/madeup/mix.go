package madeup

import "math"

// surface is the share of light that the goods reflect before it meets any dye.
const surface = 0.008

// A mixer turns ink amounts (in units of each ink's solid) into reflectance.
type mixer struct {
	model Mixing
	n     float64

	goods, ks spectrum               // the goods' reflectance and its K/S
	unit      [maxInks]*spectrum     // K/S of each solid
	depth     [maxInks]spectrum      // density of each solid, for Density
	inks      int                    // how many
	primaries [1 << maxInks]spectrum // to the power 1/n, for Neugebauer
	have      [1 << maxInks]bool
	primary   func(*[maxInks]float64) // what befalls the amounts of a primary
}

// prepare sets the goods and the absorptions for the patches that follow.
func (m *mixer) prepare(goods spectrum, units []*spectrum) {
	m.goods = goods
	m.inks = copy(m.unit[:], units)
	for b, r := range goods {
		m.ks[b] = (1 - r) * (1 - r) / (2 * r)
	}
	if m.model == Density {
		for i := range m.inks {
			top := 0.0
			for _, k := range m.unit[i] {
				top = math.Max(top, k)
			}
			// As deep at the peak as Kubelka-Munk makes the solid.
			const r0 = 0.85
			perKS := -math.Log(munk(top+(1-r0)*(1-r0)/(2*r0))/r0) / top
			for b, k := range m.unit[i] {
				m.depth[i][b] = k * perKS
			}
		}
	}
	m.forget()
}

// forget drops the primaries: what befalls them has changed.
func (m *mixer) forget() { clear(m.have[:]) }

// munk returns the reflectance of an opaque layer of K/S ks (P. Kubelka, F. Munk 1931).
func munk(ks float64) float64 { return 1 + ks - math.Sqrt(ks*(ks+2)) }

func (m *mixer) root(r float64) float64 {
	switch m.n {
	case 1:
		return r
	case 2:
		return math.Sqrt(r)
	}
	return math.Exp(math.Log(r) / m.n) // a third of the time of math.Pow
}

func (m *mixer) power(r float64) float64 {
	switch m.n {
	case 1:
		return r
	case 2:
		return r * r
	}
	return math.Exp(math.Log(r) * m.n)
}

// reflect fills out. amounts are what lies on the goods after the press; cover is the area
// that each ink covers, for the models with dots.
func (m *mixer) reflect(out *spectrum, amounts, cover *[maxInks]float64) {
	switch m.model {
	case KubelkaMunk:
		m.dissolved(out, amounts)
	case Density:
		*out = spectrum{}
		for i := range m.inks {
			if a := amounts[i]; a != 0 {
				for b := range out {
					out[b] += a * m.depth[i][b]
				}
			}
		}
		for b := range out {
			out[b] = m.goods[b] * math.Exp(-out[b])
		}
	case Neugebauer:
		m.dots(out, cover)
		for b := range out {
			out[b] = m.power(out[b])
		}
	case Blend:
		var d spectrum
		m.dots(&d, cover)
		m.dissolved(out, amounts)
		for b := range out {
			out[b] = m.power((d[b] + m.root(out[b])) / 2)
		}
	}
	for b := range out {
		out[b] = surface + (1-surface)*out[b]
	}
}

func (m *mixer) dissolved(out *spectrum, amounts *[maxInks]float64) {
	*out = m.ks
	for i := range m.inks {
		if a := amounts[i]; a != 0 {
			unit := m.unit[i]
			for b := range out {
				out[b] += a * unit[b]
			}
		}
	}
	for b := range out {
		out[b] = munk(out[b])
	}
}

// dots fills out with the sum over the primaries, still to the power 1/n. Coverages beyond 1
// extrapolate, so that an ink may be stronger than its solid.
func (m *mixer) dots(out *spectrum, cover *[maxInks]float64) {
	*out = spectrum{}
	used := 0
	for i := range m.inks {
		if cover[i] != 0 {
			used |= 1 << i
		}
	}
	// All subsets of the inks used, the empty one last (Demichel's equations).
	for set := used; ; set = (set - 1) & used {
		w := 1.0
		for i := range m.inks {
			if used&(1<<i) == 0 {
				continue
			}
			if set&(1<<i) != 0 {
				w *= cover[i]
			} else {
				w *= 1 - cover[i]
			}
		}
		p := m.dot(set)
		for b := range out {
			out[b] += w * p[b]
		}
		if set == 0 {
			break
		}
	}
	for b := range out {
		out[b] = math.Max(out[b], 0.05)
	}
}

func (m *mixer) dot(set int) *spectrum {
	p := &m.primaries[set]
	if m.have[set] {
		return p
	}
	var amounts [maxInks]float64
	for i := range m.inks {
		if set&(1<<i) != 0 {
			amounts[i] = 1
		}
	}
	m.primary(&amounts)
	m.dissolved(p, &amounts)
	for b := range p {
		p[b] = m.root(p[b])
	}
	m.have[set] = true
	return p
}
