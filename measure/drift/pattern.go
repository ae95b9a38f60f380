package drift

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"

	"swathkeeper/measure/colour"
)

// Names of patterns: the ways of change by which causes are known (the signatures of the
// separate causes are common practice; see the package's design notes in the doc comments).
const (
	PatternInkWeak    = "ink_weak"    // one channel's strength down
	PatternInkStrong  = "ink_strong"  // one channel's strength up
	PatternTwoInks    = "two_inks"    // two channels' strengths, each its own way, and no other's
	PatternInkColour  = "ink_colour"  // one channel's ink another colour: hue, lot, contamination
	PatternPressUnder = "press_under" // all inks down, unequally, more where more ink lies
	PatternPressOver  = "press_over"  // yellower white, dull darks, spreading
	PatternMedia      = "media"       // the white moves and everything with it
	PatternPreset     = "preset"      // all mid-tones move, solids less
	PatternFlare      = "flare"       // darks lifted, white as it was
	PatternScale      = "scale"       // everything lighter or darker by one factor, white included
	PatternMixed      = "mixed"       // every channel a little, each its own way
)

// A pattern says what readings look like under it: factors scattered about a direction, both in
// proportion to an unknown size. Its marginal likelihood is a mean over sizes, so that no size
// has to be guessed (Kass and Raftery, Bayes Factors, J. Amer. Statist. Assoc. 90, 1995). All
// patterns are compared in the space of the fitted factors, where a reading is a point with a
// known normal error; what no factor can express speaks for none of them.
type patternModel struct {
	name    string
	channel string
	index   int
	// basis turns factors into ones in which the law of every size has a tridiagonal covariance, I + size^2 T;
	// q*q. mean is the direction of size 1 there, nil when it is zero.
	basis, mean []float64
	sizes       []sizedPattern
}

// sizedPattern is the law of one size: the covariance factored as L D L', L with ones on the diagonal.
type sizedPattern struct {
	size    float64
	below   []float64 // what stands in L below each one; the first is 0
	inverse []float64 // of D
	ln      float64   // minus half the log determinant of the factors' own covariance
}

// patternSizes are the sizes tried, in units of the tolerances.
var patternSizes = []float64{0.6, 1.2, 2.4, 4.8, 9.6}

// patternSpec is a pattern for size 1, in units of the tolerances: the direction and the
// standard deviations about it. share, common to all strengths or tones, moves them together.
type patternSpec struct {
	name    string
	channel int
	mean    []float64 // direction by factor; nil for none
	sd      []float64 // independent sd by factor
	ways    [][]float64
	fitted  []float64 // one more way, as fitted factors; nil for none
	wrong   float64   // share of the change's square that the signatures get wrong
}

// patternSet holds every pattern that this chart can show, prepared for the mean of so many
// readings and for a size of the whole change.
type patternSet struct {
	ordinary patternModel
	patterns []patternModel
	// Two inks make many pairs, of which a reading asks for one: they are made when first needed.
	pairs map[[2]int]*patternModel
	laws  patternLaws
	size  float64
}

// patternKey says which set: sets are made when first needed, and there are few.
type patternKey struct {
	mean  bool // of three readings or more
	level int  // of the change's mean square, in powers of two
}

// topLevel is a mean square of a thousand times the noise.
const topLevel = 10

// patternsFor returns the set for a change of the given mean square (in units of noise).
func (m *Model) patternsFor(mean bool, square float64) *patternSet {
	key := patternKey{mean: mean, level: -1}
	if square > 0.35 {
		key.level = min(topLevel, int(math.Round(math.Log2(square))))
	}
	m.setsMu.Lock()
	defer m.setsMu.Unlock()
	if set, ok := m.sets[key]; ok {
		return set
	}
	readings, size := 1.0, 0.0
	if mean {
		readings = 3
	}
	if key.level >= 0 {
		size = math.Pow(2, float64(key.level))
	}
	set := &patternSet{pairs: map[[2]int]*patternModel{}, size: size}
	fit, background := m.background(readings)
	set.laws = patternLaws{m: m, fit: fit, background: background, roots: map[float64][]float64{}}
	set.ordinary = set.laws.model(patternSpec{channel: -1}, []float64{0}, 0)
	for _, spec := range m.specs() {
		set.patterns = append(set.patterns, set.laws.model(spec, patternSizes, size*spec.wrong))
	}
	// One alarm lasts for many readings of about one size; more sets are not worth their memory (about
	// 0.3 MB each for six inks).
	if len(m.sets) >= mostSets {
		clear(m.sets)
	}
	m.sets[key] = set
	return set
}

