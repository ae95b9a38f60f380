package banding

import (
	"fmt"
	"math"
	"slices"
)

// offFactors are the periods, as shares of the step, at which nothing repeats: folded there, a good
// reading shows what the largest value of pure noise is.
var offFactors = [...]float64{0.905, 0.93, 0.955, 1.045, 1.07, 1.095}

// Learn makes a baseline from 1 or more known-good readings of one printer, chart and scanner. Traces
// that cannot be used are left out with a warning in the baseline; it fails when none is left.
func Learn(geom Geometry, readings [][]Trace, opt Options) (*Baseline, error) {
	if err := geom.check(); err != nil {
		return nil, err
	}
	if len(readings) == 0 {
		return nil, fmt.Errorf("banding: no readings to learn from")
	}
	b := &Baseline{Version: baselineVersion, Geometry: geom, Options: opt.withDefaults(), Readings: len(readings)}
	d := &Detector{geom: geom, opt: b.Options, order: geom.Channels}
	d.init()
	le := learner{b: b, d: d}
	if err := le.spectra(readings); err != nil {
		return nil, err
	}
	d.base = b
	le.nulls()
	le.standing()
	return b, nil
}

type learner struct {
	b     *Baseline
	d     *Detector
	works []*work
}

// spectra fits strips, channels and the mean of all channels.
func (le *learner) spectra(readings [][]Trace) error {
	b := le.b
	type strip struct {
		channel, name string
		records       [][]float64
		level         float64
	}
	var strips []*strip
	for ri, traces := range readings {
		w := &work{d: le.d}
		w.load(traces)
		for _, x := range w.warnings {
			x.Text = fmt.Sprintf("reading %d: %s", ri+1, x.Text)
			b.Warnings = append(b.Warnings, x)
		}
		if len(w.lanes) == 0 {
			continue
		}
		if b.PitchUM == 0 {
			b.PitchUM = w.grid.pitch * 1000
			b.Samples = w.lanes[0].n
			le.d.base = &Baseline{PitchUM: b.PitchUM} // later readings follow the first one's pitch
		}
		if math.Abs(w.grid.pitch*1000/b.PitchUM-1) > 1e-3 {
			return fmt.Errorf("banding: reading %d is sampled every %.1f um, the first every %.1f: a baseline needs one sampling pitch",
				ri+1, w.grid.pitch*1000, b.PitchUM)
		}
		le.works = append(le.works, w)
		for i := range w.samples {
			s := &w.samples[i]
			t := &traces[s.trace]
			var st *strip
			if k := slices.IndexFunc(strips, func(o *strip) bool { return o.channel == t.Channel && o.name == t.Strip }); k >= 0 {
				st = strips[k]
			} else {
				st = &strip{channel: t.Channel, name: t.Strip}
				strips = append(strips, st)
			}
			rec := append([]float64(nil), s.values...)
			st.level += w.trend.subtract(rec, w.grid.pitch, w.detrendMM)
			rec = slices.DeleteFunc(rec, func(v float64) bool { return v != v })
			pullIn(rec)
			st.records = append(st.records, rec)
		}
	}
	if len(le.works) == 0 {
		why := "they hold none"
		if len(b.Warnings) > 0 {
			why = b.Warnings[0].Text
		}
		return fmt.Errorf("banding: none of the %d readings has a usable trace: %s", len(readings), why)
	}
	le.d.base = nil
	order := arOrder(b.PitchUM / 1000)
	for _, st := range strips {
		s, err := burg(st.records, order)
		if err != nil {
			return fmt.Errorf("banding: strip %q: %w", st.name, err)
		}
		sb := StripBaseline{Strip: st.name, Level: st.level / float64(len(st.records)), Spectrum: s,
			Noise: rms(st.records), Whiteness: whiteness(st.records, s), Weight: 1 / s.Variance}
		c := b.channel(st.channel)
		if c == nil {
			b.Channels = append(b.Channels, ChannelBaseline{Channel: st.channel})
			c = &b.Channels[len(b.Channels)-1]
		}
		c.Strips = append(c.Strips, sb)
	}
	for i := range b.Channels {
		c := &b.Channels[i]
		top := 0.0
		for _, s := range c.Strips {
			top = math.Max(top, s.Weight)
		}
		for k := range c.Strips {
			// Strips of one make differ little; equal weights keep what is common to them clean.
			if c.Strips[k].Weight > 0.6*top {
				c.Strips[k].Weight = 1
			} else {
				c.Strips[k].Weight /= top
			}
		}
	}
	// The lanes again, now with the strips' weights.
	le.d.base = &Baseline{PitchUM: b.PitchUM, Channels: b.Channels, Version: baselineVersion}
	records := map[string][][]float64{}
	for i, w := range le.works {
		w.load(readings[le.index(readings, i)])
		for _, l := range w.lanes {
			rec := append([]float64(nil), l.body()...)
			rec = dropGaps(rec, l.gaps)
			pullIn(rec)
			records[l.name] = append(records[l.name], rec)
			c := b.channel(l.name)
			c.Unit = l.unit
			c.Level += l.level
		}
	}
	for i := range b.Channels {
		c := &b.Channels[i]
		r := records[c.Channel]
		if len(r) == 0 {
			return fmt.Errorf("banding: channel %q has no usable strip", c.Channel)
		}
		s, err := burg(r, order)
		if err != nil {
			return fmt.Errorf("banding: channel %q: %w", c.Channel, err)
		}
		c.Spectrum, c.Noise, c.Whiteness, c.Level = s, rms(r), whiteness(r, s), c.Level/float64(len(r))
		c.Weight = 1 / s.Variance
		if c.Whiteness > 0.1 {
			b.Warnings = append(b.Warnings, Warning{Code: "not_white", Channel: c.Channel, Value: c.Whiteness,
				Text: fmt.Sprintf("channel %q: the noise could not be whitened well (correlation %.2f left); limits are wider for it", c.Channel, c.Whiteness)})
		}
	}
	return le.allSpectrum(order)
}

