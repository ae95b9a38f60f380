package drift

import (
	"fmt"
	"math"
	"slices"

	"swathkeeper/measure/colour"
)

const (
	// outlierDistance is how far off the model, in units of noise, a patch must lie to be named.
	outlierDistance = 6
	// outlierShare is the share of named patches above which it is not the patches.
	outlierShare = 0.1
	mostOutliers = 20
	// agreeCosine is how alike the changes of two readings must be to agree.
	agreeCosine = 0.7
)

// Judge compares one reading with the baseline and returns the state for the next one. An
// error of type *UnusableError says why nothing may be concluded; the state is then unchanged.
// The state of another baseline, or of an older layout of factors, is started afresh.
func (m *Model) Judge(s Sample, st State) (Result, State, error) {
	if err := s.check(&m.b.Chart, m.b.Options.MaxMissing); err != nil {
		return Result{}, st, err
	}
	if err := checkOrder(&m.b.Chart, m.b.Mean, m.known, &s); err != nil {
		return Result{}, st, err
	}
	w := m.pool.Get().(*work)
	defer m.pool.Put(w)
	diff := w.z // scratch of the right size until solve needs it
	for p, c := range s.Lab {
		u := m.mean[p]
		diff[p*3], diff[p*3+1], diff[p*3+2] = c.L-u.L, c.A-u.A, c.B-u.B
	}
	m.fitter.load(w, diff, s.Missing)
	if w.used == 0 || !m.fitter.solve(w) {
		return Result{}, st, &UnusableError{Code: "singular", Text: "the reading does not determine any change", Hint: "read the chart again"}
	}
	r := Result{Grade: m.b.Grade, Count: m.b.Count, Patches: w.used, Missing: w.missing}
	m.differences(&r, w, &s)
	m.outliers(&r, w, &s)
	if float64(len(r.Outliers)) > outlierShare*float64(w.used) {
		r.warn("outliers", fmt.Sprintf("%d of %d patches do not follow the chart as a whole", len(r.Outliers), w.used))
	}
	r.Outliers = r.Outliers[:min(len(r.Outliers), mostOutliers)]
	next := m.advance(w, &st, s.Day)
	m.values(&r, w, &next)
	m.tests(&r, w, &s)
	m.unexplained(&r, w)
	m.channels(&r, w)
	m.exceeded(&r)
	m.rowChanges(&r, w)
	m.agree(&r, &st, &next)
	r.Level = m.level(&r)
	if r.Level != LevelNone {
		m.explain(&r, w, next.Change)
		m.moves(&r, w, &s)
	}
	m.doubts(&r)
	return r, next, nil
}

func (r *Result) warn(code, text string) {
	r.Warnings = append(r.Warnings, Warning{Code: code, Text: text})
}

// differences fills the CIEDE2000 figures.
func (m *Model) differences(r *Result, w *work, s *Sample) {
	de := w.sorted[:0]
	worst := -1
	for p, c := range s.Lab {
		if w.present[p] == 0 {
			continue
		}
		d := colour.DE2000(m.mean[p], c)
		de = append(de, d)
		r.MeanDE00 += d
		if worst < 0 || d > r.MaxDE00 {
			worst, r.MaxDE00 = p, d
		}
	}
	r.MeanDE00 /= float64(len(de))
	r.WorstPatch = m.b.Chart.IDs[worst]
	r.MedianDE00, r.P95DE00 = quantile(de, 0.5), quantile(de, 0.95)
	if m.pastMeanDE > 0 {
		r.MeanRatio = r.MeanDE00 / m.pastMeanDE
	}
	for _, p := range m.white {
		if w.present[p] != 0 {
			r.HasWhite = true
		}
	}
	r.WhiteDE00 = m.meanOver(m.white, w, s, colour.DE2000)
	r.HasGrey = len(m.grey) > 0
	r.GreyDE00 = m.meanOver(m.grey, w, s, func(a, b colour.Lab) float64 {
		b.L = a.L
		return colour.DE2000(a, b)
	})
}

func (m *Model) meanOver(patches []int, w *work, s *Sample, f func(a, b colour.Lab) float64) float64 {
	var sum, k float64
	for _, p := range patches {
		if w.present[p] != 0 && w.weight[p] > 0.1 {
			sum += f(m.mean[p], s.Lab[p])
			k++
		}
	}
	if k == 0 {
		return 0
	}
	return sum / k
}

