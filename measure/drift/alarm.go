package drift

import (
	"fmt"
	"math"
	"slices"

	"swathkeeper/measure/colour"
)

// tests runs the few tests that share the false-alarm budget.
func (m *Model) tests(r *Result, w *work, s *Sample, st, next *State) {
	m.bareTests(r, w)
	if m.b.Grade == Tentative {
		m.houseColours(r, w, s, st, next, false)
		return
	}
	m.factorTests(r)
	m.commonTests(r, w, next)
	m.groupTests(r, next)
	m.standing(r, st, next)
	if m.t2 != nil {
		x := m.together(w.theta)
		if t, err := Hotelling(x[:], m.t2.mean, m.t2.cov); err == nil {
			r.Tests = append(r.Tests, Test{Name: "together", Statistic: t, Limit: m.t2.limit,
				P: hotellingTail(t, len(x), m.t2.m), Significant: t > m.t2.limit})
		}
	}
	misfit := Test{Name: "misfit", Statistic: m.misfit(w), Limit: math.Exp(m.misfitLimit)}
	ln := math.Log(max(misfit.Statistic, 1e-9))
	misfit.P = studentTail((ln-m.b.MisfitLn)/m.misfitScale, m.misfitDF) / 2
	if ln < m.b.MisfitLn {
		misfit.P = 1 - misfit.P
	}
	misfit.Significant = ln > m.misfitLimit
	r.Tests = append(r.Tests, misfit)
	now, slow := false, false
	for _, t := range r.Tests {
		now = now || t.Significant && !t.Slow
		slow = slow || t.Significant && t.Slow
	}
	r.Significant = now || slow
	r.Slow = slow && !now
	m.houseColours(r, w, s, st, next, true)
}

// factorTests are the largest single factor and the largest mean over days, each in units of its
// own limit. The probability is what the whole family would show by chance: that of the factor,
// over its share of the budget.
func (m *Model) factorTests(r *Result) {
	now, slow := Test{Name: "factor", Limit: 1, P: 1}, Test{Name: "factor", Limit: 1, P: 1, Slow: true}
	j, k := -1, -1
	var which *chart
	for i := range r.Values {
		v, l := &r.Values[i], &m.limits[i]
		if v.charts.now > now.Statistic {
			j, now.Statistic = i, v.charts.now
		}
		if v.charts.step > slow.Statistic {
			k, which, slow.Statistic = i, v.charts.stepP, v.charts.step
		}
		if x := math.Abs(v.EWMA) / v.EWMALimit; x > slow.Statistic && (x <= 1 || m.slow(v)) {
			k, which, slow.Statistic = i, &l.slow, x
		}
	}
	if j >= 0 {
		now.Name += ":" + r.Values[j].Name
		now.P = m.limits[j].probability(r.Values[j].charts.nowP, now.Statistic, m.alpha)
		now.Significant = now.Statistic > 1
	}
	if k >= 0 {
		slow.Name += ":" + r.Values[k].Name
		slow.P = m.limits[k].probability(which, slow.Statistic, m.alpha)
		slow.Significant = slow.Statistic > 1
	}
	r.Tests = append(r.Tests, now, slow)
}

// probability is that of a statistic, in units of its chart's limit, over the chart's share of the
// budget: what the whole family would show by chance.
func (l *limit) probability(c *chart, x, alpha float64) float64 {
	return min(1, l.p.tail(l.column, c.weights, x*c.limit/c.wide)*alpha/(l.share*c.share))
}