// index of the i-th usable reading among all; readings without a usable trace have no work.
func (le *learner) index(readings [][]Trace, i int) int {
	if len(le.works) == len(readings) {
		return i
	}
	k := -1
	for r := range readings {
		w := &work{d: &Detector{geom: le.b.Geometry, opt: le.b.Options, order: le.b.Geometry.Channels}}
		w.load(readings[r])
		if len(w.lanes) > 0 {
			k++
		}
		if k == i {
			return r
		}
	}
	return len(readings) - 1
}

// allSpectrum fits the mean over the channels.
func (le *learner) allSpectrum(order int) error {
	b := le.b
	if len(b.Channels) < 2 {
		return nil
	}
	var recs [][]float64
	for _, w := range le.works {
		for _, l := range w.lanes {
			c := b.channel(l.name)
			l.prep = &prepared{w: &whitening{spectrum: c.Spectrum}, null: unitNull(1)}
			w.fill(l, c.Spectrum)
		}
		w.mean()
		if w.all == nil {
			continue
		}
		rec := append([]float64(nil), w.all.body()...)
		pullIn(rec)
		recs = append(recs, rec)
	}
	if len(recs) == 0 {
		return nil
	}
	s, err := burg(recs, order)
	if err != nil {
		return fmt.Errorf("banding: mean of all channels: %w", err)
	}
	b.All = &ChannelBaseline{Channel: AllChannels, Unit: b.Channels[0].Unit, Noise: rms(recs), Spectrum: s, Whiteness: whiteness(recs, s)}
	return nil
}

func (b *Baseline) channel(name string) *ChannelBaseline {
	for i := range b.Channels {
		if b.Channels[i].Channel == name {
			return &b.Channels[i]
		}
	}
	return nil
}

// nulls folds the good readings at periods at which nothing repeats, with the baseline's spectrum and
// with each reading's own, and fits the scale of their largest values.
func (le *learner) nulls() {
	b := le.b
	for _, own := range []bool{false, true} {
		set := map[string]*nullSet{}
		var pool, poolAll nullSet
		for _, w := range le.works {
			lanes := w.lanes
			if w.all != nil {
				lanes = append(lanes[:len(lanes):len(lanes)], w.all)
			}
			for _, l := range lanes {
				if set[l.name] == nil {
					set[l.name] = new(nullSet)
				}
				into := set[l.name]
				all := &pool
				if l.name == AllChannels {
					all = &poolAll
				}
				le.whitenFor(w, l, own)
				w.offPeriods(l, func(fam family, shape int, stat float64, f field) {
					into.add(fam, shape, stat, f)
					all.add(fam, shape, stat, f)
				})
			}
		}
		for i := range b.Channels {
			b.Channels[i].set(own, fitNull(&pool, set[b.Channels[i].Channel]))
		}
		if b.All != nil && set[AllChannels] != nil {
			b.All.set(own, fitNull(&poolAll, set[AllChannels]))
		}
		if !own {
			b.Replicates = len(pool.line[0].Value)
			_, b.LimitSE = pool.line[0].scale()
		}
	}
}

func (c *ChannelBaseline) set(own bool, n Null) {
	if own {
		c.OwnNull = n
	} else {
		c.Null = n
	}
}

