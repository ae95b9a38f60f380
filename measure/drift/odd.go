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
