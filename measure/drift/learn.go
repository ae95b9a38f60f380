package drift

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"sort"

	"swathkeeper/measure/colour"
)

// baselineVersion changes when a stored baseline can no longer be read as it was meant.
const baselineVersion = 1

// Numbers of readings and days that the grades rest on.
const (
	provisionalReadings = 5
	fullReadings        = 10
	fullDays            = 3
)

// What is assumed about patch noise (Lab variances) while one or two readings cannot show it:
// the upper part of what is usual for repeated prints; common practice, no source.
var assumedNoise = [6]float64{0.06, 0, 0, 0.08, 0, 0.08}

// noisePrior is the degrees of freedom with which the pooled noise pulls on a patch's own.
const noisePrior = 8

// Learn makes a baseline from known-good readings in time order. It refuses (with an
// *UnusableError) a layout that cannot be worked with and readings from which nothing may be
// concluded; what is merely doubtful becomes a warning of the baseline.
func Learn(chart Chart, samples []Sample, o Options) (*Baseline, error) {
	o = o.WithDefaults()
	if err := o.Validate(); err != nil {
		return nil, err
	}
	if err := chart.validate(); err != nil {
		return nil, err
	}
	if len(samples) == 0 {
		return nil, &UnusableError{Code: "missing", Text: "there is no reading to learn from", Hint: "give at least one, better ten over three days"}
	}
	for i := range samples {
		if err := samples[i].check(&chart, o.MaxMissing); err != nil {
			return nil, fmt.Errorf("baseline reading %d: %w", i+1, err)
		}
	}
	l := learner{chart: &chart, samples: samples, o: o, n: len(chart.IDs), count: len(samples)}
	l.out = &Baseline{Version: baselineVersion, Chart: chart, Count: l.count, Options: o, Effective: float64(l.count)}
	l.days()
	l.medians()
	if err := l.same(); err != nil {
		return nil, err
	}
	if err := l.signatures(); err != nil {
		return nil, err
	}
	for range 3 {
		l.fitAll()
		l.update()
	}
	l.sig.separate(l.noise, l.scale)
	l.fitAll()
	if l.odd != nil {
		return nil, l.odd
	}
	l.spreads()
	l.finish()
	return l.out, nil
}

type learner struct {
	chart    *Chart
	samples  []Sample
	o        Options
	n, count int
	order    []int // readings sorted by day
	known    []bool
	mean     [][3]float64
	logs     [][]float64
	sig      *signatures
	noise    [6]float64
	scale    []float32
	fitter   *fitter
	theta    [][]float64
	resid    [][]float64 // reading -> patch*3, in Lab
	weight   [][]float64
	dist     [][]float64
	odd      error // what fitAll found wrong with a reading's order
	out      *Baseline
}

// days counts the local dates and sorts the readings by them (they come in time order; the
// sort is stable).
func (l *learner) days() {
	l.order = make([]int, l.count)
	set := map[string]bool{}
	for i := range l.order {
		l.order[i] = i
		set[l.samples[i].Day] = true
	}
	sort.SliceStable(l.order, func(a, b int) bool { return l.samples[l.order[a]].Day < l.samples[l.order[b]].Day })
	l.out.Days = len(set)
	switch {
	case l.count < provisionalReadings:
		l.out.Grade = Tentative
	case l.count < fullReadings || l.out.Days < fullDays:
		l.out.Grade = Provisional
	default:
		l.out.Grade = Full
	}
}

func (l *learner) has(i, p int) bool { return l.samples[i].Missing == nil || !l.samples[i].Missing[p] }

// medians takes the component-wise median over the readings as a first mean.
func (l *learner) medians() {
	l.known = make([]bool, l.n)
	l.mean = make([][3]float64, l.n)
	l.scale = make([]float32, l.n)
	l.noise = assumedNoise
	values := make([]float64, 0, l.count)
	for p := range l.n {
		for axis := range 3 {
			values = values[:0]
			for i := range l.samples {
				if l.has(i, p) {
					c := l.samples[i].Lab[p]
					values = append(values, [3]float64{c.L, c.A, c.B}[axis])
				}
			}
			if len(values) == 0 || 2*len(values) < l.count {
				break
			}
			l.known[p] = true
			l.mean[p][axis] = median(values)
		}
		if l.known[p] {
			l.scale[p] = 1
		}
	}
}