// quantile is the quantile with linear interpolation between order statistics (Hyndman and
// Fan's type 7); it reorders v.
func quantile(v []float64, p float64) float64 {
	h := p * float64(len(v)-1)
	k := int(h)
	low := quickSelect(v, k)
	if k+1 >= len(v) || h == float64(k) {
		return low
	}
	high := math.Inf(1)
	for _, x := range v[k+1:] {
		high = min(high, x)
	}
	return low + (h-float64(k))*(high-low)
}

// outliers names the patches that lie far from what the factors predict.
func (m *Model) outliers(r *Result, w *work, s *Sample) {
	for p := range m.n {
		if w.present[p] == 0 || w.dist[p] < outlierDistance*w.scale {
			continue
		}
		r.Outliers = append(r.Outliers, Outlier{Patch: m.b.Chart.IDs[p], DE00: colour.DE2000(m.mean[p], s.Lab[p]), Distance: w.dist[p]})
	}
}

// alone is what is watched of a reading: its factors, each channel's strength less its usual
// share of the others'.
func (m *Model) alone(theta []float64) []float64 {
	x := slices.Clone(theta)
	if m.b.Shared == 0 {
		return x
	}
	var sum, n float64
	for _, j := range m.fitter.strength {
		if j >= 0 {
			sum += theta[j]
			n++
		}
	}
	if n < 2 {
		return x
	}
	for _, j := range m.fitter.strength {
		if j >= 0 {
			x[j] -= m.b.Shared * (sum - theta[j]) / (n - 1)
		}
	}
	return x
}

// advance moves the control charts on by this reading.
func (m *Model) advance(w *work, st *State, day string) State {
	k := m.q
	if len(st.EWMA) != k || len(st.Mean) != k || len(st.CusumHigh) != k || len(st.CusumLow) != k || len(st.SinceHigh) != k || len(st.SinceLow) != k {
		*st = State{EWMA: make([]float64, k), CusumHigh: make([]float64, k), CusumLow: make([]float64, k), SinceHigh: make([]int, k), SinceLow: make([]int, k)}
	}
	x := m.alone(w.theta)
	next := State{Readings: st.Readings + 1, Day: day, Today: 1, Mean: x, Before: st.Before, EWMA: st.EWMA, Last: slices.Clone(w.theta),
		CusumHigh: make([]float64, k), CusumLow: make([]float64, k), SinceHigh: make([]int, k), SinceLow: make([]int, k)}
	switch {
	case st.Today == 0:
	case day != "" && day == st.Day:
		next.Today = st.Today + 1
		next.Mean = make([]float64, k)
		for j := range x {
			next.Mean[j] = st.Mean[j] + (x[j]-st.Mean[j])/float64(next.Today)
		}
	default:
		next.Before = append(make([][]float64, 0, 2), st.Mean)
		if len(st.Before) > 0 {
			next.Before = append(next.Before, st.Before[0])
		}
		next.EWMA = make([]float64, k)
		for j := range x {
			next.EWMA[j] = m.weighted(j, st.EWMA[j], st.Mean[j])
		}
	}
	for j := range x {
		z := x[j] / m.limits[j].scale[oneReading]
		next.CusumHigh[j], next.SinceHigh[j] = cusum(st.CusumHigh[j], z, st.SinceHigh[j])
		next.CusumLow[j], next.SinceLow[j] = cusum(st.CusumLow[j], -z, st.SinceLow[j])
	}
	return next
}

// weighted moves an exponentially weighted mean on by one day. One wild day (a wrong sheet, a
// cold instrument) must not fill it for a week.
func (m *Model) weighted(j int, mean, x float64) float64 {
	most := 1.5 * m.limits[j].limit[oneReading]
	return mean + m.b.Options.Lambda*max(-most, min(most, x-mean))
}

// cusumSlack is the reference value of the cumulative sums in standard deviations. They raise no
// alarm (with an estimated mean their run length is not to be trusted); they date a change: it
// began about when the sum last stood at zero (Page, Biometrika 41, 1954).
const cusumSlack = 0.75

func cusum(s, z float64, since int) (float64, int) {
	s += max(-4, min(4, z)) - cusumSlack
	if s <= 0 {
		return 0, 0
	}
	return min(s, 50), since + 1
}