// whitenFor filters a lane with the baseline's spectrum or its own.
func (le *learner) whitenFor(w *work, l *lane, own bool) {
	c := le.d.baselineOf(l.name)
	s := c.Spectrum
	if own {
		if o, err := w.ownSpectrum(l, l.body()); err == nil {
			s = o
		}
	}
	w.fill(l, s)
	p := le.d.plan(l.n, w.grid.pitch, l.name == AllChannels)
	l.prep = &prepared{w: newWhitening(s, w.grid.pitch, le.d.period(w.grid.pitch)), plan: p, null: unitNull(1)}
	l.prep.setFields()
	w.whiten(l, l.prep.w)
}

// offPeriods reports the largest statistics of a filtered lane at periods at which nothing repeats,
// and the largest single values.
func (w *work) offPeriods(l *lane, report func(fam family, shape int, stat float64, f field)) {
	keep := l.found
	defer func() { l.found = keep }()
	q := l.prep.w
	l.found = search{}
	w.scanSingles(l)
	single := shapeFields(q, l.prep.plan, true)
	for k := range q.shapes {
		report(famSingleLight, k, l.found.line[2][k].stat, single[k])
		report(famSingleDark, k, l.found.line[3][k].stat, single[k])
	}
	fold := func(p *plan) {
		if len(p.folds) == 0 {
			return
		}
		l.found = search{}
		w.scanFolds(l, p.folds, p.tables, foldClip)
		lines := shapeFields(q, p, false)
		for k := range q.shapes {
			report(famLight, k, l.found.line[0][k].stat, lines[k])
			report(famDark, k, l.found.line[1][k].stat, lines[k])
		}
		f := searchFields(q, l.n, p.folds)
		report(famPair, 0, l.found.best[famPair].stat, f[famPair])
		report(famSection, 0, l.found.best[famSection].stat, f[famSection])
	}
	if w.d.period(w.grid.pitch) == 0 {
		fold(l.prep.plan) // nothing is known to repeat: the search itself
		return
	}
	for _, k := range offFactors {
		fold(w.d.offPlan(l.n, w.grid.pitch, k))
	}
}

// offPlan is the plan at one of the periods at which nothing repeats.
func (d *Detector) offPlan(n int, pitchMM, factor float64) *plan {
	k := planKey{n, pitchMM * factor, true}
	d.mu.Lock()
	defer d.mu.Unlock()
	if p, ok := d.plans[k]; ok {
		return p
	}
	p := newPlan(n, pitchMM, d.period(pitchMM)*factor, false)
	d.plans[k] = p
	return p
}

// nullSet gathers the largest values of one channel, or of all, by search and width.
type nullSet struct {
	line, single  [len(bankMM)]nullSample
	pair, section nullSample
}

func (s *nullSet) add(f family, shape int, v float64, at field) {
	switch f {
	case famLight, famDark:
		s.line[shape].add(v, at)
	case famSingleLight, famSingleDark:
		s.single[shape].add(v, at)
	case famPair:
		s.pair.add(v, at)
	case famSection:
		s.section.add(v, at)
	}
}

// fitNull turns largest values into scales: those of all channels together, widened by their own
// uncertainty, or the channel's own where that is clearly larger.
func fitNull(pool, own *nullSet) Null {
	fit := func(ref float64, p, o *nullSample) float64 {
		if len(p.Value) == 0 {
			return 1.05
		}
		k, se := p.scale()
		k /= ref
		out := k * (1 + se)
		if len(o.Value) > 0 {
			ko, so := o.scale()
			ko /= ref
			n := float64(len(o.Value))
			const prior = 60
			mixed := (n*ko + prior*k) / (n + prior)
			if mixed > k*(1+1.5*so) {
				out = math.Max(out, mixed*(1+se))
			}
		}
		return out
	}
	n := Null{Pair: fit(refPair, &pool.pair, &own.pair), Section: fit(refSection, &pool.section, &own.section)}
	for k := range bankMM {
		if len(pool.single[k].Value) == 0 && len(pool.line[k].Value) == 0 {
			continue // fewer widths than the bank's on a coarse pitch
		}
		n.Line = append(n.Line, fit(refLine[k], &pool.line[k], &own.line[k]))
		n.Single = append(n.Single, fit(refSingle[k], &pool.single[k], &own.single[k]))
		mu, beta := pool.single[k].gumbel()
		n.SingleMu, n.SingleBeta = append(n.SingleMu, mu), append(n.SingleBeta, beta)
		n.SingleHeavy = append(n.SingleHeavy, pool.single[k].heavy(n.Single[k]*refSingle[k]))
	}
	n.Replicates = len(pool.line[0].Value)
	return n
}

