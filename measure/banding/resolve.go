package banding

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// event is one thing found, on its way to a Line or a Mark.
type event struct {
	fam   family
	c     candidate
	place place
	lane  *lane
	ratio float64 // statistic over its limit

	// What was measured before it was taken out.
	kind      Kind
	confirmed bool
	a, se     float64 // peak, up = lighter
	rows      int
	sigma     float64 // fitted, samples; 0 when the line is too weak to tell its width
	band      band    // of a strong section
}

// measure fits peak and, of a strong line, width.
func (w *work) measure(e *event) {
	e.a, e.se, e.rows = w.amplitude(e.lane, e.fam, e.c.shape, e.place)
	e.sigma = 0
	if e.c.stat > 10 && e.fam != famPair && e.fam != famSection {
		e.sigma, e.a = w.width(e.lane, e.place, e.a)
	}
	w.measureBand(e)
}

// resolve finds the strongest thing anywhere, decides what it is, takes it out of the traces and looks
// again, until nothing passes its limit.
func (w *work) resolve(traces []Trace, res *Result) {
	lanes := append([]*lane(nil), w.lanes...)
	if w.all != nil {
		lanes = append(lanes, w.all)
	}
	var found []event
	score := make([]float64, len(lanes))
	// Without a baseline the scale of the statistics must come from this reading; what is clear
	// beyond doubt is taken out before it is measured.
	raise := 1.0
	scaled := w.d.base != nil && !slices.ContainsFunc(w.lanes, func(l *lane) bool { return w.d.baselineOf(l.name) == nil })
	if !scaled {
		raise = 1.6
	}
	var done []event
	for range 4 * w.d.opt.MaxLines * max(1, len(lanes)) {
		e, ok := w.strongest(lanes, raise)
		if !ok {
			if scaled {
				break
			}
			scaled, raise = true, 1
			w.measureScale(lanes)
			continue
		}
		w.settle(traces, e, &done, &found, lanes, res)
		if len(done) > 3*w.d.opt.MaxLines*len(lanes) {
			w.warnings = append(w.warnings, Warning{Code: "many", Value: float64(len(done)),
				Text: fmt.Sprintf("more than %d lines and marks: the rest was not sorted out", len(done))})
			break
		}
	}
	if w.all != nil && !w.all.wide && len(found) > 0 {
		w.widen(w.all)
	}
	lines := make([][]Line, len(lanes))
	for _, e := range found {
		// What was left behind while the trend was still pulled aside belongs to the line.
		if rest, _, _ := w.amplitude(e.lane, e.fam, e.c.shape, e.place); math.Abs(rest) < 0.3*math.Abs(e.a) {
			e.a += rest
		}
		k := slices.Index(lanes, e.lane)
		ln := w.line(e)
		lines[k] = append(lines[k], ln)
		if !ln.Standing {
			score[k] = math.Max(score[k], e.ratio*w.mainLimit(e.lane))
		}
	}
	for i, l := range lanes {
		lim := w.mainLimit(l)
		top := score[i]
		for f, c := range l.found.best {
			// What is left after all lines are taken out.
			top = math.Max(top, math.Min(1, c.stat/l.prep.limits[f])*lim)
		}
		if len(lines[i]) > w.d.opt.MaxLines {
			slices.SortStableFunc(lines[i], func(a, b Line) int { return cmp.Compare(b.Score/b.Limit, a.Score/a.Limit) })
			lines[i] = lines[i][:w.d.opt.MaxLines]
		}
		res.Channels = append(res.Channels, ChannelResult{Channel: l.name, Score: top, Limit: lim, Lines: lines[i]})
	}
}

// mainLimit is the limit that a channel's score is compared with.
func (w *work) mainLimit(l *lane) float64 {
	if len(l.prep.plan.folds) > 0 {
		return l.prep.limits[famLight]
	}
	return l.prep.limits[famSingleLight]
}

func (w *work) strongest(lanes []*lane, raise float64) (event, bool) {
	var e event
	for _, l := range lanes {
		for f, c := range l.found.best {
			fam := family(f)
			if l.name == AllChannels && fam > famDark {
				continue
			}
			if r := c.stat / (l.prep.limits[f] * raise); r > 1 && r*raise > e.ratio {
				e = event{fam: fam, c: c, lane: l, ratio: r * raise}
			}
		}
	}
	return e, e.lane != nil
}

