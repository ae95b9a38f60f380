package banding

import (
	"fmt"
	"math"
	"slices"
)

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

// strip is what all readings hold of one strip of the chart.
type strip struct {
	channel, name string
	records       [][]float64
	level         float64 // summed over the records
}

// spectra fits strips, channels and the mean of all channels.
func (le *learner) spectra(readings [][]Trace) error {
	strips, err := le.gather(readings)
	if err != nil {
		return err
	}
	if err := le.fit(strips); err != nil {
		return err
	}
	return le.lanes(readings)
}

// gather lays out the traces of all readings and collects them by strip.
func (le *learner) gather(readings [][]Trace) ([]*strip, error) {
	b := le.b
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
			return nil, fmt.Errorf("banding: reading %d is sampled every %.1f um, the first every %.1f: a baseline needs one sampling pitch",
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
		return nil, fmt.Errorf("banding: none of the %d readings has a usable trace: %s", len(readings), why)
	}
	le.d.base = nil
	return strips, nil
}

// fit makes the noise spectrum of each strip, and weighs a channel's strips against one another.
func (le *learner) fit(strips []*strip) error {
	b := le.b
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
	return nil
}

// lanes loads the readings again, now with the strips' weights, and fits what the strips of a channel,
// and all channels, have in common.
func (le *learner) lanes(readings [][]Trace) error {
	b := le.b
	order := arOrder(b.PitchUM / 1000)
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
