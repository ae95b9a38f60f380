package banding

import (
	"math"
	"slices"
)

// work holds the buffers of one judgement.
type work struct {
	d         *Detector
	opt       Options // the detector's, with the shop's choices of today
	grid      grid
	detrendMM float64
	samples   []sample
	lanes     []*lane
	all       *lane
	spare     []*lane
	warnings  []Warning
	unusable  int
	trend     trend
	strip     []float64
	sum       []float64
	raw       []float64
	saved     []float64
	clean     []float64
	tail      []float64
	fix       []float64
	zfold     []float64
	locals    []float64
	prof      [len(bankMM)][]float64
	one       []float64
	table     []float64
	prefix    []float64
	stripZ    map[int]*stripLane
	ownScale  float64 // within one reading: how much larger the statistics are than the model says
}

// lineFamilies are the searches that try all widths.
var lineFamilies = [...]family{famLight, famDark, famSingleLight, famSingleDark}

// candidate is the best of one family in one lane.
type candidate struct {
	stat  float64 // in units of the null's scale; compare with the limit
	sign  float64 // +1 light, -1 dark; of a pair: +1 light first
	shape int     // of a section: which width
	fold  int
	trial int
	bin   float64 // index in the profile
	at    float64 // single: sample
}

type search struct {
	best   [families]candidate
	line   [len(lineFamilies)][len(bankMM)]candidate // raw, by width
	inside float64                                   // share of filtered samples within the model's middle half, 0.5 = as the model says
}

// whiten computes z1 = g1 * inverse covariance * x and its wider versions, exact up to the ends.
func (w *work) whiten(l *lane, q *whitening) {
	n := l.n
	pad := padX
	for i := range q.shapes {
		l.z[i] = grow(l.z[i], n+2*pad)
	}
	z := l.z[0]
	clear(z[:pad])
	clear(z[pad+n:])
	filterSymmetric(z[pad:pad+n], l.x, pad, q.h)

	// The ends: take back what the band counts of errors that were never seen.
	p := len(q.spectrum.AR) - 1
	reach := len(q.g) - 1
	m := min(p, n)
	w.fix = grow(w.fix, m)
	w.tail = grow(w.tail, m)
	for _, start := range []bool{true, false} {
		x := l.body()
		for i := range w.tail {
			if start {
				w.tail[i] = x[i]
			} else {
				w.tail[i] = x[n-1-i]
			}
		}
		q.spectrum.corner(w.tail, w.fix)
		for i, v := range w.fix {
			for k := -reach; k <= reach; k++ {
				j := i + k
				if j < 0 || j >= n {
					continue
				}
				if !start {
					j = n - 1 - j
				}
				z[pad+j] -= v * q.g[max(k, -k)]
			}
		}
		// Within the base template's reach the filter still holds a bit from beyond the end.
		for i := 0; i < reach && i < n; i++ {
			if start {
				z[pad+i] = 0
			} else {
				z[pad+n-1-i] = 0
			}
		}
	}
	for _, g := range l.gaps {
		z[pad+g] = 0
	}
	// The mean is not the strip's to tell: the trend has taken it, up to what a skewed texture leaves.
	body := z[pad : pad+n]
	mean := 0.0
	for _, v := range body {
		mean += v
	}
	if inner := n - 2*reach - len(l.gaps); inner > 0 {
		mean /= float64(inner)
		for i := reach; i < n-reach; i++ {
			body[i] -= mean
		}
		for _, g := range l.gaps {
			body[g] = 0
		}
	}
	if l.wide = l.name != AllChannels; l.wide {
		w.widen(l)
	}
}

// widen computes the wider versions of a whitened lane. The mean of all inks, in which no single lines are
// searched, needs them only when something was found.
func (w *work) widen(l *lane) {
	q := l.prep.w
	for i := 1; i < len(q.shapes); i++ {
		w.cascade(l.z[i], l.z[i-1], q.shapes[i].passes)
	}
	l.wide = true
}

// cascade applies the passes one after another; dst and src may not be the same.
func (w *work) cascade(dst, src []float64, passes []int) {
	if len(passes) == 1 {
		smooth(dst, src, passes[0])
		return
	}
	w.raw = grow(w.raw, len(src))
	smooth(w.raw, src, passes[0])
	smooth(dst, w.raw, passes[1])
}

// find whitens a lane and searches all families in it. The lane's prepared filters must be set.
func (w *work) find(l *lane) {
	q := l.prep.w
	w.whiten(l, q)
	l.found = search{}
	w.scanSingles(l)
	w.scanFolds(l, l.prep.plan.folds, l.prep.plan.tables, foldClip)
	if w.censored(l) {
		// So strong a repeat is cut short by the clip, in every family alike: only without it do they
		// rank by what is there, and before each of its repeats by itself.
		l.found.line[0], l.found.line[1] = [len(bankMM)]candidate{}, [len(bankMM)]candidate{}
		l.found.best[famPair], l.found.best[famSection] = candidate{}, candidate{}
		w.scanFolds(l, l.prep.plan.folds, l.prep.plan.tables, math.Inf(1))
	}
	w.rescale(l)
}

