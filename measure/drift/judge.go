package drift

import (
	"fmt"
	"math"
	"slices"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/selection"
)

const (
	// outlierDistance is how far off the model, in units of noise, a patch must lie to be named.
	outlierDistance = 6
	// outlierShare is the share of named patches above which it is not the patches.
	outlierShare = 0.1
	mostOutliers = 20
	// fewOutliers is up to how many patches are named one by one.
	fewOutliers = 5
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
	w := m.pool.Get().(*work)
	defer m.pool.Put(w)
	h := holdAgainst(m.b.Mean, m.known, &s, w.have)
	if err := checkOrder(m.places, &h); err != nil {
		return Result{}, st, err
	}
	if err := checkAxes(m.places, &h); err != nil {
		return Result{}, st, err
	}
	diff := w.diff
	for p, c := range s.Lab {
		u := m.mean[p]
		diff[p*3], diff[p*3+1], diff[p*3+2] = c.L-u.L, c.A-u.A, c.B-u.B
	}
	m.fitter.load(w, diff, s.Missing)
	if w.used == 0 || !m.fitter.solve(w) {
		return Result{}, st, &UnusableError{Code: "singular", Text: "the reading does not determine any change", Hint: "read the chart again"}
	}
	if err := misplaced(m.places, m.fitter, w, &s); err != nil {
		return Result{}, st, err
	}
	// The curvature of a strength is that of small changes; none is weaker than not there.
	for _, j := range m.fitter.strength {
		if j >= 0 {
			w.theta[j] = max(noInk, w.theta[j])
		}
	}
	r := Result{Grade: m.b.Grade, Count: m.b.Count, Patches: w.used, Missing: w.missing}
	m.differences(&r, w, &s)
	m.outliers(&r, w)
	if len(r.Outliers) > fewOutliers {
		r.warn("outliers", fmt.Sprintf("%d of %d patches do not follow the chart as a whole", len(r.Outliers), w.used))
	}
	r.Outliers = r.Outliers[:min(len(r.Outliers), mostOutliers)]
	next := m.advance(w, &st, s.Day)
	m.alike(&st, &next)
	m.values(&r, w, &next)
	m.tests(&r, w, &s, &st, &next)
	next.Alarm = next.Alarm || r.Significant
	m.unexplained(&r, w)
	m.channels(&r, w)
	m.exceeded(&r)
	m.rowChanges(&r, w)
	m.agree(&r, &st, &next)
	r.Level = m.level(&r, &st, &next)
	if r.Level != LevelNone {
		m.explain(&r, w, next.Change)
		m.moves(&r, w, &s, &next)
	}
	m.doubts(&r)
	m.leaveOutBlind(&r)
	return r, next, nil
}

func (r *Result) warn(code, text string) {
	r.Warnings = append(r.Warnings, Warning{Code: code, Text: text})
}

// leaveOutBlind takes out the channels whose strength this chart cannot show: 0 would be read as no
// change.
func (m *Model) leaveOutBlind(r *Result) {
	if !slices.Contains(m.fitter.strength, -1) {
		return
	}
	var shown []Channel
	for c, j := range m.fitter.strength {
		if j >= 0 {
			shown = append(shown, r.Channels[c])
		}
	}
	r.Channels = shown
}

// differences fills the CIEDE2000 figures.
func (m *Model) differences(r *Result, w *work, s *Sample) {
	sorted := w.sorted[:0]
	worst := -1
	for p, c := range s.Lab {
		if w.present[p] == 0 {
			continue
		}
		d := colour.DE2000(m.mean[p], c)
		w.de[p] = d
		sorted = append(sorted, d)
		r.MeanDE00 += d
		if worst < 0 || d > r.MaxDE00 {
			worst, r.MaxDE00 = p, d
		}
	}
	r.MeanDE00 /= float64(len(sorted))
	r.WorstPatch = m.b.Chart.IDs[worst]
	r.MedianDE00, r.P95DE00 = quantile(sorted, 0.5), quantile(sorted, 0.95)
	if m.pastMeanDE > 0 {
		r.MeanRatio = r.MeanDE00 / m.pastMeanDE
	}
	r.WhiteDE00, r.HasWhite = m.over(m.white, w, func(p int) float64 { return w.de[p] })
	r.GreyDE00, r.HasGrey = m.over(m.grey, w, func(p int) float64 {
		c := s.Lab[p]
		c.L = m.mean[p].L
		return colour.DE2000(m.mean[p], c)
	})
}

// over is the mean of f over those of the patches that were read. Single patches that the fit has
// found to go their own way (a scratch) are left out; when most of them do, they are what is to be
// told of, and the median over all says it. It uses w.sorted.
func (m *Model) over(patches []int, w *work, f func(p int) float64) (value float64, ok bool) {
	all := w.sorted[:0]
	kept, sum := 0, 0.0
	for _, p := range patches {
		if w.present[p] == 0 {
			continue
		}
		v := f(p)
		all = append(all, v)
		if w.weight[p] > 0.1 {
			kept++
			sum += v
		}
	}
	switch {
	case len(all) == 0:
		return 0, false
	case 2*kept < len(all):
		return median(all), true
	}
	return sum / float64(kept), true
}