// values sets every factor against its limits.
func (m *Model) values(r *Result, w *work, next *State) {
	r.Values = make([]Value, m.q)
	x := m.alone(w.theta)
	statistical := m.b.Grade != Tentative
	for j, f := range m.b.Factors {
		l := &m.limits[j]
		v := &r.Values[j]
		*v = Value{Name: f.Name, Kind: f.Kind, Channel: f.Channel, Value: w.theta[j], Alone: x[j], Z: x[j] / l.scale[oneReading],
			SE: math.Sqrt(w.cov[j*m.q+j]), EWMA: m.weighted(j, next.EWMA[j], next.Mean[j]),
			CusumHigh: next.CusumHigh[j], CusumLow: next.CusumLow[j], Since: max(next.SinceHigh[j], next.SinceLow[j])}
		if !statistical {
			continue
		}
		// Missing patches make a reading less certain than the baseline's readings were.
		v.Limit, v.EWMALimit = l.limit[oneReading], l.limit[weighted]
		if extra := v.SE*v.SE - f.SE*f.SE*1.2; extra > 0 {
			v.Limit *= math.Sqrt(1 + extra/(l.scale[oneReading]*l.scale[oneReading]))
		}
		m.recent(v, l, j, next)
		v.before = next.EWMA[j]
		v.Beyond = math.Abs(v.Alone) > v.Limit || v.RecentDays > 0 || m.slow(v)
	}
}

// recent looks at the means of the last two and three days. Every one of those days must show
// the change by itself, at half the limit, so that one wild day does not speak for three.
func (m *Model) recent(v *Value, l *limit, j int, next *State) {
	sum, least := next.Mean[j], math.Abs(next.Mean[j])
	var best float64
	for k, b := range next.Before {
		if len(b) != m.q || b[j]*next.Mean[j] <= 0 {
			return
		}
		sum += b[j]
		least = min(least, math.Abs(b[j]))
		mean, limit := sum/float64(k+2), l.limit[twoDays+k]
		if x := math.Abs(mean) / limit; x > 1 && x > best && least > limit/2 && math.Abs(v.Alone) > limit/2 {
			best, v.Recent, v.RecentDays = x, mean, k+2
		}
	}
}

// slow says whether the weighted mean is beyond its limit, was on its way there before today, and
// the reading itself stands by it: after a repair the mean lags, and one wild day is not slow.
func (m *Model) slow(v *Value) bool {
	return math.Abs(v.EWMA) > v.EWMALimit && v.Alone*v.EWMA > 0 && math.Abs(v.Alone) > v.EWMALimit/2 &&
		v.before*v.EWMA > 0 && math.Abs(v.before) > v.EWMALimit/4
}

// tests runs the few tests that share the false-alarm budget.
func (m *Model) tests(r *Result, w *work, s *Sample) {
	if m.b.Grade == Tentative {
		m.houseColours(r, w, s, false)
		return
	}
	r.Tests = make([]Test, 0, 4+2*len(m.groups))
	m.factorTests(r)
	m.groupTests(r)
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
	m.houseColours(r, w, s, true)
}

// factorTests are the largest single factor and the largest mean over days, each in units of its
// own limit. The probability is what the whole family would show by chance: that of the factor,
// over its share of the budget.
func (m *Model) factorTests(r *Result) {
	now, slow := Test{Name: "factor", Limit: 1, P: 1}, Test{Name: "factor", Limit: 1, P: 1, Slow: true}
	j, k, chart := -1, -1, weighted
	for i := range r.Values {
		v, l := &r.Values[i], &m.limits[i]
		if x := math.Abs(v.Alone) / v.Limit; x > now.Statistic {
			j, now.Statistic = i, x
		}
		if v.RecentDays > 0 {
			if x := math.Abs(v.Recent) / l.limit[v.RecentDays-1]; x > slow.Statistic {
				k, chart, slow.Statistic = i, v.RecentDays-1, x
			}
		}
		if x := math.Abs(v.EWMA) / v.EWMALimit; x > slow.Statistic && (x <= 1 || m.slow(v)) {
			k, chart, slow.Statistic = i, weighted, x
		}
	}
	if j >= 0 {
		l := &m.limits[j]
		now.Name += ":" + r.Values[j].Name
		now.P = min(1, studentTail(now.Statistic*l.limit[oneReading]/heavyTail/l.scale[oneReading], l.df)*m.alpha/(l.share*chartShare[oneReading]))
		now.Significant = now.Statistic > 1
	}
	if k >= 0 {
		l := &m.limits[k]
		slow.Name += ":" + r.Values[k].Name
		slow.P = min(1, studentTail(slow.Statistic*l.limit[chart]/l.scale[chart], l.df)*m.alpha/(l.share*chartShare[chart]))
		slow.Significant = slow.Statistic > 1
	}
	r.Tests = append(r.Tests, now, slow)
}