func median(v []float64) float64 {
	sort.Float64s(v)
	k := len(v) / 2
	if len(v)%2 == 1 {
		return v[k]
	}
	return (v[k-1] + v[k]) / 2
}

// same refuses a set of readings of which one is of another chart or in another order.
func (l *learner) same() error {
	c := newLayout(l.chart)
	for i := range l.samples {
		h := holdAgainst(l.mean, l.known, &l.samples[i], nil)
		err := checkOrder(c, &h)
		if err == nil {
			err = checkAxes(c, &h)
		}
		if err != nil {
			return fmt.Errorf("baseline reading %d of %d is not like the others: %w", i+1, l.count, err)
		}
	}
	return nil
}

// signatures builds the factors and drops those that this chart cannot tell.
func (l *learner) signatures() error {
	o, err := l.bands()
	if err != nil {
		return err
	}
	l.sig, err = buildSignatures(l.chart, o, l.logs, l.mean, l.known)
	if err != nil {
		return err
	}
	l.sig.separate(l.noise, l.scale)
	l.out.Blind = l.sig.prune(l.o.Tolerances, l.known)
	if !slices.ContainsFunc(l.sig.factors, func(f Factor) bool { return f.Kind == KindStrength }) {
		return &UnusableError{Code: "singular", Text: "no channel of this chart can be told from its patches",
			Hint: "the layout must hold tints of at least one channel; check that it belongs to this chart"}
	}
	l.out.Space = l.sig.space
	return nil
}

// bands prepares the log bands of the mean colours: of the spectra when every reading has them
// on one grid, else of X, Y and Z.
func (l *learner) bands() (*optics, error) {
	o := tristimulusOptics()
	if sp := l.samples[0].Spectra; sp != nil {
		same := true
		for i := range l.samples {
			q := l.samples[i].Spectra
			same = same && q != nil && q.StartNM == sp.StartNM && q.StepNM == sp.StepNM && len(q.Values[0]) == len(sp.Values[0])
		}
		if so, err := spectralOptics(sp); same && err == nil {
			o = so
		} else {
			l.out.warn("spectra", "the spectra of the baseline readings are not used: they are not all there on one grid that colour can be computed from")
		}
	}
	l.logs = make([][]float64, l.n)
	values := make([]float64, 0, l.count)
	for p := range l.n {
		if !l.known[p] {
			continue
		}
		l.logs[p] = make([]float64, len(o.weights))
		if o.space == "spectra" {
			for b := range l.logs[p] {
				values = values[:0]
				for i := range l.samples {
					if l.has(i, p) {
						values = append(values, l.samples[i].Spectra.Values[p][b])
					}
				}
				l.logs[p][b] = math.Log(max(median(values), 0) + logFloor)
			}
			continue
		}
		for b, x := range relative(colour.Lab{L: l.mean[p][0], A: l.mean[p][1], B: l.mean[p][2]}) {
			l.logs[p][b] = math.Log(max(x, 0) + logFloor)
		}
	}
	return o, nil
}

// fitAll fits every reading to the current mean and noise.
func (l *learner) fitAll() {
	l.fitter = l.sig.fitter(l.chart, l.noise, l.scale, l.known, l.o.Tolerances)
	q := l.fitter.q
	l.theta, l.resid = matrix(l.count, q), matrix(l.count, 3*l.n)
	l.weight, l.dist = matrix(l.count, l.n), matrix(l.count, l.n)
	w := newWork(l.n, q)
	diff, c := make([]float64, 3*l.n), newLayout(l.chart)
	l.odd = nil
	for i := range l.samples {
		for p := range l.n {
			if l.known[p] && l.has(i, p) {
				c := l.samples[i].Lab[p]
				diff[p*3], diff[p*3+1], diff[p*3+2] = c.L-l.mean[p][0], c.A-l.mean[p][1], c.B-l.mean[p][2]
			}
		}
		l.fitter.load(w, diff, l.samples[i].Missing)
		if !l.fitter.solve(w) {
			continue
		}
		if err := misplaced(c, l.fitter, w, &l.samples[i]); err != nil && l.odd == nil {
			l.odd = fmt.Errorf("baseline reading %d of %d is not like the others: %w", i+1, l.count, err)
		}
		copy(l.theta[i], w.theta)
		copy(l.weight[i], w.weight)
		copy(l.dist[i], w.dist)
		for j, t := range w.theta {
			col := l.sig.columns[j]
			for k := range diff {
				diff[k] -= t * col[k]
			}
		}
		copy(l.resid[i], diff)
	}
}