// rescale puts the statistics into units of the null's scale, and takes the best width of each line
// search, every width compared with its own limit.
func (w *work) rescale(l *lane) {
	p := l.prep
	for i, f := range lineFamilies {
		for k := range p.w.shapes {
			c := l.found.line[i][k]
			c.stat *= p.adjust[f][k] / l.scale(f, k)
			if c.stat > l.found.best[f].stat {
				l.found.best[f] = c
			}
		}
	}
	for _, f := range []family{famPair, famSection} {
		l.found.best[f].stat /= l.scale(f, 0)
	}
}

func (w *work) scanSingles(l *lane) {
	q := l.prep.w
	near, count := 0, 0
	shapes := q.shapes
	if !l.wide {
		shapes = shapes[:1]
	}
	for i := range shapes {
		z := l.z[i][padX : padX+l.n]
		root := math.Sqrt(q.shapes[i].v)
		if i == len(shapes)-1 || i == 0 {
			half := 0.6744897501960817 * root
			for j := 0; j < len(z); j += 3 {
				if math.Abs(z[j]) < half {
					near++
				}
			}
			count += (len(z) + 2) / 3
			near -= len(l.gaps) / 3
			count -= len(l.gaps) / 3
		}
		hi, lo, hiAt, loAt := 0.0, 0.0, 0, 0
		for j, v := range z {
			if v > hi {
				hi, hiAt = v, j
			} else if v < lo {
				lo, loAt = v, j
			}
		}
		l.found.line[2][i] = candidate{stat: hi / root, sign: 1, shape: i, at: float64(hiAt)}
		l.found.line[3][i] = candidate{stat: -lo / root, sign: -1, shape: i, at: float64(loAt)}
	}
	if count > 0 {
		l.found.inside = float64(near) / float64(count)
	}
}

// foldClip is how many standard deviations one filtered sample may add to a fold; a line that is anywhere
// near its limit adds about one in each repeat.
const foldClip = 3.5

// censoredShare is the share of what clipped repeats can add up to, from which a fold counts as cut short.
// One spike, or two, add up to far less.
const censoredShare = 0.6

// censored says that the strongest light or dark fold of the base width has come near the ceiling that the
// clip sets it. Nothing but a line in most repeats can bring it there.
func (w *work) censored(l *lane) bool {
	for _, dir := range l.found.line[:2] {
		c := dir[0]
		if c.stat == 0 {
			continue
		}
		q := l.prep.w
		f := l.prep.plan.folds[c.fold]
		ceiling := foldClip * math.Sqrt(float64(l.n)/f.period*q.shapes[0].v/q.shapes[0].vf)
		// With few repeats noise gets near the ceiling too; it does not get well beyond the limit.
		if c.stat > censoredShare*ceiling && c.stat > 1.3*l.prep.limits[famLight]*l.scale(famLight, 0) {
			return true
		}
	}
	return false
}

// scanFolds searches the repeating families; a filtered sample counts for at most maxSD standard
// deviations.
func (w *work) scanFolds(l *lane, folds []*foldPlan, tables [][]float64, maxSD float64) {
	q := l.prep.w
	feed := l.name == AllChannels
	for fi, f := range folds {
		w.zfold = grow(w.zfold, l.n+2*f.pad)
		clear(w.zfold[:f.pad])
		// Single spikes (dirt, heavy-tailed noise) must not carry a fold.
		clip := maxSD * math.Sqrt(q.shapes[0].v)
		into := w.zfold[f.pad : f.pad+l.n]
		for i, v := range l.z[0][padX : padX+l.n] {
			if v > clip {
				v = clip
			} else if v < -clip {
				v = -clip
			}
			into[i] = v
		}
		clear(w.zfold[f.pad+l.n:])
		w.locals = grow(w.locals, f.localsLen())
		f.locals(w.zfold, w.locals)
		table := tables[fi]
		if len(l.gaps) > 0 {
			w.one = grow(w.one, l.n+2*f.pad)
			clear(w.one)
			for i := range l.n {
				w.one[f.pad+i] = 1
			}
			for _, g := range l.gaps {
				w.one[f.pad+g] = 0
			}
			w.sum = grow(w.sum, f.localsLen())
			w.table = coverage(f, w.one, w.sum, w.table)
			table = w.table
		}
		for i := range w.prof {
			w.prof[i] = grow(w.prof[i], f.width)
		}
		every := max(1, len(f.slopes)/9)
		for t := range f.slopes {
			f.profile(w.locals, t, w.prof[0])
			tab := table[t*f.width : (t+1)*f.width]
			for i, sh := range q.shapes {
				if i > 0 {
					w.cascade(w.prof[i], w.prof[i-1], sh.passes)
				}
				w.peaks(l, f, fi, t, i, tab, 1/math.Sqrt(sh.vf))
			}
			if feed {
				continue
			}
			w.pairs(l, f, fi, t, tab)
			if t%every == 0 {
				w.boxes(l, f, fi, t, tab)
			}
		}
	}
}