// quantile is the quantile with linear interpolation between order statistics (Hyndman and
// Fan's type 7); it reorders v.
func quantile(v []float64, p float64) float64 {
	h := p * float64(len(v)-1)
	k := int(h)
	low := selection.Smallest(v, k)
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
func (m *Model) outliers(r *Result, w *work) {
	for p := range m.n {
		if w.present[p] == 0 || w.dist[p] < outlierDistance*w.scale || w.weight[p] == 1 {
			continue
		}
		r.Outliers = append(r.Outliers, Outlier{Patch: m.b.Chart.IDs[p], DE00: w.de[p], Distance: w.dist[p]})
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
		ch.Channel, ch.Tied = name, m.tied[c]
		var colourChange float64
		for j, f := range m.b.Factors {
			if f.Index != c {
				continue
			}
			v := &r.Values[j]
			switch f.Kind {
			case KindStrength:
				ch.StrengthPercent, ch.StrengthSE, ch.StrengthLimit = v.Value, v.SE, v.Limit
				ch.EWMA, ch.EWMALimit, ch.LatelyPercent, ch.Since = v.EWMA, v.EWMALimit, v.Lately, v.Since
			case KindTone:
				ch.TonePoints, ch.ToneLeft = v.Value, v.Value-m.leaning(w.theta, c)/2
				ch.BentSE, ch.BentLimit = v.SE, v.Limit
				ch.ToneSE, ch.ToneLimit = m.toneSE(w, c, j), v.Limit
				if f.Leans != nil {
					ch.ToneLimit *= math.Abs(1 - f.Leans[c]/2)
				}
			case KindHue, KindCast, KindDepth:
				colourChange += v.Value * v.Value
			}
		}
		if ch.HardlyPrints = ch.StrengthPercent <= hardlyPrints; ch.HardlyPrints {
			ch.TonePoints, ch.BentSE, ch.BentLimit, ch.ToneLeft, ch.ToneSE, ch.ToneLimit = 0, 0, 0, 0, 0, 0
			continue
		}
		ch.CastDE = math.Sqrt(colourChange)
		m.hue(ch, c, w)
	}
}

// noInk is the strength of an ink that is not there, and hardlyPrints that from which it is not its
// strength that is to be judged: out of ink, a damper, a head that is off. Common practice, no source.
const noInk, hardlyPrints = -100.0, -70.0

// gone says whether a channel hardly prints.
func (m *Model) gone(r *Result, channel string) bool {
	for i := range r.Channels {
		if r.Channels[i].Channel == channel {
			return r.Channels[i].HardlyPrints
		}
	}
	return false
}

// leaning is how much of channel c's fitted strength, in percent, is what the tones look like: tints
// that are darker at 50 % are stronger in the mean, and the fit counts that as strength, where it is
// measured best. At 50 % half of it, in points, is told with the strength already.
func (m *Model) leaning(theta []float64, c int) (s float64) {
	for j, f := range m.b.Factors {
		if f.Kind == KindTone && f.Leans != nil {
			s += f.Leans[c] * theta[j]
		}
	}
	return s
}

// toneSE is the standard error of the tone (factor t) of channel c less what strength tells of it.
func (m *Model) toneSE(w *work, c, t int) float64 {
	var g [maxFactors]float64
	g[t] = 1
	for j, f := range m.b.Factors {
		if f.Kind == KindTone && f.Leans != nil {
			g[j] -= f.Leans[c] / 2
		}
	}
	return math.Sqrt(w.variance(g[:m.q]))
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
		g := m.columnAt(j, p)
		now.L += g[0] * t
		now.A += g[1] * t
		now.B += g[2] * t
		grad[j] = (g[2]*u.A - g[1]*u.B) / (chroma * chroma) * (180 / math.Pi)
		limit += grad[j] * grad[j] * m.limits[j].one * m.limits[j].one
	}
	ch.HueDefined = true
	ch.HueDeg = math.Mod(now.Hue()-u.Hue()+540, 360) - 180
	ch.HueSE = math.Sqrt(w.variance(grad[:m.q]))
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
		if (v.Kind == KindTone || v.Kind == KindDepth) && m.gone(r, v.Channel) {
			continue
		}
		x := v.Value
		if v.RecentDays > 0 && math.Abs(v.Recent) > math.Abs(x) {
			x = v.Recent
		}
		if v.EWMALimit > 0 && m.slow(v) && math.Abs(v.Lately) > math.Abs(x) {
			x = v.Lately
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
	if !r.whiteDoubtful {
		over("white", "", r.WhiteDE00, t.WhiteDE00)
	}
	over("grey", "", r.GreyDE00, t.GreyDE00)
	over("mean", "", r.MeanDE00, t.MeanDE00)
	over("p95", "", r.P95DE00, t.P95DE00)
	for _, h := range r.House {
		if h.Doubtful {
			continue // until another patch or another reading says so
		}
		over("house", h.Name, h.DE00, h.Tolerance)
	}
}

// doubts adds what a reader of the result should know.
func (m *Model) doubts(r *Result) {
	if m.b.Grade == Tentative {
		r.warn("tentative", fmt.Sprintf("baseline readings: only %d, so there is no statistical alarm, only stop limits, until there are %d", m.b.Count, provisionalReadings))
	}
	if r.Missing > 0 {
		r.warn("missing", fmt.Sprintf("missing patches: %d; the rest was judged", r.Missing))
	}
	if k := len(r.Outliers); k > 0 && k <= fewOutliers {
		r.warn("outlier", fmt.Sprintf("patch %s does not follow the rest of the chart: look for a scratch or dirt there", r.Outliers[0].Patch))
	}
}
