package drift

import (
	"fmt"
	"math"
	"sync"

	"swathkeeper/measure/colour"
)

// Model is a baseline prepared for fast judging. It may be used by several goroutines at once.
type Model struct {
	b      *Baseline
	fitter *fitter
	n, q   int
	mean   []colour.Lab
	known  []bool
	cols   [][]float64 // signatures in Lab
	sig    signatures
	strong [][]float64 // channel -> whitened strength signature
	unit   []float64
	limits []limit // one for each factor
	common *limit  // the mean strength of all inks; nil for one ink
	groups []groupTest
	alpha  float64
	white  []int // unprinted patches
	grey   []int
	solids [][]int // channel -> patches of its full tint alone
	house  []houseModel
	rows   [][]int // row -> patches, rows[0] unused
	t2     *combination
	// misfit limit on ln(misfit), and how its spread predicts
	misfitLimit, misfitScale, misfitDF float64
	pastMeanDE                         float64
	setsMu                             sync.Mutex
	sets                               map[patternKey]*patternSet
	pool                               sync.Pool
}

// limit is how one factor is judged: by charts over the last one, two and three days and by the
// exponentially weighted mean.
type limit struct {
	raw       float64           // standard error of prediction of the whole value
	scale     float64           // and of what is watched of it
	slowScale float64           // of the weighted mean
	one       float64           // limit on a single reading
	step      [mostDays][]chart // by days, and by the good days before that are at hand
	slow      chart             // weighted mean
	p         *predictive
	column    int
	share     float64 // of the false alarms
}

// chart is a weighted sum of days, newest first, with its limit.
type chart struct {
	weights []float64
	limit   float64
	share   float64 // of the factor's false alarms
	wide    float64 // the limit over that of the predictive law
}

const (
	// mostDays is over how many days a step is looked for, mostHistory how many days before it help.
	mostDays    = 3
	mostHistory = 4
)

// How a factor's false alarms are divided among its charts. Steps that began one, two and three
// days ago are what finds a small change soonest (a moving window of likelihood ratios; Lai, J.
// R. Statist. Soc. B 57, 1995); the weighted mean sees slower ones. Most goes to three days: only
// there is a change of one and a half tolerances well beyond what printers do by themselves, and
// three days that agree are what heavy tails imitate least.
var (
	shareStep = [mostDays]float64{0.1, 0.1, 0.6}
	shareSlow = 0.2
)

// heavyTail widens the limit on a single reading. Real printers have bad days more often than
// the normal law allows (Student's t with 5 degrees of freedom is a fair picture), and against
// that only a second day helps: means of days need no such allowance, for every one of their
// days must show the change.
const heavyTail = 1.4

// newLimit prepares the charts of a column of a predictive law.
func newLimit(p *predictive, column int, share, lambda float64, history int) limit {
	l := limit{p: p, column: column, share: share}
	make := func(weights []float64, part, wide float64) chart {
		return chart{weights: weights, limit: wide * p.limit(column, weights, share*part), share: part, wide: wide}
	}
	for d := range l.step {
		wide := 1.0
		if d == 0 {
			wide = heavyTail
		}
		for h := range history + 1 {
			l.step[d] = append(l.step[d], make(p.jump(d+1, h), shareStep[d], wide))
		}
	}
	l.slow = make(ewmaWeights(lambda), shareSlow, 1)
	l.one = l.step[0][0].limit
	l.scale = p.scale(column, l.step[0][0].weights)
	l.slowScale = p.scale(column, l.slow.weights)
	return l
}

// ewmaWeights are those of an exponentially weighted mean that has run for long.
func ewmaWeights(lambda float64) []float64 {
	var w []float64
	for k := lambda; k > 1e-4 && len(w) < 60; k *= 1 - lambda {
		w = append(w, k)
	}
	return w
}

type houseModel struct {
	patch     int
	name      string
	tolerance float64
	root      [6]float64 // inverse root of the predictive covariance
	df        float64
	limit     float64 // on the mean square of the three whitened components
	share     float64
}

// groupTest is the test of all factors of a kind together: the mean square of their
// standardised values has the F distribution with the group's columns and the pooled degrees of
// freedom. On the exponentially weighted means it is a multivariate EWMA (Lowry, Woodall,
// Champ, Rigdon, Technometrics 34, 1992) with independent columns.
type groupTest struct {
	kind        string
	index       []int
	columns, df float64
	limit       float64 // on the mean square
	share       float64
}

// combination is Hotelling's T2 on what all inks share.
type combination struct {
	mean  []float64
	cov   [][]float64
	m     int
	limit float64
	share float64
}

