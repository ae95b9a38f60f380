package banding

import "math"

// line turns an event into what is reported.
func (w *work) line(traces []Trace, e event, kind Kind) Line {
	l, q, opt := e.lane, e.lane.prep.w, w.d.opt
	pitch := w.grid.pitch
	a, se, rows := w.amplitude(l, e.fam, e.c.shape, e.place)
	_, _, _, sigma := q.information(e.fam, e.c.shape)
	sigmaMM := sigma * pitch
	out := Line{Kind: kind, Repeats: rows, Score: e.c.stat, Limit: l.prep.limits[e.fam]}
	switch e.fam {
	case famSection:
		out.WidthUM = float64(q.sections[e.c.shape].w) * pitch * 1000
		sigmaMM = float64(q.sections[e.c.shape].w) * pitch / math.Sqrt(2*math.Pi) // same area as the box
	case famPair:
	default:
		s, peak := w.width(l, e.place, a)
		if e.c.stat > 10 {
			sigmaMM, a = s*pitch, peak
			out.WidthUM = 2355 * sigmaMM
		}
	}
	out.Contrast, out.ContrastSE = -a, se
	out.AtMM = w.grid.mm(float64(l.offset) + e.place.mid)
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
	if e.place.period > 0 && (kind == Dropout || kind == Weak) {
		w.loss(&out, l, a, se, sigmaMM)
	}
	if e.place.period > 0 && kind != Feed && kind != Section {
		out.NozzleCandidates = w.d.geom.candidates(out.AtMM, out.AtMMSE, out.PeriodMM, out.PeriodMMSE)
	}
	w.known(&out, l)
	if e.place.period > 0 && !out.Standing {
		out.Matters = out.ContrastDE00 >= opt.MattersDE00 || out.Loss >= opt.MattersLoss
		out.Stop = out.Matters && out.Visibility >= opt.StopVisibility
	}
	return out
}

// width fits the standard deviation of a line, in samples, by a parabola through the statistics of the
// bank's widths, and returns the peak at that width.
func (w *work) width(l *lane, p place, a float64) (sigma, peak float64) {
	q := l.prep.w
	n := len(q.shapes)
	if n < 3 {
		sh := q.shapes[n-1]
		return sh.sigma, a
	}
	var t, x, amp [3]float64
	for i := range 3 {
		sh := q.shapes[n-3+i]
		sum, rows := l.sumAt(l.z[n-3+i], p)
		t[i] = math.Abs(sum) / math.Sqrt(float64(max(1, rows))*sh.v)
		amp[i] = sum * sh.peak / (float64(max(1, rows)) * sh.v)
		x[i] = math.Log(sh.sigma)
	}
	// Lagrange parabola; its vertex.
	d1 := (t[1] - t[0]) / (x[1] - x[0])
	d2 := (t[2] - t[1]) / (x[2] - x[1])
	c := (d2 - d1) / (x[2] - x[0])
	best := x[0]
	switch {
	case c < 0:
		best = (x[0]+x[1])/2 - d1/(2*c)
	case t[2] > t[0]:
		best = x[2]
	}
	best = math.Max(x[0], math.Min(x[2]+0.3, best))
	// The peak of the right width lies between those of its neighbours: the filters see area and width
	// together, so that the log of the peak is about straight in the log of the width.
	i := 0
	if best > x[1] {
		i = 1
	}
	if amp[i]*amp[i+1] <= 0 {
		return math.Exp(best), a
	}
	f := (best - x[i]) / (x[i+1] - x[i])
	la := math.Log(math.Abs(amp[i])) + f*(math.Log(math.Abs(amp[i+1]))-math.Log(math.Abs(amp[i])))
	return math.Exp(best), math.Copysign(math.Exp(la), a)
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
