package drift

import (
	"fmt"
	"math"
)

// The unprinted patches say of the goods what no model has to be right for: how the white shows
// through the inks differs from printer to printer, and a fit that goes by the tints alone can miss a
// white that everybody sees.

// bareTest is the test of the unprinted patches by themselves, against how they varied in the
// baseline's readings.
type bareTest struct {
	limits [3]limit // L*, a*, b*
	share  float64
}

// setBare prepares it. A baseline of before these were kept has none.
func (m *Model) setBare() {
	b, t := m.b, m.b.Options.Tolerances
	var values [][]float64
	var days []string
	for _, past := range b.Past {
		if len(past.Bare) == 3 {
			values, days = append(values, past.Bare), append(days, past.Day)
		}
	}
	if len(values) < provisionalReadings || len(m.white) == 0 {
		return
	}
	values, days = ordinary(values, days, oddRows(values, []float64{t.WhiteDE00, t.WhiteDE00, t.WhiteDE00}))
	floor := b.Options.FloorShare * t.WhiteDE00
	if b.Days < 2 {
		floor = assumedShare * t.WhiteDE00
	}
	var scale float64
	for _, p := range m.white {
		scale += float64(b.NoiseScale[p]) / float64(len(m.white)*len(m.white))
	}
	k := belief{sd: priorOther * t.WhiteDE00, df: priorOtherDF, least: make([]float64, 3)}
	for a, noise := range [3]float64{b.Noise[0], b.Noise[3], b.Noise[5]} {
		k.least[a] = max(floor*floor, noise*scale)
	}
	law := predict(values, days, k)
	m.bare = &bareTest{share: shareBare / 3 * m.alpha}
	for a := range m.bare.limits {
		sd, _ := law.sd(a)
		m.bare.limits[a] = newLimit(law, a, m.bare.share*thrift(sd, t.WhiteDE00), b.Options.Lambda, 0)
	}
}

// bareTests adds the test to a result. A patch that is the only one, or that others of its kind gainsay,
// is no witness.
func (m *Model) bareTests(r *Result, w *work) {
	r.whiteDoubtful = m.doubtfulWhite(r, w)
	if m.bare == nil || m.b.Grade == Tentative || !r.HasWhite || r.whiteDoubtful {
		return
	}
	t := Test{Name: "white", Limit: 1, P: 1}
	for a := range m.bare.limits {
		l := &m.bare.limits[a]
		x, _ := m.over(m.white, w, func(p int) float64 { return w.diff[p*3+a] })
		if x = math.Abs(x) / l.one; x > t.Statistic {
			t.Statistic, t.P = x, l.probability(&l.step[0][0], x, m.alpha)
		}
	}
	t.Significant = t.Statistic > 1
	r.Tests = append(r.Tests, t)
}

// doubtfulWhite says that one unprinted patch alone was read and does not go with the rest of the
// chart: a scratch does the same.
func (m *Model) doubtfulWhite(r *Result, w *work) bool {
	read, odd := 0, -1
	for _, p := range m.white {
		if w.present[p] != 0 {
			if read++; w.weight[p] <= 0.1 {
				odd = p
			}
		}
	}
	if read != 1 || odd < 0 {
		return false
	}
	r.warn("white", fmt.Sprintf("the only unprinted patch read, %s, does not go with the rest of the chart: a scratch or other goods; read it again", m.b.Chart.IDs[odd]))
	return true
}

// bareChange is the median change of a baseline reading's unprinted patches; nil when none was read.
func (l *learner) bareChange(reading int) []float64 {
	var by [3][]float64
	for _, p := range bareOf(l.chart) {
		if l.known[p] && l.has(reading, p) {
			for a := range by {
				by[a] = append(by[a], axisOf(l.samples[reading].Lab[p], a)-l.mean[p][a])
			}
		}
	}
	if len(by[0]) == 0 {
		return nil
	}
	return []float64{median(by[0]), median(by[1]), median(by[2])}
}