// update moves the mean to the robust mean of the readings and estimates the patch noise.
func (l *learner) update() {
	q := l.fitter.q
	center, calm := l.center(q), l.calm()
	per := make([][6]float64, l.n)
	dfs := make([]float64, l.n)
	for p := range l.n {
		if !l.known[p] {
			continue
		}
		var e [3]float64
		var total, free float64
		for i := range l.samples {
			k := l.weight[i][p]
			free += k
			k *= calm[i]
			total += k
			for a := range 3 {
				e[a] += k * l.resid[i][p*3+a]
			}
		}
		if total == 0 {
			continue
		}
		for a := range 3 {
			e[a] /= total
			l.mean[p][a] += e[a]
			for j, t := range center {
				l.mean[p][a] += t * l.sig.columns[j][p*3+a]
			}
		}
		if free <= 1.01 {
			continue
		}
		for i := range l.samples {
			k := l.weight[i][p] * calm[i]
			x := [3]float64{l.resid[i][p*3] - e[0], l.resid[i][p*3+1] - e[1], l.resid[i][p*3+2] - e[2]}
			for m, v := range [6]float64{x[0] * x[0], x[0] * x[1], x[0] * x[2], x[1] * x[1], x[1] * x[2], x[2] * x[2]} {
				per[p][m] += k * v
			}
		}
		dfs[p] = free - 1
	}
	l.pool(per, dfs, float64(q*(l.count-1)))
}

// pool makes the noise of all patches, and each patch's own share of it, from their sums of squares and
// degrees of freedom. The factors of each reading took some freedom, fitted, from the residuals.
func (l *learner) pool(per [][6]float64, dfs []float64, fitted float64) {
	var sum [6]float64
	var all float64
	level := l.levels(per, dfs)
	usual := usualLevel(level, dfs)
	for p := range per {
		k := 1.0
		if level[p] > unsteady*usual {
			k = unsteady * usual / level[p]
		}
		all += dfs[p]
		for m := range sum {
			sum[m] += k * per[p][m]
		}
	}
	df := all - fitted
	if l.count < 2 || df < 30 {
		l.noise = assumedNoise
		return
	}
	for m := range sum {
		l.noise[m] = sum[m] / df
	}
	steady(&l.noise)
	inv := inverseRoot(l.noise)
	full := df / max(1, all)
	for p := range l.n {
		if !l.known[p] || dfs[p] == 0 {
			continue
		}
		ratio := meanRatio(inv, per[p]) / (dfs[p] * full)
		l.scale[p] = float32(max(0.25, (noisePrior+dfs[p]*ratio)/(noisePrior+dfs[p])))
	}
}

// center is the mean of every factor over the readings that are not odd in its kind.
func (l *learner) center(q int) []float64 {
	center := make([]float64, q)
	for _, kind := range factorKinds {
		index := indexOf(l.sig.factors, kind)
		if len(index) == 0 {
			continue
		}
		unit := make([]float64, len(index))
		for c, j := range index {
			unit[c] = l.sig.unitOf(l.sig.factors[j], l.o.Tolerances)
		}
		values := columnsOf(l.theta, index)
		values, _ = ordinary(values, make([]string, len(values)), oddRows(values, unit))
		for _, v := range values {
			for c, j := range index {
				center[j] += v[c] / float64(len(values))
			}
		}
	}
	return center
}

// steady keeps a covariance well inside the positive definite ones, and above the repeatability
// that any instrument has on a print.
func steady(v *[6]float64) {
	const least = 0.0025 // (0.05)^2
	v[0], v[3], v[5] = max(v[0], least), max(v[3], least), max(v[5], least)
	bound := func(x *float64, a, b float64) {
		m := 0.9 * math.Sqrt(a*b)
		*x = max(-m, min(m, *x))
	}
	bound(&v[1], v[0], v[3])
	bound(&v[2], v[0], v[5])
	bound(&v[4], v[3], v[5])
	det := v[0]*(v[3]*v[5]-v[4]*v[4]) - v[1]*(v[1]*v[5]-v[4]*v[2]) + v[2]*(v[1]*v[4]-v[3]*v[2])
	if det < 0.01*v[0]*v[3]*v[5] {
		v[1], v[2], v[4] = v[1]/2, v[2]/2, v[4]/2
	}
}

