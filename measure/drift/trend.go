package drift

import (
	"fmt"
	"math"
	"strings"
)

// A printer that drifts while its baseline is learned gets a mean that is that of no day, and a spread
// that holds the drift: its limits are deaf afterwards. It may be all that a shop has, so it is no
// refusal; it is said.

// trendFalse is in how many baselines of a printer that stands still a trend may be told. It is divided
// among the kinds of factors, and within a kind among its factors.
const trendFalse = 0.02

var trendShare = map[string]float64{
	KindStrength: 0.5, KindTone: 0.1, KindHue: 0.04, KindCast: 0.03, KindDepth: 0.03, KindWhite: 0.15, KindLoad: 0.1, KindFlare: 0.05,
}

// trendDays is from how many days on, or readings beyond the days' own means, a trend is looked for: with
// fewer than three degrees of freedom left everything is a line.
const trendDays = 5

// trend is a factor that moved one way all through a baseline.
type trend struct {
	factor int
	change float64 // along the line, first to last, in the factor's unit
	within bool    // from reading to reading of a day, not from day to day
}

// trendsOf finds the trends in theta[reading][factor], the readings in time order with their days: a
// straight line through the days' means, or, where there are fewer than trendDays days, one slope for
// the readings within all days. unit is what matters of each factor: what moved by less is not told.
//
// The test is that of a regression's slope by Student's t (NIST/SEMATECH e-Handbook 4.1.4.1 and 4.4.4.2;
// Draper and Smith, Applied Regression Analysis, 3rd ed., chapter 1). One day resembles the next on some
// printers, which looks like a trend in ten days; so it is taken by generalised least squares under each
// case of rhoCases, and the cases weighed by their residual likelihood with the trend taken out (Patterson
// and Thompson, Biometrika 58, 1971). No case is preferred beforehand, unlike in limits: a warning that a
// wandering printer gives at every second baseline is not read.
func trendsOf(theta [][]float64, days []string, factors []Factor, unit []float64) (out []trend) {
	count := map[string]float64{}
	for _, f := range factors {
		count[f.Kind]++
	}
	for _, kind := range factorKinds {
		index := indexOf(factors, kind)
		if len(index) == 0 {
			continue
		}
		of := make([]float64, len(index))
		for c, j := range index {
			of[c] = unit[j]
		}
		values := columnsOf(theta, index)
		values, days := ordinary(values, days, oddRows(values, of))
		starts := dayStarts(days)
		laws := whiteners(len(starts) - 1)
		alpha := trendFalse * trendShare[kind] / count[kind]
		for c, j := range index {
			var change, p float64
			within := len(starts)-1 < trendDays
			if within {
				change, p = trendWithinDays(values, starts, c, factors[j].SE)
			} else {
				change, p = trendOverDays(dayMeans(values, starts), laws, c, factors[j].SE)
			}
			if p < alpha && math.Abs(change) > of[c] {
				out = append(out, trend{j, change, within})
			}
		}
	}
	return out
}

// trendOverDays gives the change of a column along a line through the means of its days, and how
// probable a steeper one is by chance. least is the error of a reading, below which no scatter is believed.
func trendOverDays(means [][]float64, laws []*whitener, column int, least float64) (change, p float64) {
	d := len(means)
	var logs, changes, ps [len(rhoCases)]float64
	best := math.Inf(-1)
	for i := range rhoCases {
		w := laws[i]
		x, t := make([]float64, d), make([]float64, d)
		for g := range d {
			x[g], t[g] = means[g][column], float64(g)
		}
		w.solve(x)
		w.solve(t)
		line := lineThrough(w.one, t, x, least, float64(d-2))
		changes[i], ps[i] = line.slope*float64(d-1), line.p
		logs[i] = -(w.logDet + line.logDet + float64(d-2)*math.Log(line.variance)) / 2
		best = max(best, logs[i])
	}
	var sum float64
	for i := range logs {
		k := math.Exp(logs[i] - best)
		sum += k
		change += k * changes[i]
		p += k * ps[i]
	}
	return change / sum, p / sum
}

// whiteners are those of every case of correlation, for so many days.
func whiteners(days int) (out []*whitener) {
	for _, c := range rhoCases {
		out = append(out, newWhitener(days, c.rho, dayShare))
	}
	return out
}