// The shares of the reading's false-alarm budget. Strengths get most: they vary most from day
// to day and are what is to be found small.
const (
	shareStrength  = 0.42
	shareTone      = 0.08
	shareInk       = 0.12 // hue, cast and depth
	shareWhite     = 0.05
	shareLoad      = 0.03
	shareFlare     = 0.03
	shareStrengths = 0.03 // all together
	shareCommon    = 0.08 // their mean
	shareTones     = 0.05
	shareWhites    = 0.03
	shareT2        = 0.02
	shareMisfit    = 0.02
	shareHouse     = 0.02
)

// Prepare makes the model of a baseline. It fails on a baseline that is damaged or of another
// version.
func (b *Baseline) Prepare() (*Model, error) {
	if b.Version != baselineVersion {
		return nil, fmt.Errorf("the baseline is of version %d, this program reads version %d: learn it again", b.Version, baselineVersion)
	}
	if err := b.Chart.validate(); err != nil {
		return nil, fmt.Errorf("the baseline's chart: %w", err)
	}
	m := &Model{b: b, n: len(b.Chart.IDs), q: len(b.Factors)}
	if err := m.unpackSignatures(); err != nil {
		return nil, fmt.Errorf("the baseline is damaged: %w", err)
	}
	m.mean = make([]colour.Lab, m.n)
	for p, v := range b.Mean {
		m.mean[p] = colour.Lab{L: v[0], A: v[1], B: v[2]}
	}
	// A reading differs from the mean by its own noise and the mean's.
	noise := b.Noise
	for i := range noise {
		noise[i] *= 1 + 1/float64(max(1, b.Count))
	}
	m.fitter = m.sig.fitter(&b.Chart, noise, b.NoiseScale, m.known, b.Options.Tolerances)
	m.strong = matrix(len(b.Chart.Channels), 3*m.n)
	for c, j := range m.fitter.strength {
		if j >= 0 {
			for i := range m.strong[c] {
				m.strong[c][i] = m.fitter.a[i*m.q+j]
			}
		}
	}
	m.setLimits()
	m.setGroups()
	m.findPatches()
	m.setHouse()
	m.setCombination()
	for _, p := range b.Past {
		m.pastMeanDE += p.MeanDE / float64(len(b.Past))
	}
	m.sets = map[patternKey]*patternSet{}
	m.pool.New = func() any { return newWork(m.n, m.q) }
	return m, nil
}

func (m *Model) unpackSignatures() error {
	b := m.b
	nc := len(b.Chart.Channels)
	if len(b.Mean) != m.n || len(b.NoiseScale) != m.n || m.q == 0 || m.q > maxFactors {
		return fmt.Errorf("%d means, %d noise scales and %d factors for %d patches", len(b.Mean), len(b.NoiseScale), m.q, m.n)
	}
	var err error
	if m.cols, err = unpack(b.Signatures, 3*m.n); err != nil {
		return fmt.Errorf("signatures: %w", err)
	}
	curves, err := unpack(b.Curves, 3*m.n)
	if err != nil {
		return fmt.Errorf("curves: %w", err)
	}
	if len(m.cols) != m.q || len(curves) != nc || len(b.Solids) != nc {
		return fmt.Errorf("%d signatures for %d factors, %d curves and %d solids for %d channels", len(m.cols), m.q, len(curves), len(b.Solids), nc)
	}
	for _, f := range b.Factors {
		if f.Index < 0 || f.Index >= max(3, nc) || !(f.SD > 0) || !(f.DF > 0) || f.Leans != nil && len(f.Leans) != nc {
			return fmt.Errorf("factor %q has index %d, sd %g, df %g", f.Name, f.Index, f.SD, f.DF)
		}
	}
	if len(b.Past) != b.Count || b.Count == 0 {
		return fmt.Errorf("%d past readings of %d", len(b.Past), b.Count)
	}
	for i, past := range b.Past {
		if len(past.Factors) != m.q {
			return fmt.Errorf("past reading %d has %d factors of %d", i+1, len(past.Factors), m.q)
		}
	}
	if v := b.Noise; !(v[0] > 0) || !(v[3] > 0) || !(v[5] > 0) || math.IsNaN(inverseRoot(v)[5]) {
		return fmt.Errorf("the noise covariance %v is not one", v)
	}
	m.known = make([]bool, m.n)
	for p, s := range b.NoiseScale {
		m.known[p] = s > 0
	}
	m.sig = signatures{factors: b.Factors, columns: m.cols, curves: curves, solids: make([]solid, nc)}
	for c, s := range b.Solids {
		m.sig.solids[c].lab = s
	}
	return nil
}