// meanRatio is tr(V^-1 S)/3 for V^-1 = R'R.
func meanRatio(r [6]float64, s [6]float64) float64 {
	row := func(a, b, c float64) float64 {
		return a*a*s[0] + 2*a*b*s[1] + 2*a*c*s[2] + b*b*s[3] + 2*b*c*s[4] + c*c*s[5]
	}
	return (row(r[0], 0, 0) + row(r[1], r[2], 0) + row(r[3], r[4], r[5])) / 3
}

// finish writes what is left into the baseline.
func (l *learner) finish() {
	b := l.out
	b.Mean, b.Noise, b.NoiseScale = l.mean, l.noise, l.scale
	b.Signatures = pack(l.sig.columns)
	b.Curves = pack(l.sig.curves)
	b.Paper = l.sig.paper
	for _, s := range l.sig.solids {
		b.Solids = append(b.Solids, s.lab)
	}
	for _, i := range l.order {
		past := PastReading{Day: l.samples[i].Day, Factors: l.theta[i], Misfit: l.misfit(i), Bare: l.bareChange(i)}
		var sum float64
		var used int
		for p := range l.n {
			if !l.known[p] {
				continue
			}
			if !l.has(i, p) {
				past.Missing++
				continue
			}
			m := l.mean[p]
			sum += colour.DE2000(colour.Lab{L: m[0], A: m[1], B: m[2]}, l.samples[i].Lab[p])
			used++
		}
		past.MeanDE = sum / float64(max(1, used))
		b.Past = append(b.Past, past)
	}
	unknown := 0
	for _, k := range l.known {
		if !k {
			unknown++
		}
	}
	if unknown > 0 {
		b.warn("patches", fmt.Sprintf("%d patches were missing from most baseline readings and are not judged", unknown))
	}
	if l.sig.dropped > 0 && len(b.Blind) > 0 {
		b.warn("blind", fmt.Sprintf("this chart cannot tell everything apart: %s", b.Blind[0]))
	}
	if b.Grade == Tentative {
		b.warn("tentative", fmt.Sprintf("%d baseline readings: no statistical alarm, only stop limits, until there are %d", l.count, provisionalReadings))
	} else if b.Days < fullDays {
		b.warn("days", fmt.Sprintf("the baseline readings are of %d local dates: what changes from day to day is little known, so limits are wide", b.Days))
	}
	l.oddReadings()
	l.trends()
	l.capability()
}

// misfit is the mean squared distance of a reading's patches from the model, each cut where the
// robust weights bite, so that a few bad patches do not count as a bad chart.
func (l *learner) misfit(i int) float64 {
	var sum float64
	var used int
	for p := range l.n {
		if l.known[p] && l.has(i, p) {
			d := min(l.dist[i][p], robustBend)
			sum += d * d
			used++
		}
	}
	return sum / float64(3*max(1, used))
}

func (b *Baseline) warn(code, text string) {
	b.Warnings = append(b.Warnings, Warning{Code: code, Text: text})
}

func pack(columns [][]float64) []byte {
	var out []byte
	for _, c := range columns {
		for _, v := range c {
			out = binary.LittleEndian.AppendUint32(out, math.Float32bits(float32(v)))
		}
	}
	return out
}

// unpack is the inverse of pack for columns of the given length.
func unpack(data []byte, length int) ([][]float64, error) {
	if length == 0 || len(data)%(4*length) != 0 {
		return nil, fmt.Errorf("%d bytes do not hold whole columns of %d values", len(data), length)
	}
	out := matrix(len(data)/(4*length), length)
	for i := range out {
		for j := range out[i] {
			v := float64(math.Float32frombits(binary.LittleEndian.Uint32(data)))
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return nil, fmt.Errorf("column %d holds a value that is not finite", i+1)
			}
			out[i][j] = v
			data = data[4:]
		}
	}
	return out, nil
}

// tripleAt reads three values in a row out of what pack wrote.
func tripleAt(data []byte, k int) (v [3]float64) {
	for i := range v {
		v[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(data[4*(3*k+i):])))
	}
	return v
}
