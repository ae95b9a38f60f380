package drift

import (
	"fmt"
	"math"
	"slices"
)

// separate takes out of the signatures of tone, ink colour, load and flare what looks like
// strength of any channel, in the metric of the given noise, so that strength is the
// best-fitting change of the tints and the others are what is left after it. It also keeps a
// change of strength from leaking into the others where signatures are a little wrong. Paper
// white stays as it is: it shows on bare patches, where no strength does.
func (s *signatures) separate(noise [6]float64, scale []float32) {
	nc := len(s.curves)
	strength := s.strengthIndex(nc)
	if s.whole == nil {
		s.whole = make(map[string][]float64, len(s.factors))
		for j, f := range s.factors {
			s.whole[f.Name] = s.columns[j]
		}
	}
	white := make([][]float64, nc)
	for c, j := range strength {
		if j >= 0 {
			white[c] = whitened(s.columns[j], noise, scale)
		}
	}
	for j := range s.factors {
		f := &s.factors[j]
		if f.Kind == KindStrength || f.Kind == KindWhite {
			continue
		}
		var on []int
		for c := range nc {
			if white[c] != nil && square(white[c]) > 0 {
				on = append(on, c)
			}
		}
		if len(on) == 0 {
			continue
		}
		column := whitened(s.whole[f.Name], noise, scale)
		q := len(on)
		m, l, rhs := make([]float64, q*q), make([]float64, q*q), make([]float64, q)
		for a, ca := range on {
			for b, cb := range on {
				m[a*q+b] = inner(white[ca], white[cb])
			}
			m[a*q+a] *= 1 + 1e-9
			rhs[a] = inner(white[ca], column)
		}
		if !cholesky(m, l, q) {
			continue
		}
		backsolve(l, rhs, q)
		f.Leans = make([]float64, nc)
		s.columns[j] = slices.Clone(s.whole[f.Name])
		for a, c := range on {
			f.Leans[c] = rhs[a]
			for k := range s.columns[j] {
				s.columns[j][k] -= rhs[a] * s.columns[strength[c]][k]
			}
		}
	}
}

// whitened divides a column by the root of the noise, patch by patch; unknown patches are zero.
func whitened(column []float64, noise [6]float64, scale []float32) []float64 {
	r := inverseRoot(noise)
	out := make([]float64, len(column))
	for p, k := range scale {
		if k <= 0 {
			continue
		}
		w := 1 / math.Sqrt(float64(k))
		x, y, z := column[p*3], column[p*3+1], column[p*3+2]
		out[p*3] = w * r[0] * x
		out[p*3+1] = w * (r[1]*x + r[2]*y)
		out[p*3+2] = w * (r[3]*x + r[4]*y + r[5]*z)
	}
	return out
}

// strengthIndex gives the factor of each channel's strength, -1 when it was dropped.
func (s *signatures) strengthIndex(nc int) []int { return strengthIndex(s.factors, nc) }

func strengthIndex(factors []Factor, nc int) []int {
	// Strengths and tones come in channel order; a dropped one leaves its channel without.
	index := make([]int, nc)
	for c := range index {
		index[c] = -1
	}
	for j, f := range factors {
		if f.Kind == KindStrength && f.Index >= 0 && f.Index < nc {
			index[f.Index] = j
		}
	}
	return index
}

// unitOf is the size of a factor that matters: its tolerance, in the factor's own unit.
func (s *signatures) unitOf(f Factor, t Tolerances) float64 {
	switch f.Kind {
	case KindStrength:
		return t.StrengthPercent
	case KindTone:
		return t.TonePoints
	case KindHue, KindCast, KindDepth:
		return inkColourTolerance(s.solids[f.Index].lab, t)
	case KindWhite:
		return t.WhiteDE00
	case KindLoad:
		return t.LoadPercent
	default:
		return flareTolerance
	}
}

// flareTolerance, in percent of white, is what calls for another look at the instrument: about
// one L* at a black of L* 20.
const flareTolerance = 0.3

// inkColourTolerance turns the tolerance of a solid's hue angle into Lab units at that solid;
// for a neutral one it is the tolerance of greys.
func inkColourTolerance(lab [3]float64, t Tolerances) float64 {
	c := math.Hypot(lab[1], lab[2])
	if c < neutralChroma {
		return t.GreyDE00
	}
	return max(t.GreyDE00, c*t.HueDeg*math.Pi/180)
}

// dropOrder says which factors give way first when a chart cannot tell two apart.
var dropOrder = map[string]int{KindFlare: 0, KindCast: 2, KindLoad: 3, KindHue: 4, KindTone: 5, KindWhite: 6, KindStrength: 7}