// setLimits gives each factor its limits, from its share of the false alarms. The mean of the
// baseline is itself uncertain, which the predictive law carries (for the weighted mean: Jones,
// Champ, Rigdon, Technometrics 43, 2001).
func (m *Model) setLimits() {
	b, o := m.b, m.b.Options
	m.alpha = o.FalseAlarms
	if b.Grade == Provisional {
		m.alpha = o.FalseAlarmsProvisional
	}
	days, theta := make([]string, len(b.Past)), make([][]float64, len(b.Past))
	for i, past := range b.Past {
		days[i], theta[i] = past.Day, past.Factors
	}
	count := map[string]float64{}
	for _, f := range b.Factors {
		count[f.Kind]++
	}
	rho := b.persistences(theta, days)
	m.limits = make([]limit, m.q)
	m.unit = make([]float64, m.q)
	for _, kind := range factorKinds {
		index := indexOf(b.Factors, kind)
		if len(index) == 0 {
			continue
		}
		values := columnsOf(theta, index)
		raw := b.predictive(values, days, index, &m.sig, rho[kind])
		alone, history := raw, 0
		if kind == KindStrength {
			history = mostHistory
			if b.Shared > 0 {
				alone = b.predictive(aloneOf(values, b.Shared), days, index, &m.sig, rho[kind])
			}
			m.setCommon(values, days, index, rho[kind])
		}
		for c, j := range index {
			share := shareFlare
			switch f := b.Factors[j]; {
			case f.Kind == KindStrength:
				share = shareStrength / count[f.Kind]
			case f.Kind == KindTone:
				share = shareTone / count[f.Kind]
			case f.isInk():
				share = shareInk / (count[KindHue] + count[KindCast] + count[KindDepth])
			case f.Kind == KindWhite:
				share = shareWhite / count[f.Kind]
			case f.Kind == KindLoad:
				share = shareLoad
			}
			m.unit[j] = m.sig.unitOf(b.Factors[j], o.Tolerances)
			sd, _ := alone.sd(c)
			l := newLimit(alone, c, share*m.alpha*thrift(sd, m.unit[j]), o.Lambda, history)
			l.raw = raw.scale(c, []float64{1})
			m.limits[j] = l
		}
	}
	n := float64(b.Count)
	m.misfitDF = max(1, n-1)
	m.misfitScale = b.MisfitSD * math.Sqrt(1+1/max(1, n))
	m.misfitLimit = b.MisfitLn + m.misfitScale*studentQuantile(1-shareMisfit*m.alpha, m.misfitDF)
}

// thrift cuts the false alarms allowed of a factor whose ordinary spread leaves little room within
// its tolerance. Where it leaves room, few of the false alarms are beyond the tolerance as well and
// call for action; where it does not, all are, and heavy tails add to them, while changes of the
// size of a tolerance could not be found soon at any price.
func thrift(sd, tolerance float64) float64 {
	room := tolerance / (2.5 * sd)
	return min(1, math.Pow(room, 6))
}

// setCommon prepares the test of what all inks do together, which has a spread of its own: the
// press moves them all, and so does a preset.
func (m *Model) setCommon(values [][]float64, days []string, index []int, rho persistence) {
	if len(index) < 2 {
		return
	}
	mean := matrix(len(values), 1)
	for i, v := range values {
		mean[i][0] = othersMean(append([]float64{0}, v...), 0)
	}
	p := m.b.predictive(mean, days, index[:1], &m.sig, rho)
	sd, _ := p.sd(0)
	l := newLimit(p, 0, shareCommon*m.alpha*thrift(sd, m.b.Options.Tolerances.StrengthPercent), m.b.Options.Lambda, mostHistory)
	m.common = &l
}

// setGroups prepares the tests of whole kinds.
func (m *Model) setGroups() {
	for _, g := range m.b.Groups {
		t := groupTest{kind: g.Kind, columns: g.Columns, df: g.DF}
		switch g.Kind {
		case KindStrength:
			t.share = shareStrengths
		case KindTone:
			t.share = shareTones
		case KindWhite:
			t.share = shareWhites
		}
		t.share *= m.alpha
		for j, f := range m.b.Factors {
			if f.Kind == g.Kind {
				t.index = append(t.index, j)
			}
		}
		if len(t.index) < 2 || !(t.columns >= 1) || !(t.df > 0) {
			continue
		}
		// Half of the share goes to the single reading, half to the weighted means.
		t.limit = fQuantile(1-t.share/2, t.columns, t.df)
		m.groups = append(m.groups, t)
	}
}

