package banding

import (
	"fmt"
	"math"
)

// movedLow and movedHigh bound the share of filtered samples within the middle half that the
// baseline's spectrum promises; outside them the fabric's texture has moved, and the reading is
// whitened by its own spectrum.
const movedLow, movedHigh = 0.44, 0.58

// moved says that the noise of a lane, as last searched, is not the baseline's. Few samples leave the share itself
// uncertain: by 0.7 times the error of the loudness (0.43 of the logarithm of a standard deviation, which the middle half
// tells 1.6 times less surely than the root mean square), of which three are allowed.
func (l *lane) moved() bool {
	slack := 3 * 0.7 * l.loudnessError()
	return l.found.inside < math.Min(movedLow, 0.5-slack) || l.found.inside > math.Max(movedHigh, 0.5+slack)
}

// Judge looks for lines in the traces of one reading. Traces that cannot be used are left out with a
// warning; an error means that nothing could be judged at all.
func (d *Detector) Judge(traces []Trace) (Result, error) { return d.JudgeFor(traces, Options{}) }

// JudgeFor is Judge with the shop's choices of today, as far as they say what matters and not what is found: viewing
// distance, luminance, MattersDE00, MattersLoss and StopVisibility. One that is 0 stays as the baseline was made with.
func (d *Detector) JudgeFor(traces []Trace, choice Options) (Result, error) {
	w := d.pool.Get().(*work)
	defer d.pool.Put(w)
	w.opt = d.opt
	for _, c := range []struct{ to, from *float64 }{
		{&w.opt.ViewingMM, &choice.ViewingMM}, {&w.opt.Luminance, &choice.Luminance}, {&w.opt.MattersDE00, &choice.MattersDE00},
		{&w.opt.MattersLoss, &choice.MattersLoss}, {&w.opt.StopVisibility, &choice.StopVisibility},
	} {
		if *c.from > 0 {
			*c.to = *c.from
		}
	}
	return w.judge(traces)
}

func (w *work) judge(traces []Trace) (Result, error) {
	d := w.d
	if len(traces) == 0 {
		return Result{}, fmt.Errorf("banding: a reading without traces: nothing to judge")
	}
	w.load(traces)
	if len(w.lanes) == 0 {
		return Result{Warnings: append([]Warning(nil), w.warnings...), Unusable: w.unusable},
			fmt.Errorf("banding: none of %d traces can be used: %s", len(traces), w.warnings[0].Text)
	}
	res := Result{Unusable: w.unusable, WithinReading: d.base == nil}
	w.ownScale = 0
	for _, l := range w.lanes {
		w.prime(l)
	}
	w.mean()
	if w.all != nil {
		w.prime(w.all)
	}
	w.setLoudness()
	w.geometryWarnings()
	if d.base != nil {
		for i := range d.base.Channels {
			if c := d.base.Channels[i].Channel; w.lane(c) == nil {
				w.warnings = append(w.warnings, Warning{Code: "no_strip", Channel: c,
					Text: fmt.Sprintf("channel %q: the baseline has strips of it, this reading none that can be used; no line could be looked for in it", c)})
			}
		}
	}
	w.resolve(traces, &res)
	for _, l := range w.lanes {
		w.detectable(l, &res)
	}
	res.Warnings = append(res.Warnings, w.warnings...)
	return res, nil
}

// load gathers the traces into lanes.
func (w *work) load(traces []Trace) {
	d := w.d
	w.detrendMM = d.opt.DetrendMM
	w.spare = append(w.spare, w.lanes...)
	if w.all != nil {
		w.spare = append(w.spare, w.all)
		w.all = nil
	}
	w.stripZ = nil
	pitch := 0.0
	if d.base != nil {
		// A reading on another pitch than the baseline's is brought to it, unless it is too different for
		// the baseline's spectrum to mean anything. A few strips that differ do not take it from the others.
		pitch = d.base.PitchUM / 1000
		odd := 0
		for i := range traces {
			if d.base.alien(traces[i].PitchUM) {
				odd++
			}
		}
		if 2*odd >= len(traces) {
			pitch = 0
		}
	}
	w.gather(traces, d.order, pitch, func(channel, strip string) float64 {
		if b := d.baselineOf(channel); b != nil {
			for i := range b.Strips {
				if b.Strips[i].Strip == strip && b.Strips[i].Weight > 0 {
					return b.Strips[i].Weight
				}
			}
		}
		return 1
	})
}