// commonTests are those of the mean strength of all inks.
func (m *Model) commonTests(r *Result, w *work, next *State) {
	if m.common == nil {
		return
	}
	mean := m.meanStrength
	more := m.common.p.widen(&next.SeenCommon)
	v := Value{Alone: mean(m.alone(w.theta)), before: mean(next.EWMA), EWMALimit: m.common.slow.limit * more.of(&m.common.slow)}
	var sum, n float64
	for _, j := range m.fitter.strength {
		if j >= 0 {
			sum += r.Values[j].EWMA
			n++
		}
	}
	v.EWMA = sum / max(1, n) / (1 - m.b.Shared)
	c := m.read(m.common, &more, next, v.Alone, mean)
	now := Test{Name: "common strength", Limit: 1, P: 1, Statistic: c.now, Significant: c.now > 1}
	if c.nowP != nil {
		now.P = m.common.probability(c.nowP, c.now, m.alpha)
	}
	slow := Test{Name: "common strength", Slow: true, Limit: 1, P: 1, Statistic: c.step}
	which := c.stepP
	if x := math.Abs(v.EWMA) / v.EWMALimit; x > slow.Statistic && (x <= 1 || m.slow(&v)) {
		slow.Statistic, which = x, &m.common.slow
	}
	if which != nil {
		slow.P = m.common.probability(which, slow.Statistic, m.alpha)
	}
	slow.Significant = slow.Statistic > 1
	r.Tests = append(r.Tests, now, slow)
}

// groupTests are those of all factors of a kind together, now and in the weighted means. The
// latter count only while the reading itself and the mean up to yesterday stand by them. No
// single factor can carry the group beyond its limit: that is the factor tests' business, and
// one wild ink would speak for all.
func (m *Model) groupTests(r *Result, next *State) {
	wander := m.wander(next)
	for _, g := range m.groups {
		n := float64(len(g.index))
		most := g.limit * n / 2
		var now, slow, along, before float64
		for _, j := range g.index {
			v, l := &r.Values[j], &m.limits[j]
			one, weighted := l.scale, l.slowScale
			if g.kind == KindStrength {
				one *= wander.of(&l.step[0][0])
				weighted *= wander.of(&l.slow)
			}
			x, e := v.Alone/one, v.EWMA/weighted
			now += min(x*x, most)
			slow += min(e*e, most)
			along += v.Alone * v.EWMA / (weighted * weighted)
			before += v.before * v.EWMA / (weighted * weighted)
		}
		t := Test{Name: "all " + g.kind, Statistic: now / n, Limit: g.limit * heavyTail * heavyTail, P: fTail(now/n, g.columns, g.df)}
		t.Significant = t.Statistic > t.Limit
		s := Test{Name: "all " + g.kind, Slow: true, Statistic: slow / n, Limit: g.limit, P: fTail(slow/n, g.columns, g.df)}
		s.Significant = s.Statistic > s.Limit && along > slow/2 && before > slow/4
		r.Tests = append(r.Tests, t, s)
	}
}

func (m *Model) misfit(w *work) float64 {
	var sum float64
	for p, d := range w.dist {
		if w.present[p] != 0 {
			d = min(d, robustBend)
			sum += d * d
		}
	}
	return sum / float64(3*w.used)
}

// houseColours judges each named colour by itself. Patches are scratched and soiled one at a time,
// so a patch that goes against the rest of the chart needs a witness: another patch of the colour,
// or the reading before.
func (m *Model) houseColours(r *Result, w *work, s *Sample, st, next *State, statistical bool) {
	if len(m.house) == 0 {
		return
	}
	witnesses := map[string]int{}
	for _, h := range m.house {
		id := m.b.Chart.IDs[h.patch]
		if w.present[h.patch] == 0 {
			r.warn("house_missing", fmt.Sprintf("house colour %q was not read", h.name))
			continue
		}
		c, u := s.Lab[h.patch], m.mean[h.patch]
		v := HouseColour{Name: h.name, Patch: id, DE00: w.de[h.patch], Tolerance: h.tolerance, P: 1}
		v.Beyond = v.DE00 > v.Tolerance
		if statistical {
			f := h.distance(c, u)
			v.P = fTail(f, 3, h.df)
			v.Significant = f > h.limit
		}
		if v.Significant {
			next.House = append(next.House, id)
			witnesses[h.name]++
			if w.dist[h.patch] < robustBend*w.scale || slices.Contains(st.House, id) {
				witnesses[h.name]++
			}
		}
		// A colour printed in several places is named once, by its worst patch.
		k := slices.IndexFunc(r.House, func(o HouseColour) bool { return o.Name == v.Name })
		switch {
		case k < 0:
			r.House = append(r.House, v)
		case v.DE00 > r.House[k].DE00:
			v.Significant = v.Significant || r.House[k].Significant
			v.P = min(v.P, r.House[k].P)
			r.House[k] = v
		default:
			r.House[k].Significant = r.House[k].Significant || v.Significant
			r.House[k].P = min(v.P, r.House[k].P)
		}
	}
	for i := range r.House {
		h := &r.House[i]
		h.Doubtful = h.Significant && witnesses[h.Name] < 2
		r.Significant = r.Significant || h.Significant && !h.Doubtful
	}
}

