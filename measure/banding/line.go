package banding

import "math"

// line turns an event into what is reported.
func (w *work) line(e event) Line {
	l, q, opt := e.lane, e.lane.prep.w, w.opt
	pitch := w.grid.pitch
	a, se := e.a, e.se
	_, _, _, sigma := q.information(e.fam, e.c.shape)
	sigmaMM := sigma * pitch
	out := Line{Kind: e.kind, Repeats: e.rows, Score: e.c.stat, Limit: l.prep.limits[e.fam], Confirmed: e.confirmed}
	switch {
	case e.band.profile != nil:
		out.WidthUM = e.band.width * pitch * 1000
		sigmaMM = e.band.width * pitch / math.Sqrt(2*math.Pi)
	case e.fam == famSection:
		out.WidthUM = float64(q.sections[e.c.shape].w) * pitch * 1000
		sigmaMM = float64(q.sections[e.c.shape].w) * pitch / math.Sqrt(2*math.Pi) // same area as the box
	case e.sigma > 0:
		sigmaMM = e.sigma * pitch
		out.WidthUM = 2355 * sigmaMM
	}
	out.Contrast, out.ContrastSE = -a, se
	out.AtMM = w.grid.mm(float64(l.offset) + e.place.mid + e.band.shift)
	out.AtMMSE = e.place.seMid * pitch
	if e.place.period > 0 {
		out.PeriodMM = e.place.period * pitch
		out.PeriodMMSE = e.place.sePeriod * pitch
	}
	level, paper, model := l.level, l.paper, NewInkModel(l.name)
	if l.name == AllChannels {
		// Judge a seam in the ink that shows it most.
		for _, m := range w.lanes {
			dl, de := NewInkModel(m.name).Difference(m.unit, m.level, m.paper, out.Contrast)
			if de > out.ContrastDE00 {
				out.ContrastLightness, out.ContrastDE00 = dl, de
				level, paper, model = m.level, m.paper, NewInkModel(m.name)
			}
		}
	} else {
		out.ContrastLightness, out.ContrastDE00 = model.Difference(l.unit, level, paper, out.Contrast)
	}
	lightness := level
	if l.unit == Density {
		lightness = model.lab(math.Max(0, level-math.Max(paper, 0.06))).L
	}
	out.Visibility = visibility(out.ContrastLightness, lightness, sigmaMM, out.PeriodMM, opt.ViewingMM, opt.Luminance)
	if e.place.period > 0 && e.kind == Dropout {
		w.loss(&out, l, a, se, sigmaMM)
	}
	if e.place.period > 0 && e.kind != Feed && e.kind != Section {
		out.NozzleCandidates = w.d.geom.candidates(out.AtMM, out.AtMMSE, out.PeriodMM, out.PeriodMMSE)
	}
	w.known(&out, l)
	if e.place.period > 0 && !out.Standing {
		out.Matters = out.ContrastDE00 >= opt.MattersDE00 || out.Loss >= opt.MattersLoss
		out.Stop = out.Matters && out.Visibility >= opt.StopVisibility
	}
	return out
}