// prune drops the factors that this chart cannot tell, at the assumed patch noise, to better
// than their tolerance, and names them.
func (s *signatures) prune(t Tolerances, known []bool) (blind []string) {
	nc := len(s.curves)
	scale := make([]float32, len(known))
	for p, k := range known {
		if k {
			scale[p] = 1
		}
	}
	for {
		q := len(s.factors)
		f := newFitter(s.columns, s.curves, s.strengthIndex(nc), assumedNoise, scale, known, s.ridge(t))
		l, cov := make([]float64, q*q), make([]float64, q*q)
		if !cholesky(f.normal, l, q) {
			return append(blind, "the signatures are degenerate")
		}
		invert(l, cov, q)
		// Among those that cannot be told, the one that gives way first goes.
		drop, worst := -1, 0.0
		for j, fac := range s.factors {
			se := math.Sqrt(cov[j*q+j]) / s.unitOf(fac, t)
			if se <= 1 {
				continue
			}
			if drop < 0 || dropOrder[fac.Kind] < dropOrder[s.factors[drop].Kind] ||
				dropOrder[fac.Kind] == dropOrder[s.factors[drop].Kind] && se > worst {
				drop, worst = j, se
			}
		}
		if drop < 0 {
			return blind
		}
		blind = append(blind, s.whyBlind(drop, f, cov, t))
		s.factors = slices.Delete(s.factors, drop, drop+1)
		s.columns = slices.Delete(s.columns, drop, drop+1)
		s.dropped++
	}
}

// whyBlind names a dropped factor: not on the chart at all, or not to be told from another.
func (s *signatures) whyBlind(j int, f *fitter, cov []float64, t Tolerances) string {
	q := f.q
	name := s.factors[j].describe()
	if alone := f.normal[j*q+j] - f.ridge[j]; alone*s.unitOf(s.factors[j], t)*s.unitOf(s.factors[j], t) < 1 {
		return name + " does not show on this chart"
	}
	best, other := 0.0, -1
	for k := range q {
		if k == j {
			continue
		}
		if r := math.Abs(cov[j*q+k]) / math.Sqrt(cov[j*q+j]*cov[k*q+k]); r > best {
			best, other = r, k
		}
	}
	if other < 0 {
		return name + " cannot be told on this chart"
	}
	return cannotTell(name, s.factors[other].describe())
}

func cannotTell(a, b string) string {
	return fmt.Sprintf("%s cannot be told from %s on this chart", a, b)
}

// tied says for each channel which other one this chart prints so much alike that their strengths cannot be
// told apart; "" for none.
func (b *Baseline) tied() []string {
	strength := func(channel string) string {
		return Factor{Kind: KindStrength, Channel: channel}.describe()
	}
	out := make([]string, len(b.Chart.Channels))
	for i, x := range b.Chart.Channels {
		for j, y := range b.Chart.Channels {
			if i != j && slices.Contains(b.Blind, cannotTell(strength(x), strength(y))) {
				out[i], out[j] = y, x
			}
		}
	}
	return out
}

// describe names a factor in words.
func (f Factor) describe() string {
	switch f.Kind {
	case KindStrength:
		return "the strength of " + f.Channel
	case KindTone:
		return "the mid-tone of " + f.Channel
	case KindHue:
		return "the ink hue of " + f.Channel
	case KindCast, KindDepth:
		return "the ink colour of " + f.Channel
	case KindWhite:
		return "the paper's " + f.Channel + "*"
	case KindLoad:
		return "loss with ink load"
	default:
		return "stray light"
	}
}

// ridge holds every factor by a very wide prior, so that the equations always have a solution.
func (s *signatures) ridge(t Tolerances) []float64 {
	r := make([]float64, len(s.factors))
	for j, f := range s.factors {
		wide := 15 * s.unitOf(f, t)
		r[j] = 1 / (wide * wide)
	}
	return r
}

// fitter whitens the signatures by a noise.
func (s *signatures) fitter(c *Chart, noise [6]float64, scale []float32, known []bool, t Tolerances) *fitter {
	f := newFitter(s.columns, s.curves, s.strengthIndex(len(c.Channels)), noise, scale, known, s.ridge(t))
	f.bare = bareOf(c)
	return f
}

// inner is the inner product. Four sums run side by side: one would wait for each addition in turn.
func inner(a, b []float64) float64 {
	var s, t, u, v float64
	b = b[:len(a)]
	i := 0
	for ; i+3 < len(a); i += 4 {
		s += a[i] * b[i]
		t += a[i+1] * b[i+1]
		u += a[i+2] * b[i+2]
		v += a[i+3] * b[i+3]
	}
	for ; i < len(a); i++ {
		s += a[i] * b[i]
	}
	return (s + t) + (u + v)
}

func square(a []float64) float64 { return inner(a, a) }