// standing looks for lines that the good readings share: their folds added up at one period.
func (le *learner) standing() {
	b := le.b
	if b.Geometry.StepMM <= 0 {
		return
	}
	det, err := b.Prepare()
	if err != nil {
		return
	}
	pitch := b.PitchUM / 1000
	for i := range b.Channels {
		c := &b.Channels[i]
		p := det.prepared(c.Channel, b.Samples, len(b.Channels), pitch)
		if p == nil || len(p.plan.folds) == 0 {
			continue
		}
		f := p.plan.folds[0]
		total := make([]float64, f.width)
		var profiles [][]float64
		locals := make([]float64, f.localsLen())
		for _, w := range le.works {
			l := w.lane(c.Channel)
			if l == nil || l.n != b.Samples {
				continue
			}
			l.prep = p
			w.fill(l, c.Spectrum)
			w.whiten(l, p.w)
			z := make([]float64, l.n+2*f.pad)
			mid := min(1, len(p.w.shapes)-1)
			copy(z[f.pad:], l.z[mid][padX:padX+l.n])
			f.locals(z, locals)
			prof := make([]float64, f.width)
			f.profile(locals, len(f.slopes)/2, prof)
			profiles = append(profiles, prof)
			for k, v := range prof {
				total[k] += v
			}
		}
		if len(profiles) < 2 {
			continue
		}
		sh := p.w.shapes[min(1, len(p.w.shapes)-1)]
		rows := float64(f.n) / f.period
		unit := math.Sqrt(rows * float64(len(profiles)) * sh.vf)
		limit := foldField(f.period, 0, sh.lambda).limit(0.001) * c.Null.scale(famLight, 1)
		for k := f.margin; k < f.margin+f.bins; k++ {
			t := math.Abs(total[k]) / unit
			if t < limit || math.Abs(total[k-1]) > math.Abs(total[k]) || math.Abs(total[k+1]) >= math.Abs(total[k]) {
				continue
			}
			scale := sh.peak / (rows * sh.vf)
			mean, sq := total[k]/float64(len(profiles))*scale, 0.0
			for _, pr := range profiles {
				d := pr[k]*scale - mean
				sq += d * d
			}
			start := le.works[0].grid.start + float64(le.works[0].lane(c.Channel).offset)*pitch
			c.Standing = append(c.Standing, StandingLine{
				AtMM: start + f.position(f.rows/2, 0, float64(k))*pitch, PeriodMM: b.Geometry.StepMM,
				Contrast: -mean, ContrastSD: math.Sqrt(sq / float64(len(profiles)-1)), WidthUM: 2355 * sh.sigma * pitch,
			})
			b.Warnings = append(b.Warnings, Warning{Code: "standing", Channel: c.Channel, Value: -mean,
				Text: fmt.Sprintf("channel %q: the good readings themselves show a line every %.2f mm; clean the head and learn again, or live with it", c.Channel, b.Geometry.StepMM)})
		}
	}
}

func dropGaps(x []float64, gaps []int) []float64 {
	k := 0
	for i, v := range x {
		if len(gaps) > 0 && gaps[0] == i {
			gaps = gaps[1:]
			continue
		}
		x[k] = v
		k++
	}
	return x[:k]
}

func rms(records [][]float64) float64 {
	s, n := 0.0, 0
	for _, r := range records {
		for _, v := range r {
			s += v * v
		}
		n += len(r)
	}
	return math.Sqrt(s / float64(max(1, n)))
}

// whiteness is the largest autocorrelation of the prediction errors at lags up to twice the order,
// which is zero, give or take 1/sqrt(samples), when the spectrum is right.
func whiteness(records [][]float64, s Spectrum) float64 {
	p := len(s.AR) - 1
	r := make([]float64, 2*p+1)
	var e []float64
	for _, x := range records {
		e = e[:0]
		for t := p; t < len(x); t++ {
			sum := 0.0
			for k, a := range s.AR {
				sum += a * x[t-k]
			}
			e = append(e, sum)
		}
		for lag := range r {
			for t := lag; t < len(e); t++ {
				r[lag] += e[t] * e[t-lag]
			}
		}
	}
	top := 0.0
	for _, v := range r[1:] {
		top = math.Max(top, math.Abs(v)/r[0])
	}
	return top
}

// robustSD is the standard deviation that the middle of the distribution of x, assumed centred on
// zero, speaks for: the median of |x| over 0.6745. It uses at most about 1,000 of the values.
func robustSD(x []float64) float64 {
	step := len(x)/1000 + 1
	var v []float64
	for i := 0; i < len(x); i += step {
		if x[i] == x[i] {
			v = append(v, math.Abs(x[i]))
		}
	}
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[len(v)/2] / 0.6744897501960817
}