// mostSets is how many sets are kept.
const mostSets = 4

// pairFor returns the pattern of two channels whose strengths changed, each its own way.
func (m *Model) pairFor(set *patternSet, a, b int) *patternModel {
	m.setsMu.Lock()
	defer m.setsMu.Unlock()
	key := [2]int{a, b}
	if p, ok := set.pairs[key]; ok {
		return p
	}
	tone, ink, others, _ := ownParts(m.b.Chart.Driven)
	spec := patternSpec{name: PatternTwoInks, channel: a, sd: m.beside(others), wrong: wrongStrength}
	for j, f := range m.b.Factors {
		switch {
		case f.Channel == "" || f.Index != a && f.Index != b:
		case f.Kind == KindStrength:
			spec.sd[j] = 1
		case f.Kind == KindTone:
			spec.sd[j] = tone
		default:
			spec.sd[j] = ink
		}
	}
	p := set.laws.model(spec, patternSizes, set.size*spec.wrong)
	set.pairs[key] = &p
	return &p
}

// twoInks is the pattern of the two channels whose strengths changed most; ok is false where there are no
// others that could have changed with them.
func (m *Model) twoInks(r *Result, set *patternSet, theta, y []float64) (out Pattern, ok bool) {
	a, b, n := -1, -1, 0
	alone := m.alone(theta) // what the press moves together is no fault of the inks
	for c, j := range m.fitter.strength {
		if j < 0 {
			continue
		}
		n++
		switch size := func(c int) float64 { return math.Abs(alone[m.fitter.strength[c]]) }; {
		case a < 0 || size(c) > size(a):
			a, b = c, a
		case b < 0 || size(c) > size(b):
			b = c
		}
	}
	if n < 3 || m.gone(r, m.b.Chart.Channels[a]) {
		return out, false
	}
	p := m.pairFor(set, min(a, b), max(a, b))
	return Pattern{Name: PatternTwoInks, Channel: m.b.Chart.Channels[a], Also: m.b.Chart.Channels[b], Size: theta[m.fitter.strength[a]],
		LogLikelihood: p.logLikelihood(theta, y)}, true
}

// background is the covariance of an ordinary reading's factors: their spread from reading to
// reading, and the error of the fit (which is correlated, and is returned by itself too), for
// the mean of so many readings.
func (m *Model) background(readings float64) (fit, all []float64) {
	q := m.q
	l, cov := make([]float64, q*q), make([]float64, q*q)
	if cholesky(m.fitter.normal, l, q) {
		invert(l, cov, q)
	}
	fit = slices.Clone(cov)
	for i := range cov {
		cov[i] /= readings
	}
	spread := make([]float64, q)
	for j, f := range m.b.Factors {
		v := f.SD*f.SD - f.SE*f.SE
		if floor := m.b.Options.FloorShare * m.unit[j]; v < floor*floor/4 {
			v = floor * floor / 4
		}
		spread[j] = v * (1/readings + 1/f.Effective)
		cov[j*q+j] += spread[j]
	}
	// The press moves all inks together from day to day, as far as the baseline's days did.
	common := m.commonStrength()
	for i, f := range m.b.Factors {
		for j, g := range m.b.Factors {
			if i != j && f.Kind == KindStrength && g.Kind == KindStrength {
				cov[i*q+j] += common * math.Sqrt(spread[i]*spread[j])
			}
		}
	}
	return fit, cov
}

