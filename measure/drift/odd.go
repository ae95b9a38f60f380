package drift

import (
	"math"
	"slices"
)

// One bad day among the days a baseline is learned from must neither move its mean nor widen what is
// taken for ordinary: limits built on it would be deaf to changes many times their tolerance.

// oddScale is how many robust standard deviations, of its own column and of all columns of its kind,
// a value must lie from the median to be left out. Ordinary days, heavy tails and all, do not get
// there: the correction for what is cut off is below a hundredth, and none is made.
const oddScale = 6.0

// normalMAD turns a median absolute deviation into a standard deviation of the normal law (Rousseeuw
// and Croux, J. Amer. Statist. Assoc. 88, 1993).
const normalMAD = 1.4826

// oddRows says which rows of values[reading][column], all of one kind of factors, hold a value that is
// none of the printer's ordinary state. unit is the columns' tolerances: what is within one is never odd.
func oddRows(values [][]float64, unit []float64) []bool {
	n := len(values)
	odd := make([]bool, n)
	if n < provisionalReadings {
		return odd
	}
	p := len(values[0])
	off := matrix(n, p) // from the column's median, in tolerances
	own := make([]float64, p)
	var all []float64
	column := make([]float64, n)
	for c := range p {
		for i, v := range values {
			column[i] = v[c]
		}
		mid := median(column)
		for i, v := range values {
			off[i][c] = math.Abs(v[c]-mid) / unit[c]
			column[i] = off[i][c]
		}
		all = append(all, column...)
		own[c] = normalMAD * median(column)
	}
	// Deviations from the columns' own medians are a little small: n over n-1 of the variance.
	common := normalMAD * median(all) * math.Sqrt(float64(n)/float64(n-1))
	for i := range off {
		for c, x := range off[i] {
			odd[i] = odd[i] || x > max(1, oddScale*max(own[c], common))
		}
	}
	// Most of the readings cannot be odd.
	if k := len(slices.DeleteFunc(slices.Clone(odd), func(b bool) bool { return !b })); 4*k > n {
		clear(odd)
	}
	return odd
}

// ordinary leaves the odd rows out.
func ordinary(values [][]float64, days []string, odd []bool) ([][]float64, []string) {
	if !slices.Contains(odd, true) {
		return values, days
	}
	var v [][]float64
	var d []string
	for i, o := range odd {
		if !o {
			v, d = append(v, values[i]), append(d, days[i])
		}
	}
	return v, d
}

// ordinaryOf is what a kind of factors (at index) did on ordinary days.
func (b *Baseline) ordinaryOf(theta [][]float64, days []string, index []int, s *signatures) ([][]float64, []string) {
	values := columnsOf(theta, index)
	return ordinary(values, days, oddRows(values, b.unitsOf(index, s)))
}

func (b *Baseline) unitsOf(index []int, s *signatures) []float64 {
	unit := make([]float64, len(index))
	for c, j := range index {
		unit[c] = s.unitOf(b.Factors[j], b.Options.Tolerances)
	}
	return unit
}

// What a baseline's noise is made of are many patches on several days. One patch that is never the same, or
// one day whose patches scatter, must not pass for what all of them do.
const (
	// unsteady is how many times the usual variance a patch may have and count with all of it: twice the
	// usual scatter. Dark patches and light ones differ by less.
	unsteady = 4.0
	// scattered is how many times the usual scatter the patches of a reading may have.
	scattered = 1.5
	// oddMisfit is how far ln(misfit) of a reading may lie from the others' and never be odd.
	oddMisfit = 0.4
)

// calm is the weight of each reading in the mean and the noise of the patches: 1, or the inverse of its
// variance over the usual one where its patches scatter (weighted least squares). Three readings are the
// fewest of which one can be told from the others.
func (l *learner) calm() []float64 {
	weights := slices.Repeat([]float64{1}, l.count)
	for i, k := range l.scatter() {
		if k > scattered {
			weights[i] = 1 / (k * k)
		}
	}
	return weights
}

// scatter is how much the patches of each reading scatter about what the factors say, over the median of
// the readings; nil for fewer than three.
func (l *learner) scatter() []float64 {
	if l.count < 3 {
		return nil
	}
	of := make([]float64, l.count)
	for i := range of {
		var d []float64
		for p := range l.n {
			if l.known[p] && l.has(i, p) {
				d = append(d, l.dist[i][p])
			}
		}
		if len(d) > 0 {
			of[i] = median(d)
		}
	}
	usual := median(slices.Clone(of))
	for i := range of {
		of[i] /= max(usual, 1e-6)
	}
	return of
}

// levels is the variance of each patch in units of the noise as it stands.
func (l *learner) levels(per [][6]float64, dfs []float64) []float64 {
	inv := inverseRoot(l.noise)
	level := make([]float64, len(per))
	for p := range per {
		if dfs[p] > 0 {
			level[p] = meanRatio(inv, per[p]) / dfs[p]
		}
	}
	return level
}

// usualLevel is the median over the patches that have been read often enough.
func usualLevel(level, dfs []float64) float64 {
	var all []float64
	for p, v := range level {
		if dfs[p] > 0 {
			all = append(all, v)
		}
	}
	if len(all) == 0 {
		return 0
	}
	return median(all)
}

// ordinaryMisfits are ln(misfit) of the readings that fit as the others do.
func (l *learner) ordinaryMisfits() []float64 {
	rows := make([][]float64, l.count)
	for i := range rows {
		rows[i] = []float64{math.Log(max(l.misfit(i), 1e-6))}
	}
	rows, _ = ordinary(rows, make([]string, l.count), oddRows(rows, []float64{oddMisfit}))
	out := make([]float64, len(rows))
	for i, v := range rows {
		out[i] = v[0]
	}
	return out
}
