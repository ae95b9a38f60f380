package drift

// spreadOf estimates how much factors of one kind vary from one reading to another, and how
// much the baseline mean of such a factor is worth.
//
// Readings of one day share that day's state of the printer. So the variance of a new reading,
// on a new day, about the baseline mean is that of a one-way random-effects layout: days, and
// readings within days (Searle, Casella, McCulloch, Variance Components, 1992). With one
// reading a day it is the ordinary variance with N-1 degrees of freedom; with ten readings on
// three days it rests on little more than two. The degrees of freedom are Satterthwaite's
// (Biometrics Bulletin 2, 1946).
//
// The same spread is assumed for all columns (say the strengths of four channels) and pooled;
// channels that move together count for fewer degrees of freedom, by the unbiased estimate of
// tr(S)^2/tr(S^2) (Srivastava, J. Japan Statist. Soc. 35, 2005).
type spreadOf struct {
	variance  float64   // pooled, of a new reading on a new day about the true mean
	own       []float64 // the same for each column alone
	df        float64   // of the pooled variance
	ownDF     float64
	effective float64 // independent readings that the mean is worth, days being independent
	// dayVariance is that of the means of days.
	dayVariance float64
	columns     float64 // independent columns that the columns are worth
}

// estimateSpread takes values[reading][column] with the readings in time order and their days.
func estimateSpread(values [][]float64, days []string) spreadOf {
	n := len(values)
	if n == 0 || len(values[0]) == 0 {
		return spreadOf{effective: float64(n)}
	}
	p := len(values[0])
	starts := dayStarts(days)
	d := len(starts) - 1
	out := spreadOf{own: make([]float64, p), effective: float64(n)}
	if n < 2 {
		return out
	}
	means := matrix(d, p)
	grand := make([]float64, p)
	var sumSq float64
	for g := range d {
		size := float64(starts[g+1] - starts[g])
		sumSq += size * size
		for _, v := range values[starts[g]:starts[g+1]] {
			for c := range p {
				means[g][c] += v[c] / size
				grand[c] += v[c] / float64(n)
			}
		}
	}
	between, within := make([]float64, p), make([]float64, p)
	for g := range d {
		size := float64(starts[g+1] - starts[g])
		for c := range p {
			between[c] += size * (means[g][c] - grand[c]) * (means[g][c] - grand[c])
			for _, v := range values[starts[g]:starts[g+1]] {
				within[c] += (v[c] - means[g][c]) * (v[c] - means[g][c])
			}
		}
	}
	size := (float64(n) - sumSq/float64(n)) / max(1, float64(d-1)) // n0 of the layout
	var sumB, sumW float64
	for c := range p {
		sumB += between[c] / float64(p)
		sumW += within[c] / float64(p)
	}
	many := effectiveColumns(values, grand)
	out.columns = many
	v := components(sumB, sumW, d, n, size, sumSq, many)
	out.variance, out.df = v.total, v.df
	out.dayVariance = sumB / max(1, float64(d-1)) / size
	if v.total > 0 {
		out.effective = v.total / v.mean
	}
	for c := range p {
		o := components(between[c], within[c], d, n, size, sumSq, 1)
		out.own[c], out.ownDF = o.total, o.df
	}
	return out
}

type componentsOf struct{ total, mean, df float64 }

// components splits the sums of squares. When the days differ no more than readings within a
// day do, all readings are taken as independent.
func components(ssb, ssw float64, days, n int, size, sumSq, many float64) componentsOf {
	nf, df := float64(n), float64(days-1)
	all := (ssb + ssw) / (nf - 1)
	if days == n {
		return componentsOf{total: all, mean: all / nf, df: (nf - 1) * many}
	}
	msw := ssw / float64(n-days)
	if days == 1 {
		// One day shows nothing of the spread between days.
		return componentsOf{total: all, mean: all, df: (nf - 1) * many}
	}
	msb := ssb / df
	if msb <= msw {
		return componentsOf{total: all, mean: all / nf, df: (nf - 1) * many}
	}
	vb := (msb - msw) / size
	total := vb + msw
	x, y := msb/size, (1-1/size)*msw
	den := x*x/df + y*y/float64(n-days)
	out := componentsOf{total: total, mean: vb*sumSq/(nf*nf) + msw/nf, df: many * df}
	if den > 0 {
		out.df = many * total * total / den
	}
	return out
}

// dayStarts gives the first reading of every run of equal days, and the end. Readings without a
// day count as a day each.
func dayStarts(days []string) []int {
	starts := []int{0}
	for i := 1; i < len(days); i++ {
		if days[i] == "" || days[i] != days[i-1] {
			starts = append(starts, i)
		}
	}
	return append(starts, len(days))
}

// effectiveColumns is the number of independent columns that these are worth, 1..p.
func effectiveColumns(values [][]float64, mean []float64) float64 {
	n, p := len(values)-1, len(mean) // n degrees of freedom
	if n < 2 || p < 2 {
		return float64(max(1, min(p, 1)))
	}
	var tr, tr2 float64
	for a := range p {
		for b := range p {
			var s float64
			for _, v := range values {
				s += (v[a] - mean[a]) * (v[b] - mean[b])
			}
			s /= float64(n)
			if a == b {
				tr += s
			}
			tr2 += s * s
		}
	}
	f := float64(n)
	sq := f * f / ((f - 1) * (f + 2)) * (tr2 - tr*tr/f)
	if !(sq > 0) {
		return float64(p)
	}
	return max(1, min(float64(p), tr*tr/sq))
}