// prime gives a lane its filters and makes the first search.
func (w *work) prime(l *lane) {
	d := w.d
	samePitch := d.base != nil && math.Abs(w.grid.pitch/(d.base.PitchUM/1000)-1) < 1e-3
	l.prep = nil
	if samePitch {
		l.prep = d.prepared(l.name, l.n, max(1, len(w.lanes)), w.grid.pitch)
		if b := d.baselineOf(l.name); b != nil && b.Unit != l.unit {
			w.useOwn(l, nil)
			if l.name == AllChannels {
				return
			}
			w.warnings = append(w.warnings, Warning{Code: "unit", Channel: l.name,
				Text: fmt.Sprintf("channel %q is read in %s, its baseline in %s: judged within the reading", l.name, l.unit, b.Unit)})
			return
		}
	}
	if l.prep == nil {
		if d.base != nil && l.name != AllChannels {
			w.warnings = append(w.warnings, Warning{Code: "no_baseline", Channel: l.name,
				Text: fmt.Sprintf("channel %q has no baseline at this sampling pitch: judged within the reading", l.name)})
		}
		w.useOwn(l, nil)
		return
	}
	w.fill(l, l.prep.w.spectrum)
	w.find(l)
	if !l.moved() {
		return
	}
	// Strong lines, too, are not the noise of the baseline: look at what is left without them.
	keep := l.found
	clean := w.withoutRepeats(l)
	copy(w.spareX(l), l.body())
	copy(l.body(), clean)
	w.find(l)
	in, moved := l.found.inside, l.moved()
	copy(l.body(), w.saved[:l.n])
	if !moved {
		w.whiten(l, l.prep.w)
		l.found = keep
		return
	}
	w.useOwn(l, clean)
	if l.name == AllChannels {
		return
	}
	if b := d.baselineOf(l.name); len(l.traces) < len(b.Strips) {
		w.warnings = append(w.warnings, Warning{Code: "strips", Channel: l.name, Value: float64(len(l.traces)),
			Text: fmt.Sprintf("channel %q: %d of %d strips could be used, which is noisier than the baseline; its own noise was used", l.name, len(l.traces), len(b.Strips))})
		return
	}
	w.warnings = append(w.warnings, Warning{Code: "texture", Channel: l.name, Value: in,
		Text: fmt.Sprintf("channel %q: the noise is not that of the baseline (another fabric, or the fabric lies differently); its own noise was used", l.name)})
}

func (w *work) spareX(l *lane) []float64 {
	w.saved = grow(w.saved, l.n)
	return w.saved
}

// withoutRepeats is the lane less its mean profile at the period of its strongest repeating line, which
// takes all lines of the head and the feed with it and one step's share of the noise.
func (w *work) withoutRepeats(l *lane) []float64 {
	w.clean = grow(w.clean, l.n)
	out := w.clean
	copy(out, l.body())
	folds := l.prep.plan.folds
	if len(folds) == 0 {
		return out
	}
	fam := famLight
	for _, f := range []family{famDark, famPair, famSection} {
		if l.found.best[f].stat > l.found.best[fam].stat {
			fam = f
		}
	}
	c := l.found.best[fam]
	f := folds[c.fold]
	period := f.period + f.slopes[c.trial]
	if c.stat > 0 {
		// A strong line may repeat a little beyond the range that is searched.
		if !l.wide {
			w.widen(l)
		}
		period = w.refine(l, fam, c).period
	}
	// Half-sample bins and straight lines between them: nearest bins left a tenth of a strong line standing.
	bins := 2 * int(math.Round(period))
	sum, count := make([]float64, bins+1), make([]float64, bins+1)
	phase := func(i int) (b int, f float64) {
		u := math.Mod(float64(i)-float64(l.n-1)/2, period)
		if u < 0 {
			u += period
		}
		u *= float64(bins) / period
		b = min(bins-1, int(u))
		return b, u - float64(b)
	}
	for i, v := range out {
		b, f := phase(i)
		sum[b] += (1 - f) * v
		count[b] += 1 - f
		sum[b+1] += f * v
		count[b+1] += f
	}
	sum[0] += sum[bins]
	count[0] += count[bins]
	for b := range bins {
		sum[b] /= math.Max(count[b], 1)
	}
	sum[bins] = sum[0]
	for i := range out {
		b, f := phase(i)
		out[i] -= (1-f)*sum[b] + f*sum[b+1]
	}
	return out
}

// useOwn whitens a lane by its own spectrum, fitted to clean: the lane without what repeats, or nil
// to find that out first. A spectrum fitted to strong lines would hide them from itself.
func (w *work) useOwn(l *lane, clean []float64) {
	d := w.d
	l.own = true
	fit := func(x []float64) {
		s, err := w.ownSpectrum(l, x)
		if err != nil { // cannot happen with 64 noisy samples, but a reading must never panic
			s = Spectrum{AR: []float64{1}, Variance: math.Max(1e-12, meanSquare(x))}
		}
		null := unitNull(1.06)
		if b := d.baselineOf(l.name); b != nil && len(b.OwnNull.Line) > 0 {
			null = b.OwnNull
		} else if w.ownScale > 0 {
			null = unitNull(w.ownScale)
		}
		w.fill(l, s)
		p := d.plan(l.n, w.grid.pitch, l.name == AllChannels)
		l.prep = d.prepare(newWhitening(s, w.grid.pitch, d.period(w.grid.pitch)), p, null, l.name == AllChannels, max(1, len(w.lanes)), 0)
		w.find(l)
	}
	if clean != nil {
		fit(clean)
		return
	}
	fit(l.body())
	for f, c := range l.found.best {
		if family(f) <= famSection && c.stat > l.prep.limits[f] {
			fit(w.withoutRepeats(l))
			return
		}
	}
}