// settle decides one event.
func (w *work) settle(traces []Trace, e event, done, found *[]event, lanes []*lane, res *Result) {
	if w.all != nil && !w.all.wide {
		w.widen(w.all)
	}
	e.place = w.refine(e.lane, e.fam, e.c)
	single := e.fam == famSingleLight || e.fam == famSingleDark
	if !single {
		if h := w.textured(e); h != nil {
			if e.lane.notches++; e.lane.notches <= maxNotches {
				w.notch(e.lane, e.place.period, h)
			} else {
				w.giveUp(e.lane)
			}
			return
		}
	}
	w.measure(&e)
	residue := slices.ContainsFunc(*done, func(o event) bool { return w.residueOf(e, o) })
	if e.fam == famSection && !residue {
		if line, ok := w.separate(e); ok {
			e = line
			residue = slices.ContainsFunc(*done, func(o event) bool { return w.residueOf(e, o) })
		}
	}
	*done = append(*done, e)
	switch {
	case residue:
		for i := range *found {
			if o := &(*found)[i]; w.samePlace(e, *o) {
				o.a += e.a
				break
			}
		}
		w.remove(e, w.touched(e, lanes))
		return
	case !single && w.oneRepeatCarries(e):
		// The fold lives on one repeat only: it is a single mark that did not reach the single limit.
		w.remove(e, []*lane{e.lane})
		return
	}
	feed, lit := w.allInks(e)
	switch {
	case feed && single:
		res.Marks = append(res.Marks, w.mark(e, "all_inks"))
		w.remove(e, lanes)
	case feed, e.lane.name == AllChannels && len(lit) == 0:
		// In the second case no ink by itself shows what the mean of all can see.
		all := e
		if w.all != nil && e.lane != w.all {
			all.move(w.all)
			w.measure(&all)
		}
		all.kind = Feed
		*found = append(*found, all)
		w.remove(e, lanes)
	case e.lane.name == AllChannels:
		for _, l := range lit {
			one := e
			one.move(l)
			w.measure(&one)
			w.settleOne(traces, one, found, res)
		}
		w.remove(e, append(lit, e.lane))
	default:
		w.settleOne(traces, e, found, res)
		w.remove(e, w.touched(e, lanes))
	}
}

// giveUp stops the search for repeats in a lane whose texture cannot be told from lines.
func (w *work) giveUp(l *lane) {
	for f := famLight; f <= famSection; f++ {
		l.found.best[f] = candidate{}
	}
	if l.name != AllChannels {
		w.warnings = append(w.warnings, Warning{Code: "texture_lines", Channel: l.name,
			Text: fmt.Sprintf("channel %q: the fabric's texture cannot be told from lines in this reading; lay the fabric straight and read it again", l.name)})
	}
}

// move looks at the same place in another lane.
func (e *event) move(l *lane) {
	e.place.mid += float64(e.lane.offset - l.offset)
	e.lane = l
	if e.fam != famSection {
		e.c.shape = min(e.c.shape, len(l.prep.w.shapes)-1)
	}
}

// settleOne decides an event of one ink.
func (w *work) settleOne(traces []Trace, e event, found *[]event, res *Result) {
	single := e.fam == famSingleLight || e.fam == famSingleDark
	confirmed, lone := w.agree(traces, e)
	if single && e.ratio*w.worth(e.lane, e.c.shape, e.place, e.c.sign) < 1 {
		// What good strips show now and then is neither a line nor, unless it is rare on a strip by itself, a mark.
		if lone == "" || !w.rare(e) {
			return
		}
	}
	switch {
	case lone != "":
		m := w.mark(e, "one_strip")
		m.Strip = lone
		res.Marks = append(res.Marks, m)
		return
	case single && e.fam == famSingleDark:
		res.Marks = append(res.Marks, w.mark(e, "dark"))
		return
	case single && !confirmed && len(e.lane.traces) > 1:
		// One strip shows it less than the other, neither clearly: not enough for a line.
		return
	}
	e.kind, e.confirmed = Dropout, confirmed
	switch e.fam {
	case famDark, famPair:
		e.kind = Deflected
	case famSection:
		e.kind = Section
	}
	*found = append(*found, e)
}

// touched are the lanes that an event of one ink shows in: its own and the mean of all.
func (w *work) touched(e event, lanes []*lane) []*lane {
	if e.lane.name == AllChannels {
		return lanes
	}
	out := []*lane{e.lane}
	if w.all != nil {
		out = append(out, w.all)
	}
	return out
}