// peaks takes the lightest and darkest phase of one profile.
func (w *work) peaks(l *lane, f *foldPlan, fold, trial, shape int, tab []float64, scale float64) {
	p := w.prof[shape][f.margin : f.margin+f.bins]
	tab = tab[f.margin : f.margin+f.bins]
	p = p[:len(tab)]
	light, dark := &l.found.line[0][shape], &l.found.line[1][shape]
	hi, lo := light.stat/scale, -dark.stat/scale
	hiAt, loAt := -1, -1
	for i, r := range tab {
		v := p[i] * r
		if v > hi {
			hi, hiAt = v, i
		} else if v < lo {
			lo, loAt = v, i
		}
	}
	if hiAt >= 0 {
		*light = candidate{stat: hi * scale, sign: 1, shape: shape, fold: fold, trial: trial, bin: float64(f.margin + hiAt)}
	}
	if loAt >= 0 {
		*dark = candidate{stat: -lo * scale, sign: -1, shape: shape, fold: fold, trial: trial, bin: float64(f.margin + loAt)}
	}
}

func (w *work) pairs(l *lane, f *foldPlan, fold, trial int, tab []float64) {
	q := l.prep.w
	mid := min(1, len(q.shapes)-1)
	d := q.delta
	scale := 1 / math.Sqrt(q.pair.vf)
	best := &l.found.best[famPair]
	top := best.stat / scale
	a := w.prof[mid][f.margin-d : f.margin-d+f.bins]
	b := w.prof[mid][f.margin+d : f.margin+d+f.bins]
	tab = tab[f.margin : f.margin+f.bins]
	a, b = a[:len(tab)], b[:len(tab)]
	at := -1
	for i, r := range tab {
		v := (a[i] - b[i]) * r
		if v > top || -v > top {
			top, at = math.Abs(v), i
		}
	}
	if at >= 0 {
		sign := 1.0
		if a[at] < b[at] {
			sign = -1
		}
		*best = candidate{stat: top * scale, sign: sign, shape: mid, fold: fold, trial: trial, bin: float64(f.margin + at)}
	}
}

// boxes looks for broad steps: the sum of w bins less its share of the whole profile.
func (w *work) boxes(l *lane, f *foldPlan, fold, trial int, tab []float64) {
	q := l.prep.w
	if len(q.sections) == 0 {
		return
	}
	n := int(f.period)
	p := w.prof[0][f.margin : f.margin+n]
	w.prefix = grow(w.prefix, 2*n+1)
	pre := w.prefix
	sum := 0.0
	pre[0] = 0
	for i := range 2 * n {
		j := i
		if j >= n {
			j -= n
		}
		sum += p[j]
		pre[i+1] = sum
	}
	total := pre[n]
	best := &l.found.best[famSection]
	for si, s := range q.sections {
		if s.w >= n {
			continue
		}
		share := total * float64(s.w) / float64(n)
		scale := 1 / math.Sqrt(s.v)
		for i := range n {
			v := (pre[i+s.w] - pre[i] - share) * tab[f.margin+i] * scale
			if a := math.Abs(v); a > best.stat {
				*best = candidate{stat: a, sign: math.Copysign(1, v), shape: si, fold: fold, trial: trial,
					bin: float64(f.margin+i) + float64(s.w-1)/2}
			}
		}
	}
}

// place is where a line lies: at the virtual middle row of the strip and its period, in samples. A
// single line has period 0.
type place struct {
	mid, period float64
	seMid       float64
	sePeriod    float64
}

// rows calls visit for every repeat within the lane.
func (l *lane) rows(p place, visit func(at float64)) {
	if p.period <= 0 {
		visit(p.mid)
		return
	}
	first := p.mid - math.Floor(p.mid/p.period)*p.period
	for at := first; at <= float64(l.n-1); at += p.period {
		visit(at)
	}
}

// sumAt adds one filtered trace up over the repeats of a place.
func (l *lane) sumAt(z []float64, p place) (sum float64, rows int) {
	body := z[padX : padX+l.n]
	l.rows(p, func(at float64) {
		if len(l.gaps) > 0 {
			if _, gone := slices.BinarySearch(l.gaps, int(math.Round(at))); gone {
				return
			}
		}
		sum += cubic(body, at)
		rows++
	})
	return sum, rows
}