// findPatches sorts out the patches that have a meaning of their own.
func (m *Model) findPatches() {
	tints := tintsOf(&m.b.Chart)
	nc := len(m.b.Chart.Channels)
	m.solids = make([][]int, nc)
	for p := range m.n {
		if !m.known[p] {
			continue
		}
		printed, full := 0, -1
		for c, t := range tints[p] {
			if t > 0 {
				printed++
				if t >= 0.98 {
					full = c
				}
			}
		}
		switch {
		case printed == 0:
			m.white = append(m.white, p)
		case math.Hypot(m.mean[p].A, m.mean[p].B) <= neutralLimit:
			m.grey = append(m.grey, p)
		}
		if printed == 1 && full >= 0 {
			m.solids[full] = append(m.solids[full], p)
		}
		if m.b.Chart.Row != nil && m.b.Chart.Row[p] > 0 && m.b.Chart.Row[p] < 10000 {
			r := m.b.Chart.Row[p]
			for len(m.rows) <= r {
				m.rows = append(m.rows, nil)
			}
			m.rows[r] = append(m.rows[r], p)
		}
	}
}

// neutralLimit is the chroma up to which a patch of the baseline counts as near-neutral.
const neutralLimit = 8

// setHouse prepares the test of each house colour by itself: what a future reading of that
// patch may differ by, from the factors' spread and the patch's own noise.
func (m *Model) setHouse() {
	b, t := m.b, m.b.Options.Tolerances
	if b.Chart.House == nil {
		return
	}
	df := math.Inf(1)
	for _, f := range b.Factors {
		if f.Kind == KindStrength {
			df = min(df, f.DF)
		}
	}
	for p, name := range b.Chart.House {
		if name == "" || !m.known[p] {
			continue
		}
		h := houseModel{patch: p, name: name, tolerance: t.HouseDE00, df: df}
		if v, ok := t.House[name]; ok {
			h.tolerance = v
		}
		var v [6]float64
		for i := range v {
			v[i] = b.Noise[i] * float64(b.NoiseScale[p]) * (1 + 1/float64(max(1, b.Count)))
		}
		for j, f := range b.Factors {
			x, y, z := m.cols[j][p*3], m.cols[j][p*3+1], m.cols[j][p*3+2]
			// What the factor itself varies by; the error of its fit is no variation of the patch.
			s := max(0, f.OwnSD*f.OwnSD-f.SE*f.SE) * (1 + 1/f.Effective)
			for i, k := range [6]float64{x * x, x * y, x * z, y * y, y * z, z * z} {
				v[i] += s * k
			}
		}
		steady(&v)
		h.root = inverseRoot(v)
		m.house = append(m.house, h)
	}
	for i := range m.house {
		h := &m.house[i]
		h.share = shareHouse * m.alpha / float64(len(m.house))
		h.limit = fQuantile(1-h.share, 3, h.df)
	}
}

// together are the mean strength, the mean tone and the load of a reading: the three ways in
// which all inks move as one.
func (m *Model) together(theta []float64) (x [3]float64) {
	var k [3]float64
	for j, f := range m.b.Factors {
		i := -1
		switch f.Kind {
		case KindStrength:
			i = 0
		case KindTone:
			i = 1
		case KindLoad:
			i = 2
		}
		if i >= 0 {
			x[i] += theta[j]
			k[i]++
		}
	}
	for i := range x {
		x[i] /= max(1, k[i])
	}
	return x
}

// setCombination prepares Hotelling's T2 on together. It needs enough readings to have any
// power; readings of one day enter as their mean.
func (m *Model) setCombination() {
	b := m.b
	const p = 3
	var days []string
	for _, past := range b.Past {
		if len(past.Factors) != m.q {
			return
		}
		days = append(days, past.Day)
	}
	starts := dayStarts(days)
	c := &combination{share: shareT2 * m.alpha, m: len(starts) - 1, mean: make([]float64, p), cov: matrix(p, p)}
	if b.Grade != Full || c.m < p+4 {
		return
	}
	values := matrix(c.m, p)
	for g := range values {
		for _, past := range b.Past[starts[g]:starts[g+1]] {
			for k, v := range m.together(past.Factors) {
				values[g][k] += v / float64(starts[g+1]-starts[g])
			}
		}
		for k := range c.mean {
			c.mean[k] += values[g][k] / float64(c.m)
		}
	}
	for _, v := range values {
		for i := range p {
			for j := range p {
				c.cov[i][j] += (v[i] - c.mean[i]) * (v[j] - c.mean[j]) / float64(c.m-1)
			}
		}
	}
	t := b.Options.Tolerances
	for k, unit := range [p]float64{t.StrengthPercent, t.TonePoints, t.LoadPercent} {
		floor := b.Options.FloorShare * unit
		c.cov[k][k] = max(c.cov[k][k], floor*floor/4)
	}
	c.limit = HotellingLimit(p, c.m, c.share)
	if _, err := Hotelling(c.mean, c.mean, c.cov); err != nil {
		return
	}
	m.t2 = c
}