// commonStrength is the correlation of two channels' strengths from reading to reading that goes with the share
// of the others' mean that one channel usually shares: with a common part of variance c and own parts of
// variance v each, the share that foretells one of n from the mean of the others best is c/(c + v/(n-1)).
func (m *Model) commonStrength() float64 {
	n := 0.0
	for _, f := range m.b.Factors {
		if f.Kind == KindStrength {
			n++
		}
	}
	s := m.b.Shared
	if n < 2 || s <= 0 {
		return 0
	}
	return s / (s + (n-1)*(1-s))
}

// Shares of a change's square that the signatures get wrong, on made-up printers of several
// physics: strengths 0.5 to 2 %, what all inks share a little more, ink colours seen in L*, a*,
// b* alone up to 10 %.
const (
	wrongStrength = 0.015
	wrongShared   = 0.03
	wrongColour   = 0.06
)

// raw turns amounts of the unseparated factors, in tolerances, into fitted factors v:
// what of them looks like strength is fitted as strength. Of an ink's colour only what looks like
// the other channels' strength counts, and only where it is what the pattern is about: its own
// strength is left open there.
func (m *Model) raw(amount, v []float64) {
	clear(v)
	for j, k := range amount {
		if k == 0 {
			continue
		}
		x := k * m.unit[j]
		v[j] += x
		f := &m.b.Factors[j]
		if f.isInk() && k < mainPart {
			continue
		}
		for c, lean := range f.Leans {
			if s := m.fitter.strength[c]; s >= 0 && !(f.isInk() && c == f.Index) {
				v[s] += x * lean
			}
		}
	}
}

// mainPart is the standard deviation from which a factor is what a pattern is about.
const mainPart = 0.5