// trendWithinDays is that of one slope for the readings of all days, each day with a mean of its own. The
// change is that over the longest day.
func trendWithinDays(values [][]float64, starts []int, column int, least float64) (change, p float64) {
	n, d := len(values), len(starts)-1
	df := float64(n - d - 1)
	if df < trendDays-2 {
		return 0, 1
	}
	x, t, longest := make([]float64, n), make([]float64, n), 0
	for g := range d {
		from, to := starts[g], starts[g+1]
		longest = max(longest, to-from)
		var mean float64
		for _, v := range values[from:to] {
			mean += v[column] / float64(to-from)
		}
		for i := from; i < to; i++ {
			x[i], t[i] = values[i][column]-mean, float64(i-from)-float64(to-from-1)/2
		}
	}
	line := lineThrough(make([]float64, n), t, x, least, df)
	return line.slope * float64(longest-1), line.p
}

// line is a straight line by least squares.
type line struct{ slope, variance, logDet, p float64 }

// lineThrough fits a*one + slope*t to x, all of them whitened; one may be all zero.
func lineThrough(one, t, x []float64, least, df float64) (l line) {
	a, b, c := square(one), inner(one, t), square(t)
	ax, tx := inner(one, x), inner(t, x)
	free := c // square of the part of t that the constant leaves
	if a > 0 {
		free -= b * b / a
		tx -= b * ax / a
		l.logDet = math.Log(a)
	}
	if !(free > 0) {
		return line{variance: 1, p: 1}
	}
	l.slope = tx / free
	l.logDet += math.Log(free)
	left := square(x) - l.slope*tx
	if a > 0 {
		left -= ax * ax / a
	}
	l.variance = max(left/df, least*least, 1e-12)
	l.p = studentTail(l.slope/math.Sqrt(l.variance/free), df)
	return l
}

// trends warns of what moved one way all through the readings.
func (l *learner) trends() {
	if l.count < provisionalReadings {
		return
	}
	b := l.out
	days, theta, unit := make([]string, l.count), make([][]float64, l.count), make([]float64, len(b.Factors))
	for i, k := range l.order {
		days[i], theta[i] = l.samples[k].Day, l.theta[k]
	}
	for j, f := range b.Factors {
		unit[j] = l.sig.unitOf(f, l.o.Tolerances)
	}
	var over, within []string
	for _, t := range trendsOf(theta, days, b.Factors, unit) {
		f := b.Factors[t.factor]
		text := fmt.Sprintf("%s by %+.1f %s", f.describe(), t.change, factorUnits[f.Kind])
		if t.within {
			within = append(within, text)
		} else {
			over = append(over, text)
		}
	}
	first, last := l.order[0], l.order[l.count-1]
	from := fmt.Sprintf("from reading %d (%s) to reading %d (%s)", first+1, l.samples[first].Day, last+1, l.samples[last].Day)
	const doWhat = "; the baseline's mean lies in the middle of that, and limits are as wide as if it were chance: small changes will be found late. Find out what moves (ink, temperature, damp, the press), and learn again when it stands still"
	if len(over) > 0 {
		b.warn("trend", fmt.Sprintf("the printer drifted while this was learned: %s %s%s", from, listed(over), doWhat))
	}
	if len(within) > 0 {
		b.warn("trend", fmt.Sprintf("the printer drifted within a day while this was learned: from the first reading of a day to the last %s%s. Warm up the printer and the press first", listed(within), doWhat))
	}
}

// listed is a list in words, of which the first few are told.
func listed(all []string) string {
	const most = 4
	if len(all) > most {
		return fmt.Sprintf("%s and %d more", strings.Join(all[:most], ", "), len(all)-most)
	}
	if len(all) == 1 {
		return all[0]
	}
	return strings.Join(all[:len(all)-1], ", ") + " and " + all[len(all)-1]
}

// factorUnits say in what a kind of factor is told.
var factorUnits = map[string]string{
	KindStrength: "%", KindTone: "points", KindHue: "Lab units", KindCast: "Lab units", KindDepth: "Lab units", KindWhite: "Lab units",
	KindLoad: "%", KindFlare: "% of white",
}
