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
	watch  []Factor // factors, then commons
	unit   []float64
	limits []limit // one for each watched factor
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
	patterns                           []patternModel
	pool                               sync.Pool
}

// limit is how one watched factor is judged.
type limit struct {
	scale  float64 // standard error of prediction of one reading
	scaleE float64 // of the exponentially weighted mean
	single float64 // limit on one reading
	slow   float64 // limit on the exponentially weighted mean
	df     float64
	share  float64 // of the false alarms
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

// combination is the T2 test on what all inks share.
type combination struct {
	index []int // into watch
	mean  []float64
	cov   [][]float64
	m     int
	limit float64
	share float64
}

// The shares of the reading's false-alarm budget. Strengths get most: they vary most from day
// to day and are what is to be found small.
const (
	shareStrength = 0.52
	shareTone     = 0.12
	shareInk      = 0.12 // hue and cast
	shareWhite    = 0.07
	shareLoad     = 0.04
	shareFlare    = 0.03
	shareCommon   = 0.04
	shareT2       = 0.02
	shareMisfit   = 0.02
	shareHouse    = 0.02
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
	m.watch = append(append([]Factor(nil), b.Factors...), b.Commons...)
	m.setLimits()
	m.findPatches()
	m.setHouse()
	m.setCombination()
	for _, p := range b.Past {
		m.pastMeanDE += p.MeanDE / float64(len(b.Past))
	}
	m.setPatterns()
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

// setLimits gives each watched factor its limit: Student's t for a future reading, with the
// factor's share of the false alarms halved between the single reading and the exponentially
// weighted mean. The mean of the baseline is itself uncertain, which the factor 1/Effective
// carries (for the weighted mean: Jones, Champ, Rigdon, Technometrics 43, 2001).
func (m *Model) setLimits() {
	b, o := m.b, m.b.Options
	m.alpha = o.FalseAlarms
	if b.Grade == Provisional {
		m.alpha = o.FalseAlarmsProvisional
	}
	count := map[string]float64{}
	for _, f := range b.Factors {
		count[f.Kind]++
	}
	m.limits = make([]limit, len(m.watch))
	m.unit = make([]float64, len(m.watch))
	for j, f := range m.watch {
		share := 0.0
		switch {
		case j >= m.q:
			share = shareCommon / float64(len(b.Commons))
			m.unit[j] = o.Tolerances.StrengthPercent
			if f.Kind == KindTone {
				m.unit[j] = o.Tolerances.TonePoints
			}
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
		default:
			share = shareFlare
		}
		if j < m.q {
			m.unit[j] = m.sig.unitOf(f, o.Tolerances)
		}
		l := &m.limits[j]
		l.share, l.df = share*m.alpha, f.DF
		l.scale = f.SD * math.Sqrt(1+1/f.Effective)
		l.scaleE = f.SD * math.Sqrt(o.Lambda/(2-o.Lambda)+1/f.Effective)
		t := studentQuantile(1-l.share/4, f.DF)
		l.single, l.slow = t*l.scale, t*l.scaleE
	}
	n := float64(b.Count)
	m.misfitDF = max(1, n-1)
	m.misfitScale = b.MisfitSD * math.Sqrt(1+1/max(1, n))
	m.misfitLimit = b.MisfitLn + m.misfitScale*studentQuantile(1-shareMisfit*m.alpha, m.misfitDF)
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
			s := m.limits[j].scale * m.limits[j].scale
			if f.Kind == KindFlare || f.Kind == KindLoad {
				s = min(s, m.unit[j]*m.unit[j])
			}
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

// setCombination prepares Hotelling's T2 on mean strength, mean tone and load: the three ways in
// which all inks move together. It needs enough readings to have any power; readings of one day
// enter as their mean.
func (m *Model) setCombination() {
	b := m.b
	if b.Grade != Full || len(b.Commons) != 2 {
		return
	}
	c := &combination{share: shareT2 * m.alpha}
	for j, f := range m.watch {
		if j >= m.q || f.Kind == KindLoad {
			c.index = append(c.index, j)
		}
	}
	var days []string
	for _, p := range b.Past {
		days = append(days, p.Day)
	}
	starts := dayStarts(days)
	c.m = len(starts) - 1
	p := len(c.index)
	if c.m < p+4 {
		return
	}
	values := matrix(c.m, p)
	c.mean = make([]float64, p)
	for g := range values {
		for _, past := range b.Past[starts[g]:starts[g+1]] {
			for k, j := range c.index {
				values[g][k] += m.watched(past.Factors, j) / float64(starts[g+1]-starts[g])
			}
		}
		for k := range c.mean {
			c.mean[k] += values[g][k] / float64(c.m)
		}
	}
	c.cov = matrix(p, p)
	for _, v := range values {
		for i := range p {
			for j := range p {
				c.cov[i][j] += (v[i] - c.mean[i]) * (v[j] - c.mean[j]) / float64(c.m-1)
			}
		}
	}
	for k, j := range c.index {
		floor := b.Options.FloorShare * m.unit[j]
		c.cov[k][k] = max(c.cov[k][k], floor*floor)
	}
	c.limit = HotellingLimit(p, c.m, c.share)
	if _, err := Hotelling(c.mean, c.mean, c.cov); err != nil {
		return
	}
	m.t2 = c
}

// watched is watched factor j of a reading with factors theta.
func (m *Model) watched(theta []float64, j int) float64 {
	if j < m.q {
		return theta[j]
	}
	return common(m.watch[j], m.b.Factors, theta)
}
