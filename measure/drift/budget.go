package drift

import "math"

// The shares of the reading's false-alarm budget. Strengths get most: they vary most from day
// to day and are what is to be found small.
const (
	shareStrength  = 0.42
	shareTone      = 0.06
	shareInk       = 0.10 // hue, cast and depth
	shareWhite     = 0.03
	shareBare      = 0.02 // the unprinted patches by themselves
	shareLoad      = 0.03
	shareFlare     = 0.03
	shareStrengths = 0.03 // all together
	shareCommon    = 0.16 // their mean
	shareTones     = 0.04
	shareWhites    = 0.03
	shareT2        = 0.01
	shareMisfit    = 0.02
	shareHouse     = 0.02
)

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
	// byRho is the variance under each case of correlation over the predicted one.
	byRho [len(rhoCases)]float64
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
		return chart{weights: weights, limit: wide * p.limit(column, weights, share*part), share: part, wide: wide, byRho: p.spreadByRho(column, weights)}
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
	rho := b.persistences(theta, days, &m.sig)
	m.limits = make([]limit, m.q)
	m.unit = make([]float64, m.q)
	for _, kind := range factorKinds {
		index := indexOf(b.Factors, kind)
		if len(index) == 0 {
			continue
		}
		values, days := b.ordinaryOf(theta, days, index, &m.sig)
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

// thriftRoom is how many of its standard deviations a factor's tolerance must hold for thrift to be
// needless.
const (
	thriftRoom  = 2.2
	leastThrift = 1e-6 // of what varies beyond all measure
)

// thrift cuts the false alarms allowed of a factor whose ordinary spread leaves little room within
// its tolerance. Where it leaves room, few of the false alarms are beyond the tolerance as well and
// call for action; where it does not, all are, and heavy tails add to them, while changes of the
// size of a tolerance could not be found soon at any price.
func thrift(sd, tolerance float64) float64 {
	room := tolerance / (thriftRoom * sd)
	return max(leastThrift, min(1, math.Pow(room, 6)))
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
	l := newLimit(p, 0, shareCommon*m.alpha*math.Sqrt(thrift(sd, m.b.Options.Tolerances.StrengthPercent)), m.b.Options.Lambda, mostHistory)
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
		widest := 0.0
		for j, f := range m.b.Factors {
			if f.Kind == g.Kind {
				t.index = append(t.index, j)
				widest = max(widest, f.AloneSD/m.unit[j])
			}
		}
		t.share *= thrift(widest, 1)
		if len(t.index) < 2 || !(t.columns >= 1) || !(t.df > 0) {
			continue
		}
		// Half of the share goes to the single reading, half to the weighted means.
		t.limit = fQuantile(1-t.share/2, t.columns, t.df)
		m.groups = append(m.groups, t)
	}
}