// residueOf says that an event is what a stronger one left behind because its shape was not exactly
// the template's: close to it and less than a third of it, or anywhere and less than a
// tenth (a quarter when of the other sign, for a strong line pulls the trend).
func (w *work) residueOf(e, o event) bool {
	if e.lane != o.lane && e.lane.name != AllChannels && o.lane.name != AllChannels {
		return false
	}
	share := 0.3
	if w.samePlace(e, o) {
		share = 1 // one ink has no two lines closer than their width
	}
	if o.fam == famSection {
		share = 0.5 // a section's edges are not sharp
	}
	if e.c.stat > share*o.c.stat {
		return false
	}
	if o.place.period > 0 && (e.c.stat < 0.1*o.c.stat || (e.c.stat < 0.25*o.c.stat && e.c.sign != o.c.sign)) {
		return true
	}
	_, _, _, s1 := e.lane.prep.w.information(e.fam, e.c.shape)
	_, _, _, s2 := o.lane.prep.w.information(o.fam, o.c.shape)
	reach := 1.7*(s1+s2) + 1
	a := e.place.mid + float64(e.lane.offset)
	b := o.place.mid + float64(o.lane.offset)
	d := math.Abs(a - b)
	if o.place.period > 0 {
		d = math.Mod(d, o.place.period)
		d = math.Min(d, o.place.period-d)
		if e.place.period > 0 && math.Abs(e.place.period-o.place.period)*float64(e.lane.n)/e.place.period > 2*reach+4 {
			return false
		}
	} else if e.place.period > 0 {
		return false
	}
	return d < reach
}

// samePlace says that two lines of one lane and sign lie within a line's width of each other, repeat after
// repeat: they are one line, of which the first fit has left something.
func (w *work) samePlace(e, o event) bool {
	if e.lane != o.lane || e.fam != o.fam || e.fam == famSection || (e.place.period > 0) != (o.place.period > 0) {
		return false
	}
	_, _, _, s := o.lane.prep.w.information(o.fam, o.c.shape)
	d := math.Abs(e.place.mid - o.place.mid)
	if p := o.place.period; p > 0 {
		d = math.Mod(d, p)
		d = math.Min(d, p-d)
	}
	return d < math.Max(s, 1)
}

// oneRepeatCarries drops the largest repeat: a line that repeats must stand without it.
func (w *work) oneRepeatCarries(e event) bool {
	if e.fam == famSection {
		return false
	}
	l := e.lane
	total, n := w.statAt(l, &l.z, e.fam, e.c.shape, e.place)
	if n < 3 {
		return false
	}
	sign := math.Copysign(1, total)
	top := 0.0
	l.rows(e.place, func(at float64) {
		v, _ := w.statAt(l, &l.z, e.fam, e.c.shape, place{mid: at})
		top = math.Max(top, sign*v)
	})
	rest := (sign*total - top) / math.Sqrt(float64(n-1))
	return rest < 0.8*sign*total/math.Sqrt(float64(n))/math.Max(1, e.ratio)
}

// amplitude is the peak of a line in a lane, up = lighter, with its standard error.
func (w *work) amplitude(l *lane, fam family, shape int, p place) (a, se float64, rows int) {
	q := l.prep.w
	if fam != famSection {
		shape = min(shape, len(q.shapes)-1)
	} else if shape >= len(q.sections) {
		return 0, math.Inf(1), 0
	}
	sum, n := w.statAt(l, &l.z, fam, shape, p)
	v, peak, _, _ := q.information(fam, shape)
	if n == 0 {
		return 0, math.Inf(1), 0
	}
	scale := l.scale(fam, shape)
	return sum * peak / (float64(n) * v), scale * peak / math.Sqrt(float64(n)*v), n
}

func (w *work) mark(e event, why string) Mark {
	m := Mark{Channel: e.lane.name, AtMM: w.grid.mm(float64(e.lane.offset) + e.place.mid), Contrast: -e.a,
		Score: e.ratio * w.mainLimit(e.lane), Repeats: e.rows, Why: why}
	if why == "all_inks" {
		m.Channel = ""
	}
	return m
}

// measureScale finds, within one reading, how much larger the statistics are than the model says, from
// folds at periods at which nothing repeats.
func (w *work) measureScale(lanes []*lane) {
	var s nullSample
	for _, l := range lanes {
		if l.own && w.d.baselineOf(l.name) == nil {
			w.offPeriods(l, func(fam family, shape int, stat float64, f field) {
				if fam == famLight || fam == famDark {
					s.add(stat/refLine[shape+len(refLine)-len(l.prep.w.shapes)], f)
				}
			})
		}
	}
	k, se := s.scale()
	w.ownScale = math.Max(1, k*(1+2*se))
	for _, l := range lanes {
		if l.own && w.d.baselineOf(l.name) == nil {
			l.prep = w.d.prepare(l.prep.w, l.prep.plan, unitNull(w.ownScale), l.name == AllChannels, max(1, len(w.lanes)), 0)
			w.find(l)
		}
	}
}