// statAt is the sum of the shape's statistic over the repeats, and the number of them.
func (w *work) statAt(l *lane, z *[len(bankMM)][]float64, fam family, shape int, p place) (sum float64, rows int) {
	q := l.prep.w
	switch fam {
	case famPair:
		d := float64(q.delta)
		a, n := l.sumAt(z[shape], place{mid: p.mid - d, period: p.period})
		b, m := l.sumAt(z[shape], place{mid: p.mid + d, period: p.period})
		return a - b, (n + m + 1) / 2
	case famSection:
		s := q.sections[shape]
		n := 0
		for i := range s.w {
			v, m := l.sumAt(z[0], place{mid: p.mid - float64(s.w-1)/2 + float64(i), period: p.period})
			sum += v
			n = max(n, m)
		}
		if p.period > 0 {
			total := 0.0
			for i := range int(p.period) {
				v, _ := l.sumAt(z[0], place{mid: p.mid + float64(i), period: p.period})
				total += v
			}
			sum -= total * float64(s.w) / p.period
		}
		return sum, n
	}
	return l.sumAt(z[shape], p)
}

// information returns v and the peak of the template behind a statistic: amplitude = sum * peak / (rows * v).
func (q *whitening) information(fam family, shape int) (v, peak, lambda, sigma float64) {
	switch fam {
	case famPair:
		return q.pair.vf, q.pair.peak, q.pair.foldLambda(), q.pair.sigma
	case famSection:
		s := q.sections[shape]
		return s.v, q.gSum, s.lambda, float64(s.w) / math.Sqrt(12)
	}
	sh := q.shapes[shape]
	if fam == famLight || fam == famDark {
		return sh.vf, sh.peak, sh.foldLambda(), sh.sigma
	}
	return sh.v, sh.peak, sh.lambda, sh.sigma
}

// refine moves a candidate to the top of its statistic between the grid points.
func (w *work) refine(l *lane, fam family, c candidate) place {
	_, _, lambda, _ := l.prep.w.information(fam, c.shape)
	se := func(p *place) {
		// The bound of the true width: a narrow template picked by chance does not see more sharply.
		q := l.prep.w
		curve := lambda
		if fam != famPair && fam != famSection {
			curve = math.Min(curve, q.shapes[len(q.shapes)-1].lambda*0.5+q.shapes[max(0, len(q.shapes)-2)].lambda*0.5)
		}
		p.seMid = 1.05 / (math.Sqrt(curve) * c.stat)
	}
	step := 0.6 / math.Sqrt(lambda)
	if fam == famSingleLight || fam == famSingleDark {
		p := place{mid: c.at}
		for range 3 {
			p.mid += w.vertex(l, fam, c, p, min(step, 1.5), 0)
		}
		se(&p)
		return p
	}
	f := l.prep.plan.folds[c.fold]
	p := place{period: f.period + f.slopes[c.trial]}
	p.mid = float64(l.n-1)/2 + c.bin - float64(f.margin+f.bins/2)
	if f.rows%2 == 0 {
		p.mid += p.period / 2 // a real row, not the virtual one between two
	}
	// Position and period are independent about the middle of the strip, so work there.
	centre := float64(l.n-1) / 2
	rows := float64(l.n) / p.period
	k := math.Round((centre - p.mid) / p.period)
	for range 4 {
		p.mid += w.vertex(l, fam, c, p, step, 0)
		before := p.period
		p.period += w.vertex(l, fam, c, p, 0, 2*step/rows)
		p.mid += k * (before - p.period) // hold the repeat nearest the middle
	}
	p.mid += k * p.period
	se(&p)
	p.sePeriod = math.Sqrt(12) * p.seMid / rows
	return p
}

// vertex fits a parabola through three values of the statistic and returns the step to its top.
func (w *work) vertex(l *lane, fam family, c candidate, p place, dMid, dPeriod float64) float64 {
	centre := float64(l.n-1) / 2
	at := func(s float64) float64 {
		q := p
		q.mid += s * dMid
		q.period += s * dPeriod
		if dPeriod != 0 {
			q.mid -= math.Round((centre-p.mid)/p.period) * s * dPeriod
		}
		v, _ := w.statAt(l, &l.z, fam, c.shape, q)
		if fam == famSingleDark || fam == famDark || ((fam == famPair || fam == famSection) && c.sign < 0) {
			v = -v
		}
		return v
	}
	a, b, d := at(-1), at(0), at(1)
	den := a - 2*b + d
	h := dMid + dPeriod
	if den >= 0 {
		if d > a {
			return h
		}
		return -h
	}
	s := 0.5 * (a - d) / den
	return h * math.Max(-1, math.Min(1, s))
}