// distance is the mean square of the three whitened components of a house colour's change.
func (h *houseModel) distance(c, u colour.Lab) float64 {
	x := [3]float64{c.L - u.L, c.A - u.A, c.B - u.B}
	a := h.root[0] * x[0]
	b := h.root[1]*x[0] + h.root[2]*x[1]
	d := h.root[3]*x[0] + h.root[4]*x[1] + h.root[5]*x[2]
	return (a*a + b*b + d*d) / 3
}

// level answers both questions at once: is it different, and does it matter.
func (m *Model) level(r *Result, st, next *State) string {
	if m.b.Grade == Tentative {
		return m.tentativeLevel(r, st, next)
	}
	if !r.Significant {
		for _, h := range r.House {
			if h.Doubtful && h.Beyond {
				return LevelNote
			}
		}
		return m.onceBeyondStop(r)
	}
	level := LevelNote
	for _, e := range r.Exceeded {
		level = LevelAct
		if e.Stop {
			return LevelStop
		}
	}
	return level
}

// onceBeyondStop is the level of a reading that no test calls significant, though it is beyond a stop
// limit by far or as a whole: a printer that wanders much, a baseline of few readings. It is no alarm, and
// it is not passed over in silence either.
func (m *Model) onceBeyondStop(r *Result) string {
	z := 0.0
	for _, v := range r.Values {
		z = max(z, math.Abs(v.Z))
	}
	for _, e := range r.Exceeded {
		if e.Stop && (z > assumedZ || wholeChart(e.What)) {
			r.warn("stop_once", stopOnce)
			return LevelNote
		}
	}
	return LevelNone
}

const stopOnce = "the reading is beyond a stop limit, but one reading can be so by chance: read a second print before going on"

// wholeChart says of a tolerance that it is one of the chart as a whole.
func wholeChart(what string) bool { return what == "mean" || what == "white" || what == "p95" }

// tentativeLevel is that of a baseline too small for limits of its own. It knows stop limits only,
// and heeds them only when some factor is far beyond the spread that is assumed of any printer, or
// the chart beyond twice the limit. One wild print can be far beyond it too: unless the change is
// out of all proportion, a second reading must show it again.
func (m *Model) tentativeLevel(r *Result, st, next *State) string {
	z := 0.0
	for _, v := range r.Values {
		z = max(z, math.Abs(v.Z))
	}
	again := false
	if len(st.Last) == m.q && next.Likes > 1 {
		for j, x := range m.alone(st.Last) {
			again = again || math.Abs(x) > assumedZ*m.limits[j].scale
		}
	}
	for _, e := range r.Exceeded {
		whole := wholeChart(e.What)
		switch {
		case !e.Stop:
		case z > assumedZ && again, z > 2*assumedZ, whole && e.Value > 2*m.b.Options.Tolerances.StopFactor*e.Limit:
			return LevelStop
		case z > assumedZ:
			r.warn("stop_once", stopOnce)
			return LevelNote
		}
	}
	return LevelNone
}

// assumedZ is how many assumed standard deviations a stop needs without a spread of one's own.
const assumedZ = 6