// specs lists the patterns. The numbers say how unequal real causes are; they were set on
// made-up printers of several physics and are deliberately loose.
func (m *Model) specs() []patternSpec {
	of := map[string][]int{}
	for j, f := range m.b.Factors {
		of[f.Kind] = append(of[f.Kind], j)
	}
	at := func(kind string, c int) int {
		for _, j := range of[kind] {
			if m.b.Factors[j].Index == c {
				return j
			}
		}
		return -1
	}
	all := func(kind string, k float64, into []float64) []float64 {
		for _, j := range of[kind] {
			into[j] = k
		}
		return into
	}
	// Whatever happens, every factor moves a little that no pattern foresees.
	slop := func(k float64) []float64 { return slices.Repeat([]float64{k}, m.q) }
	none := func() []float64 { return make([]float64, m.q) }
	only := func(j int, k float64) []float64 {
		v := none()
		v[j] = k
		return v
	}
	var specs []patternSpec
	for c := range m.b.Chart.Channels {
		s := at(KindStrength, c)
		if s < 0 {
			continue
		}
		own := func(strength, tone, ink float64, others map[string]float64) []float64 {
			sd := m.beside(others)
			sd[s] = strength
			if j := at(KindTone, c); j >= 0 {
				sd[j] = tone
			}
			for _, kind := range inkKinds {
				if j := at(kind, c); j >= 0 {
					sd[j] = ink
				}
			}
			return sd
		}
		tone, hue, others, colours := ownParts(m.b.Chart.Driven)
		specs = append(specs,
			patternSpec{name: PatternInkWeak, channel: c, mean: only(s, -1), sd: own(0.3, tone, hue, others), wrong: wrongStrength},
			patternSpec{name: PatternInkStrong, channel: c, mean: only(s, 1), sd: own(0.3, tone, hue, others), wrong: wrongStrength})
		if at(KindHue, c) >= 0 || at(KindCast, c) >= 0 {
			specs = append(specs, patternSpec{name: PatternInkColour, channel: c, sd: own(2, 0.6, 1, colours), wrong: wrongColour})
		}
	}
	if len(of[KindStrength]) > 1 {
		common := all(KindStrength, 0.3, none())
		under := all(KindLoad, 0.5, all(KindFlare, 0.6, all(KindStrength, 0.25, all(KindTone, 0.1, slop(0.03)))))
		specs = append(specs, patternSpec{name: PatternPressUnder, channel: -1, wrong: wrongShared,
			mean: all(KindLoad, -0.7, all(KindStrength, -1, none())), sd: under,
			ways: [][]float64{common, all(KindTone, 0.25, none())}})
	}
	if len(of[KindTone]) > 1 {
		for _, sign := range []float64{-1, 1} {
			specs = append(specs, patternSpec{name: PatternPreset, channel: -1, wrong: wrongShared,
				mean: all(KindTone, sign, none()),
				sd:   all(KindStrength, 0.15, all(KindTone, 0.2, slop(0.03))),
				ways: [][]float64{all(KindTone, 0.25, none()), all(KindStrength, 0.4, none())}})
		}
	}
	if w := of[KindWhite]; len(w) == 3 {
		media := slop(0.04)
		for _, j := range w {
			media[j] = 1
		}
		// Other goods may also take more or less of every ink.
		specs = append(specs, patternSpec{name: PatternMedia, channel: -1, sd: all(KindStrength, 0.12, all(KindTone, 0.1, all(KindLoad, 0.2, all(KindDepth, 0.2, media)))), wrong: wrongShared,
			ways: [][]float64{all(KindStrength, 0.6, none()), all(KindTone, 0.15, none())}})
		if b := at(KindWhite, 2); b >= 0 && len(of[KindStrength]) > 1 {
			over := all(KindStrength, 0.25, all(KindLoad, 0.8, all(KindFlare, 0.5, all(KindTone, 0.15, all(KindDepth, 0.2, slop(0.05))))))
			over[b] = 0.3
			if l := at(KindWhite, 0); l >= 0 {
				over[l] = 0.3
			}
			specs = append(specs, patternSpec{name: PatternPressOver, channel: -1, wrong: wrongShared,
				// Past the point where all dye has gone over, heat drives it off again.
				mean: all(KindStrength, -0.8, all(KindLoad, -1, only(b, 1))), sd: over,
				ways: [][]float64{all(KindStrength, 0.45, none()), all(KindTone, 0.5, none())}})
		}
		specs = append(specs, patternSpec{name: PatternScale, channel: -1, sd: slop(0.03), fitted: m.scaled(), wrong: wrongShared})
	}
	if f := of[KindFlare]; len(f) == 1 {
		sd := slop(0.04)
		sd[f[0]] = 0.4
		specs = append(specs, patternSpec{name: PatternFlare, channel: -1, mean: only(f[0], 1), sd: sd, wrong: wrongShared})
	}
	return append(specs, patternSpec{name: PatternMixed, channel: -1, wrong: wrongShared, sd: m.beside(mixedShape)})
}

// scaled is what the factors make of a lamp or a calibration that is off by one factor: every patch
// reflects as much more, dark ones in proportion too, which other goods do not do where dye and
// fibre absorb in one layer. It is as large as moves the white by one tolerance.
func (m *Model) scaled() []float64 {
	q := m.q
	theta, l := make([]float64, q), make([]float64, q*q)
	var d [3]float64
	for p, c := range m.mean {
		if !m.known[p] {
			continue
		}
		more := c.XYZ(colour.D50)
		more.X, more.Y, more.Z = more.X*1.01, more.Y*1.01, more.Z*1.01
		to := more.Lab(colour.D50)
		m.fitter.whiten(p, []float64{to.L - c.L, to.A - c.A, to.B - c.B}, d[:], 1)
		for i, v := range d {
			floats.AddScaled(theta, v, m.fitter.a[(p*3+i)*q:(p*3+i+1)*q])
		}
	}
	if !cholesky(m.fitter.normal, l, q) {
		return make([]float64, q)
	}
	backsolve(l, theta, q)
	u := m.b.Paper
	paper := colour.Lab{L: u[0], A: u[1], B: u[2]}
	x := paper.XYZ(colour.D50)
	x.X, x.Y, x.Z = x.X*1.01, x.Y*1.01, x.Z*1.01
	floats.Scale(m.b.Options.Tolerances.WhiteDE00/max(0.01, x.Lab(colour.D50).L-paper.L), theta)
	return theta
}