// groupTests are those of all factors of a kind together, now and in the weighted means. The
// latter count only while the reading itself and the mean up to yesterday stand by them. No
// single factor can carry the group beyond its limit: that is the factor tests' business, and
// one wild ink would speak for all.
func (m *Model) groupTests(r *Result) {
	for _, g := range m.groups {
		n := float64(len(g.index))
		most := g.limit * n / 2
		var now, slow, along, before float64
		for _, j := range g.index {
			v, l := &r.Values[j], &m.limits[j]
			x, e := v.Value/l.raw, v.EWMA/l.slowRaw
			now += min(x*x, most)
			slow += min(e*e, most)
			along += v.Alone * v.EWMA / (l.slowRaw * l.slowRaw)
			before += v.before * v.EWMA / (l.slowRaw * l.slowRaw)
		}
		t := Test{Name: "all " + g.kind, Statistic: now / n, Limit: g.limit, P: fTail(now/n, g.columns, g.df)}
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

// houseColours judges each named colour by itself.
func (m *Model) houseColours(r *Result, w *work, s *Sample, statistical bool) {
	for _, h := range m.house {
		if w.present[h.patch] == 0 {
			r.warn("house_missing", fmt.Sprintf("house colour %q was not read", h.name))
			continue
		}
		c, u := s.Lab[h.patch], m.mean[h.patch]
		x := [3]float64{c.L - u.L, c.A - u.A, c.B - u.B}
		a := h.root[0] * x[0]
		b := h.root[1]*x[0] + h.root[2]*x[1]
		d := h.root[3]*x[0] + h.root[4]*x[1] + h.root[5]*x[2]
		f := (a*a + b*b + d*d) / 3
		v := HouseColour{Name: h.name, Patch: m.b.Chart.IDs[h.patch], DE00: colour.DE2000(u, c), Tolerance: h.tolerance, P: 1}
		v.Beyond = v.DE00 > v.Tolerance
		if statistical {
			v.P = fTail(f, 3, h.df)
			v.Significant = f > h.limit
			r.Significant = r.Significant || v.Significant
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
		}
	}
}

// unexplained is the share of the change beyond noise that the factors leave over.
func (m *Model) unexplained(r *Result, w *work) {
	var total, left float64
	for p := range m.n {
		if k := w.weight[p]; w.present[p] != 0 {
			for i := p * 3; i < p*3+3; i++ {
				total += k * w.d[i] * w.d[i]
				left += k * w.r[i] * w.r[i]
			}
		}
	}
	noise := math.Exp(m.b.MisfitLn) * 3 * float64(w.used)
	if m.b.Count < 2 {
		noise = 3 * float64(w.used)
	}
	if total-noise > 0.2*noise {
		r.Unexplained = max(0, min(1, (left-noise)/(total-noise)))
	}
}

// channels gathers what each channel did.
func (m *Model) channels(r *Result, w *work) {
	r.Channels = make([]Channel, len(m.b.Chart.Channels))
	for c, name := range m.b.Chart.Channels {
		ch := &r.Channels[c]
		ch.Channel = name
		var colourChange float64
		for j, f := range m.b.Factors {
			if f.Index != c {
				continue
			}
			v := &r.Values[j]
			switch f.Kind {
			case KindStrength:
				ch.StrengthPercent, ch.StrengthSE, ch.StrengthLimit = v.Value, v.SE, v.Limit
				ch.EWMA, ch.EWMALimit, ch.Since = v.EWMA, v.EWMALimit, v.Since
			case KindTone:
				ch.TonePoints, ch.ToneSE, ch.ToneLimit = v.Value, v.SE, v.Limit
			case KindHue, KindCast, KindDepth:
				colourChange += v.Value * v.Value
			}
		}
		ch.CastDE = math.Sqrt(colourChange)
		m.hue(ch, c, w)
	}
}

// hue is the turn of the solid's hue angle that the fitted factors amount to. The fit has the
// whole chart behind it; the measured solid alone is noisier, and a scratch on it would count.
func (m *Model) hue(ch *Channel, c int, w *work) {
	if len(m.solids[c]) == 0 {
		return
	}
	p := m.solids[c][0]
	u := m.mean[p]
	chroma := u.Chroma()
	if chroma < neutralChroma {
		return
	}
	now := u
	var grad [maxFactors]float64
	var limit float64
	for j, t := range w.theta {
		g := m.cols[j][p*3 : p*3+3]
		now.L += g[0] * t
		now.A += g[1] * t
		now.B += g[2] * t
		grad[j] = (g[2]*u.A - g[1]*u.B) / (chroma * chroma) * (180 / math.Pi)
		limit += grad[j] * grad[j] * m.limits[j].limit[oneReading] * m.limits[j].limit[oneReading]
	}
	ch.HueDefined = true
	ch.HueDeg = math.Mod(now.Hue()-u.Hue()+540, 360) - 180
	var v float64
	for i := range m.q {
		for j := range m.q {
			v += grad[i] * w.cov[i*m.q+j] * grad[j]
		}
	}
	ch.HueSE = math.Sqrt(v)
	if m.b.Grade != Tentative {
		ch.HueLimit = math.Sqrt(limit)
	}
}

// exceeded lists the tolerances that the reading is beyond.
func (m *Model) exceeded(r *Result) {
	t := m.b.Options.Tolerances
	over := func(what, channel string, value, tolerance float64) {
		if math.Abs(value) > tolerance {
			r.Exceeded = append(r.Exceeded, Exceeded{What: what, Channel: channel, Value: value, Limit: tolerance, Stop: math.Abs(value) > t.StopFactor*tolerance})
		}
	}
	for j := range r.Values {
		v := &r.Values[j]
		x := v.Value
		if v.RecentDays > 0 && math.Abs(v.Recent) > math.Abs(x) {
			x = v.Recent
		}
		if v.EWMALimit > 0 && m.slow(v) && math.Abs(v.EWMA) > math.Abs(x) {
			x = v.EWMA
		}
		switch v.Kind {
		case KindStrength, KindTone:
			over(v.Kind, v.Channel, x, m.unit[j])
		case KindLoad:
			over("load", "", x, m.unit[j])
		}
	}
	for c, ch := range r.Channels {
		over("hue", ch.Channel, ch.HueDeg, t.HueDeg)
		if tol := inkColourTolerance(m.sig.solids[c].lab, t); math.Abs(ch.HueDeg) <= t.HueDeg {
			over("ink_colour", ch.Channel, ch.CastDE, tol)
		}
	}
	over("white", "", r.WhiteDE00, t.WhiteDE00)
	over("grey", "", r.GreyDE00, t.GreyDE00)
	over("mean", "", r.MeanDE00, t.MeanDE00)
	over("p95", "", r.P95DE00, t.P95DE00)
	for _, h := range r.House {
		over("house", h.Name, h.DE00, h.Tolerance)
	}
}

// level answers both questions at once: is it different, and does it matter. A baseline too
// small for limits of its own knows stop limits only, and takes a factor's word for them only
// far beyond the spread that is assumed of any printer.
func (m *Model) level(r *Result) string {
	if m.b.Grade == Tentative {
		convincing := false
		for _, v := range r.Values {
			convincing = convincing || math.Abs(v.Z) > assumedZ
		}
		for _, e := range r.Exceeded {
			if e.Stop && (convincing || e.What == "mean" || e.What == "white" || e.What == "p95") {
				return LevelStop
			}
		}
		return LevelNone
	}
	if !r.Significant {
		return LevelNone
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

// assumedZ is how many assumed standard deviations a stop needs without a spread of one's own.
const assumedZ = 4.5

// agree counts the readings in a row that show the same change.
func (m *Model) agree(r *Result, st, next *State) {
	if !r.Significant {
		return
	}
	k := m.q
	next.Agreeing, next.Change = 1, make([]float64, k)
	copy(next.Change, next.Last)
	jump, size := 1.0, 0.0
	if len(st.Last) == k {
		var along float64
		for j := range k {
			s := m.limits[j].raw
			size += next.Last[j] * next.Last[j] / (s * s)
			along += (next.Last[j] - st.Last[j]) * next.Last[j] / (s * s)
		}
		if size > 0 {
			jump = along / size
		}
		r.Sudden = jump > 0.6
	}
	if st.Agreeing > 0 && len(st.Change) == k {
		var xy, xx, yy float64
		for j := range k {
			s := m.limits[j].raw
			x, y := next.Last[j]/s, st.Change[j]/s
			xy += x * y
			xx += x * x
			yy += y * y
		}
		if xy > agreeCosine*math.Sqrt(xx*yy) {
			next.Agreeing = st.Agreeing + 1
			for j := range next.Change {
				next.Change[j] = st.Change[j] + (next.Last[j]-st.Change[j])/float64(min(next.Agreeing, 5))
			}
		}
	}
	r.Agreeing = next.Agreeing
}

// doubts adds what a reader of the result should know.
func (m *Model) doubts(r *Result) {
	if m.b.Grade == Tentative {
		r.warn("tentative", fmt.Sprintf("the baseline has only %d readings: no statistical alarm, only stop limits, until it has %d", m.b.Count, provisionalReadings))
	}
	if r.Missing > 0 {
		r.warn("missing", fmt.Sprintf("%d patches are missing; the rest was judged", r.Missing))
	}
	if k := len(r.Outliers); k > 0 && k <= 5 {
		r.warn("outlier", fmt.Sprintf("patch %s does not follow the rest of the chart: look for a scratch or dirt there", r.Outliers[0].Patch))
	}
}
