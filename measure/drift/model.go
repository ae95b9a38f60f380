package drift

import (
	"fmt"
	"math"
	"slices"
	"sync"

	"swathkeeper/measure/colour"
)

// Model is a baseline prepared for fast judging. It may be used by several goroutines at once.
type Model struct {
	b      *Baseline
	places *layout
	fitter *fitter
	n, q   int
	mean   []colour.Lab
	known  []bool
	tied   []string   // channel -> Channel.Tied
	sig    signatures // without its columns and curves: they are read where the baseline has them
	inRows []inRows   // by channel
	unit   []float64
	limits []limit // one for each factor
	common *limit  // the mean strength of all inks; nil for one ink
	groups []groupTest
	alpha  float64
	white  []int // unprinted patches
	grey   []int
	solids [][]int // channel -> patches of its full tint alone
	house  []houseModel
	t2     *combination
	bare   *bareTest // nil when the baseline holds no unprinted patches
	// misfit limit on ln(misfit), and how its spread predicts
	misfitLimit, misfitScale, misfitDF float64
	pastMeanDE                         float64
	setsMu                             sync.Mutex
	sets                               map[patternKey]*patternSet
	pool                               sync.Pool
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

// Prepare makes the model of a baseline. It fails on a baseline that is damaged or of another
// version.
func (b *Baseline) Prepare() (*Model, error) {
	if b.Version != baselineVersion {
		return nil, fmt.Errorf("the baseline is of version %d, this program reads version %d: learn it again", b.Version, baselineVersion)
	}
	if err := b.Chart.validate(); err != nil {
		return nil, fmt.Errorf("the baseline's chart: %w", err)
	}
	m := &Model{b: b, places: newLayout(&b.Chart), n: len(b.Chart.IDs), q: len(b.Factors)}
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
	m.sig.columns, m.sig.curves = nil, nil // twice the size of what the baseline holds of them
	m.tied = b.tied()
	m.setLimits()
	m.setGroups()
	m.findPatches()
	m.setRows()
	m.setBare()
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
	columns, err := unpack(b.Signatures, 3*m.n)
	if err != nil {
		return fmt.Errorf("signatures: %w", err)
	}
	curves, err := unpack(b.Curves, 3*m.n)
	if err != nil {
		return fmt.Errorf("curves: %w", err)
	}
	if len(columns) != m.q || len(curves) != nc || len(b.Solids) != nc {
		return fmt.Errorf("%d signatures for %d factors, %d curves and %d solids for %d channels", len(columns), m.q, len(curves), len(b.Solids), nc)
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
	m.sig = signatures{factors: b.Factors, columns: columns, curves: curves, solids: make([]solid, nc)}
	for c, s := range b.Solids {
		m.sig.solids[c].lab = s
	}
	return nil
}

// columnAt is the change in Lab of patch p for one unit of factor j.
func (m *Model) columnAt(j, p int) [3]float64 { return tripleAt(m.b.Signatures, j*m.n+p) }

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
			g := m.columnAt(j, p)
			x, y, z := g[0], g[1], g[2]
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
		h.limit = fQuantile(1-h.share, 3, h.df) * heavyTail * heavyTail
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

func factorsOf(past []PastReading) [][]float64 {
	out := make([][]float64, len(past))
	for i, p := range past {
		out[i] = p.Factors
	}
	return out
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
	past := b.Past
	if index := indexOf(b.Factors, KindStrength); len(index) > 0 {
		odd := oddRows(columnsOf(factorsOf(past), index), b.unitsOf(index, &m.sig))
		if slices.Contains(odd, true) {
			past, days = nil, nil
			for i, p := range b.Past {
				if !odd[i] {
					past, days = append(past, p), append(days, p.Day)
				}
			}
		}
	}
	starts := dayStarts(days)
	c := &combination{share: shareT2 * m.alpha, m: len(starts) - 1, mean: make([]float64, p), cov: matrix(p, p)}
	if b.Grade != Full || c.m < p+4 {
		return
	}
	values := matrix(c.m, p)
	for g := range values {
		for _, past := range past[starts[g]:starts[g+1]] {
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