// explain ranks the patterns by how well they account for the reading, or, once three readings
// in a row agree, for their mean: what is small but stays then stands out from what is not there.
func (m *Model) explain(r *Result, w *work, agreeing []float64) {
	theta := w.theta
	if r.Agreeing >= 3 {
		theta = agreeing
	}
	var total, used float64
	for p := range m.n {
		if k := w.weight[p]; k > 0 {
			total += k * (w.d[p*3]*w.d[p*3] + w.d[p*3+1]*w.d[p*3+1] + w.d[p*3+2]*w.d[p*3+2])
			used += 3 * k
		}
	}
	set := m.patternsFor(r.Agreeing >= 3, total/used-1)
	var y [maxFactors]float64
	ordinary := set.ordinary.logLikelihood(theta, y[:m.q])
	r.Patterns = make([]Pattern, 0, len(set.patterns))
	for i := range set.patterns {
		p := &set.patterns[i]
		if p.name == PatternInkColour && m.gone(r, p.channel) {
			continue // what is not there has no colour
		}
		out := Pattern{Name: p.name, Channel: p.channel, LogLikelihood: p.logLikelihood(theta, y[:m.q]) - ordinary}
		if k := len(r.Patterns) - 1; k >= 0 && r.Patterns[k].Name == out.Name && r.Patterns[k].Channel == out.Channel {
			// The two signs of one pattern.
			r.Patterns[k].LogLikelihood = max(r.Patterns[k].LogLikelihood, out.LogLikelihood)
			continue
		}
		out.Size = m.sizeOf(p, theta)
		r.Patterns = append(r.Patterns, out)
	}
	if p, ok := m.twoInks(r, set, theta, y[:m.q]); ok {
		p.LogLikelihood -= ordinary
		r.Patterns = append(r.Patterns, p)
	}
	m.goneFirst(r)
	slices.SortStableFunc(r.Patterns, func(a, b Pattern) int {
		switch {
		case a.LogLikelihood > b.LogLikelihood:
			return -1
		case a.LogLikelihood < b.LogLikelihood:
			return 1
		}
		return 0
	})
}

// goneFirst puts inks that hardly print before every other pattern. What an ink leaves behind that is
// not there lies far beyond small changes, on which the patterns' laws rest: whatever law is widest
// would win, and the plainest fault of all be told as the least known.
func (m *Model) goneFirst(r *Result) {
	best := 0.0
	for _, p := range r.Patterns {
		best = max(best, p.LogLikelihood)
	}
	for i := range r.Patterns {
		if p := &r.Patterns[i]; p.Name == PatternInkWeak && m.gone(r, p.Channel) {
			p.LogLikelihood = best + goneAhead
		}
	}
}

// goneAhead is by how much, in log likelihood, they are ahead.
const goneAhead = 20

// sizeOf is the amount of change in the pattern's own unit.
func (m *Model) sizeOf(p *patternModel, theta []float64) float64 {
	var sum, k float64
	add := func(kind string, index int) {
		for j, f := range m.b.Factors {
			if f.Kind == kind && (index < 0 || f.Index == index) {
				sum += theta[j]
				k++
			}
		}
	}
	switch p.name {
	case PatternInkWeak, PatternInkStrong:
		add(KindStrength, p.index)
	case PatternInkColour:
		var sq float64
		for j, f := range m.b.Factors {
			if f.isInk() && f.Index == p.index {
				sq += theta[j] * theta[j]
			}
		}
		return math.Sqrt(sq)
	case PatternPressUnder, PatternMixed:
		add(KindStrength, -1)
	case PatternPreset:
		add(KindTone, -1)
	case PatternMedia:
		var sq float64
		for j, f := range m.b.Factors {
			if f.Kind == KindWhite {
				sq += theta[j] * theta[j]
			}
		}
		return math.Sqrt(sq)
	case PatternPressOver:
		add(KindWhite, 2)
	case PatternScale:
		add(KindWhite, 0)
	case PatternFlare:
		add(KindFlare, 0)
	}
	return sum / max(1, k)
}
