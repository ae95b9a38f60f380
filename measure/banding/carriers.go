package banding

import (
	"math"
	"slices"
)

// stripLane is one strip filtered like its lane, for the question whether all strips show a line.
type stripLane struct {
	lane
	sd [len(bankMM)]float64 // robust, of each shape's filtered strip
}

// allInks asks whether all inks show the event alike (a feed seam, the fabric) or only some, and which.
// Alike means: the amplitudes agree within their errors and a share of 40 %, for a seam takes away
// ink in proportion to what each strip holds.
func (w *work) allInks(e event) (feed bool, lit []*lane) {
	if len(w.lanes) < 2 {
		return false, w.lanes
	}
	if e.fam == famSection {
		return false, []*lane{e.lane}
	}
	fam := e.fam
	type amp struct {
		l     *lane
		a, se float64
	}
	var amps []amp
	sumW, sumA := 0.0, 0.0
	for _, l := range w.lanes {
		p := e.place
		p.mid += float64(e.lane.offset - l.offset)
		a, se, n := w.amplitude(l, fam, e.c.shape, p)
		if n == 0 || math.IsInf(se, 0) {
			continue
		}
		amps = append(amps, amp{l, a, se})
		sumW += 1 / (se * se)
		sumA += a / (se * se)
	}
	if len(amps) < 2 {
		return false, []*lane{e.lane}
	}
	common := sumA / sumW
	// A robust common size: the median, so that one strong ink does not drag it.
	sorted := make([]float64, len(amps))
	for i, a := range amps {
		sorted[i] = a.a
	}
	slices.Sort(sorted)
	mid := (sorted[(len(sorted)-1)/2] + sorted[len(sorted)/2]) / 2
	if math.Abs(mid) < math.Abs(common) { // also of the other sign: then nothing is common to them
		common = mid
	}
	alike, one, most := 0.0, 0.0, 0.0
	absent := 0
	for _, a := range amps {
		s := 0.4 * common
		alike += (a.a - common) * (a.a - common) / (a.se*a.se + s*s)
		// The freedom of a share's worth of scatter has its price.
		alike += math.Log1p(s * s / (a.se * a.se))
		t := a.a / a.se
		if common*a.a <= 0 || math.Abs(a.a) < 0.25*math.Abs(common) {
			if math.Abs(common-a.a) > 4*a.se {
				absent++
			}
		}
		one += t * t
		most = math.Max(most, t*t)
		if math.Abs(t) > 3 || a.l == e.lane {
			lit = append(lit, a.l)
		}
	}
	one -= most
	if 2*absent >= len(amps) {
		return false, lit // a seam leaves no half of the inks out: several heads have lost a nozzle
	}
	return alike < one, lit
}

// agree compares the strips of one ink. confirmed: at least two show the line; lone: the only strip
// that shows it while another clearly does not.
func (w *work) agree(traces []Trace, e event) (confirmed bool, lone string) {
	l := e.lane
	if len(l.traces) < 2 {
		return false, ""
	}
	q := l.prep.w
	v, peak, _, _ := q.information(e.fam, e.c.shape)
	best, second := -1, -1
	type one struct{ a, se float64 }
	got := make([]one, len(l.traces))
	for k, i := range l.traces {
		s := w.stripLane(l, i)
		p := e.place
		p.mid += float64(l.offset - s.offset)
		sum, n := w.statAt(&s.lane, &s.z, e.fam, e.c.shape, p)
		sd := s.sd[min(e.c.shape, len(q.shapes)-1)]
		if e.fam == famSection {
			sd = s.sd[0] * math.Sqrt(q.sections[e.c.shape].v/q.shapes[0].v)
		} else if e.fam == famPair {
			sd = s.sd[e.c.shape] * math.Sqrt(q.pair.vf/q.shapes[e.c.shape].vf)
		}
		if n == 0 || !(sd > 0) {
			got[k] = one{0, math.Inf(1)}
			continue
		}
		got[k] = one{sum * peak / (float64(n) * v), sd * peak / (math.Sqrt(float64(n)) * v)}
	}
	sign := 1.0
	if a, _, _ := w.amplitude(l, e.fam, e.c.shape, e.place); a < 0 {
		sign = -1
	}
	for k := range got {
		got[k].a *= sign
		switch t := got[k].a / got[k].se; {
		case best < 0 || t > got[best].a/got[best].se:
			best, second = k, best
		case second < 0 || t > got[second].a/got[second].se:
			second = k
		}
	}
	gap := got[best].a - got[second].a
	if gap > 3*math.Hypot(got[best].se, got[second].se) && got[second].a < 0.5*got[best].a {
		return false, traces[w.samples[l.traces[best]].trace].Strip
	}
	return got[second].a > 2*got[second].se, ""
}

// stripLane filters one strip as its lane is filtered, once per reading.
func (w *work) stripLane(l *lane, i int) *stripLane {
	if s, ok := w.stripZ[i]; ok {
		return s
	}
	if w.stripZ == nil {
		w.stripZ = map[int]*stripLane{}
	}
	src := &w.samples[i]
	s := &stripLane{lane: lane{name: l.name, loud: l.loud, unit: l.unit, sign: l.sign, offset: src.offset, n: len(src.values), prep: l.prep}}
	s.x = make([]float64, s.n+2*padX)
	x := s.body()
	copy(x, src.values)
	w.trend.subtract(x, w.grid.pitch, w.detrendMM)
	for j, v := range x {
		if v != v {
			x[j] = 0
			s.gaps = append(s.gaps, j)
		} else {
			x[j] = l.sign * v
		}
	}
	w.fill(&s.lane, l.prep.w.spectrum)
	w.whiten(&s.lane, l.prep.w)
	for k := range l.prep.w.shapes {
		s.sd[k] = middleSD(s.z[k][padX : padX+s.n])
	}
	w.stripZ[i] = s
	return s
}