// ownSpectrum fits the spectrum of the lane itself, with outliers pulled in so that strong lines and
// dirt count little.
func (w *work) ownSpectrum(l *lane, x []float64) (Spectrum, error) {
	rec := append([]float64(nil), x...)
	rec = dropGaps(rec, l.gaps)
	pullIn(rec)
	return burg([][]float64{rec}, arOrder(w.grid.pitch))
}

// pullIn limits x to 3.5 robust standard deviations.
func pullIn(x []float64) {
	s := 3.5 * robustSD(x)
	if !(s > 0) {
		return
	}
	for i, v := range x {
		x[i] = math.Max(-s, math.Min(s, v))
	}
}

func (w *work) fill(l *lane, s Spectrum) {
	if len(l.gaps) == 0 {
		return
	}
	if err := s.fillGaps(l.body(), l.gaps); err != nil {
		for _, g := range l.gaps {
			l.body()[g] = 0
		}
	}
}

// mean builds the lane of all channels over the stretch that they share.
func (w *work) mean() {
	w.all = nil
	if len(w.lanes) < 2 {
		return
	}
	unit := w.lanes[0].unit
	lo, hi := 0, math.MaxInt
	total := 0.0
	weight := func(l *lane) float64 {
		if b := w.d.baselineOf(l.name); b != nil && b.Weight > 0 {
			return b.Weight
		}
		return 1 / l.prep.w.spectrum.Variance
	}
	for _, l := range w.lanes {
		if l.unit != unit {
			return
		}
		lo, hi = max(lo, l.offset), min(hi, l.offset+l.n)
		total += weight(l)
	}
	if hi-lo < 64 {
		return
	}
	a := w.newLane(AllChannels)
	a.unit, a.sign, a.offset, a.n = unit, w.lanes[0].sign, lo, hi-lo
	a.x = grow(a.x, a.n+2*padX)
	clear(a.x)
	x := a.body()
	for _, l := range w.lanes {
		f := weight(l) / total
		v := l.body()[lo-l.offset : hi-l.offset]
		for i, u := range v {
			x[i] += f * u
		}
	}
	w.all = a
}

func (w *work) geometryWarnings() {
	pitch := w.grid.pitch
	add := func(x Warning) { w.warnings = append(w.warnings, x) }
	if pitch > 0.17 {
		add(Warning{Code: "coarse", Value: pitch * 1000,
			Text: fmt.Sprintf("a sampling pitch of %.0f um is too coarse for the line of one nozzle: only lines of %.1f mm and broader show fully, thinner ones are weakened", pitch*1000, 2*pitch)})
	}
	for _, l := range w.lanes {
		if len(l.prep.plan.folds) > 0 {
			continue
		}
		length := float64(l.n) * pitch
		step := w.d.geom.StepMM
		switch {
		case step > 0 && step < 4*pitch:
			add(Warning{Code: "coarse_step", Channel: l.name, Value: step,
				Text: fmt.Sprintf("channel %q: a step of %.2f mm is less than four samples; repeats cannot be told apart, only single marks are looked for", l.name, step)})
		default:
			add(Warning{Code: "short_strip", Channel: l.name, Value: length,
				Text: fmt.Sprintf("channel %q: %.0f mm hold fewer than three feed steps; repeats cannot be added up, only single marks are looked for", l.name, length)})
		}
	}
	if w.d.base == nil {
		add(Warning{Code: "within_reading", Text: "no baseline: the reading was judged by its own noise, so that only clear lines are found and standing ones cannot be told from new ones"})
	} else if w.d.base.Readings < 5 {
		add(Warning{Code: "tentative", Value: float64(w.d.base.Readings),
			Text: fmt.Sprintf("baseline readings: only %d, so line limits are wide, and lines that were there from the start cannot be told well", w.d.base.Readings)})
	}
}

// detectable says what contrast would have been found nine times in ten.
func (w *work) detectable(l *lane, res *Result) {
	for i := range res.Channels {
		c := &res.Channels[i]
		if c.Channel != l.name {
			continue
		}
		q := l.prep
		sh := q.w.shapes[min(1, len(q.w.shapes)-1)]
		const nine = 1.2815515655446004
		if len(q.plan.folds) > 0 {
			rows := float64(l.n) / q.plan.folds[0].period * (1 - l.gapped)
			c.Detectable = (q.limits[famLight] + nine) * l.scale(famLight, 1) * sh.peak / math.Sqrt(rows*sh.vf)
		}
		c.DetectableSingle = (q.limits[famSingleLight] + nine) * l.scale(famSingleLight, 1) * sh.peak / math.Sqrt(sh.v)
		c.Unit = l.unit
	}
}

func meanSquare(x []float64) float64 {
	s := 0.0
	for _, v := range x {
		s += v * v
	}
	return s / float64(max(1, len(x)))
}