// width fits the standard deviation of a strong line, in samples, and its peak: the width, on a fine
// scale between 0.05 and 0.5 mm, whose template has the largest statistic.
func (w *work) width(l *lane, p place, a float64) (sigma, peak float64) {
	q := l.prep.w
	base := q.shapes[0].sigma
	top := math.Max(0.5/w.grid.pitch, 2*base)
	reach := int(math.Ceil(3 * top))
	// The folded profile of the base-filtered trace around the line.
	prof := make([]float64, 2*reach+1)
	rows := 0
	for i := range prof {
		var n int
		prof[i], n = l.sumAt(l.z[0], place{mid: p.mid + float64(i-reach), period: p.period})
		rows = max(rows, n)
	}
	if rows == 0 {
		return base, a
	}
	const steps = 14
	var t, lg, amp [steps]float64
	best := 0
	for j := range steps {
		s := base * math.Pow(top/base, float64(j)/(steps-1))
		lg[j] = math.Log(s)
		k := []float64{1}
		if j > 0 {
			k = halfGaussian(math.Max(0.35, math.Sqrt(s*s-base*base)))
			if len(k) > reach+1 {
				k = k[:reach+1]
			}
		}
		sum := k[0] * prof[reach]
		for i := 1; i < len(k); i++ {
			sum += k[i] * (prof[reach-i] + prof[reach+i])
		}
		v := convolveHalf(convolveHalf(q.c11, k), k)[0]
		t[j] = math.Abs(sum) / math.Sqrt(float64(rows)*v)
		amp[j] = sum * convolveHalf(q.g, k)[0] / (float64(rows) * v)
		if t[j] > t[best] {
			best = j
		}
	}
	if best == 0 || best == steps-1 {
		return math.Exp(lg[best]), amp[best]
	}
	d := t[best-1] - 2*t[best] + t[best+1]
	f := 0.5 * (t[best-1] - t[best+1]) / d
	h := lg[1] - lg[0]
	i := best
	if f < 0 {
		i, f = best-1, f+1
	}
	return math.Exp(lg[i] + f*h), amp[i] + f*(amp[i+1]-amp[i])
}

// loss is the share of one nozzle's ink that is missing. A nozzle lays 1/passes of the ink of a band one
// nozzle pitch wide in every step, whatever the interlace; so a dead one leaves S * pitch / passes, with S
// what the strip's ink takes from the paper's reading.
func (w *work) loss(out *Line, l *lane, a, se, sigmaMM float64) {
	g := w.d.geom
	if g.NozzlePitchUM <= 0 || g.Passes <= 0 || l.paper == 0 {
		return
	}
	s := math.Abs(l.level - l.paper)
	if !(s > 0) {
		return
	}
	whole := s * g.NozzlePitchUM / 1000 / float64(g.Passes)
	area := math.Sqrt(2*math.Pi) * sigmaMM
	out.Loss = a * area / whole
	out.LossSE = se * area / whole
	// Separate dots lose more than their share of the reading, so that more than all can seem gone.
	if out.Loss+out.LossSE < 0.6 && out.Loss > 0 {
		out.Kind = Weak
	}
}

// known compares a line with those that the baseline shows.
func (w *work) known(out *Line, l *lane) {
	b := w.d.baselineOf(l.name)
	if b == nil || out.PeriodMM <= 0 {
		return
	}
	for _, s := range b.Standing {
		d := math.Mod(math.Abs(out.AtMM-s.AtMM), out.PeriodMM)
		d = math.Min(d, out.PeriodMM-d)
		tolerance := 0.15 + 3*out.AtMMSE
		sd := math.Hypot(out.ContrastSE, s.ContrastSD)
		if d < tolerance && out.Contrast*s.Contrast > 0 && math.Abs(out.Contrast) < math.Abs(s.Contrast)+4*sd {
			out.Standing = true
		}
	}
}

// candidates lists the nozzles that print at a place, known only modulo step / pitch.
func (g Geometry) candidates(atMM, seMM, periodMM, sePeriodMM float64) []int {
	if g.FirstNozzleMM == nil || g.NozzlePitchUM <= 0 || g.Nozzles <= 0 || periodMM <= 0 {
		return nil
	}
	pitch := g.NozzlePitchUM / 1000
	k := math.Floor((atMM - *g.FirstNozzleMM) / periodMM)
	offset := atMM - *g.FirstNozzleMM - k*periodMM
	// The middle of the strip is k steps from where nozzle 1 is known to print.
	tolerance := 2.2*math.Hypot(seMM, k*sePeriodMM) + pitch/2
	var out []int
	for i := 1; i <= g.Nozzles; i++ {
		d := math.Mod(float64(i-1)*pitch-offset, periodMM)
		if d < 0 {
			d += periodMM
		}
		if math.Min(d, periodMM-d) <= tolerance {
			out = append(out, i)
		}
	}
	if len(out) > g.Nozzles/3 {
		return nil // that says nothing
	}
	return out
}
