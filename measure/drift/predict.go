package drift

import (
	"math"
	"slices"
)

// predictive says what a baseline lets one expect of the days to come: for any weighted sum of
// them, how far it may lie from the baseline's mean by chance alone.
//
// Ten readings leave three things open. How much a printer varies; whether one channel varies
// more than the others; and how much one day resembles the next, for a process that wanders
// shows less in ten days than it will in a hundred, and its mean is worth less. None of them is
// settled by a point estimate: each is a case of a mixture, weighted by how well it accounts for
// the baseline (Gelman et al., Bayesian Data Analysis, 3rd ed., chapters 5 and 17), and limits are
// quantiles of the mixture of Student's t.
type predictive struct {
	cases []predictiveCase
	rho   float64 // mean correlation of one day with the next
	mean  float64 // mean of the cases' mean
	// columns is the number of independent columns that the columns are worth.
	columns float64
	// quantiles remembers those of Student's t by probability and degrees of freedom: limits ask for few,
	// each of them many times. Limits are made by one goroutine, when a baseline is made ready.
	quantiles map[[2]float64]float64
}

func (p *predictive) quantile(probability, df float64) float64 {
	key := [2]float64{probability, df}
	q, ok := p.quantiles[key]
	if !ok {
		q = studentQuantile(probability, df)
		if p.quantiles == nil {
			p.quantiles = map[[2]float64]float64{}
		}
		p.quantiles[key] = q
	}
	return q
}

type predictiveCase struct {
	weight   float64
	rho      float64   // lag correlations are dayShare * rho^lag
	mean     float64   // variance of the baseline's mean in units of one reading's
	variance []float64 // of one reading, by column
	df       []float64
}

// dayShare is the part of a reading's variance that belongs to the day and can last to the next;
// the rest is the single print's. Common practice, no source.
const dayShare = 0.8

// The cases: correlation from day to day, and the degrees of freedom of the chi-squared law by
// which the channels' own variances scatter about the common one (infinite: all alike). The
// weights before any data say that most printers wander little and that channels are alike.
var (
	rhoCases  = [...]struct{ rho, weight float64 }{{0, 0.6}, {0.2, 0.2}, {0.4, 0.12}, {0.6, 0.08}}
	likeCases = [...]struct{ df, weight float64 }{{apartDF, 0.005}, {alikeDF, 0.3}, {math.Inf(1), 0.695}}
)

// alikeDF is the case in which channels differ a little, apartDF that in which one can be quite unlike the
// others. What is common to them is then their median, which one that varies most of all does not carry
// away (after Phipson, Lee, Majewski, Alexander, Smyth, Ann. Appl. Stat. 10, 2016). It is believed only of
// a printer that shows it: ten like days of four inks leave next to nothing of it.
const alikeDF, apartDF = 30.0, 4.0

// medianShare is the median of chi-squared over its degrees of freedom (Wilson and Hilferty, Proc. Natl.
// Acad. Sci. 17, 1931).
func medianShare(df float64) float64 {
	x := 1 - 2/(9*df)
	return x * x * x
}

// belief is what is believed of a spread before the first reading, and what it cannot fall below.
type belief struct {
	sd, df float64
	least  []float64   // least variance by column
	rho    persistence // what else is known of the correlation from day to day
	// apart says that one column may be quite unlike the others. It is so of inks' strengths; of their
	// hues it would always be so, for a black has hardly one, and each ink would be left to its own few days.
	apart bool
}

// persistence is the log likelihood of each correlation from day to day.
type persistence [len(rhoCases)]float64

// persistenceOf is what one kind of factors says, of which the share noise is error of the fit,
// which no day passes on to the next.
func persistenceOf(values [][]float64, days []string, noise float64) (out persistence) {
	starts := dayStarts(days)
	d, p := len(starts)-1, len(values[0])
	if d < 4 {
		return out
	}
	means := dayMeans(values, starts)
	many := max(1, min(float64(p), estimateSpread(values, days).columns))
	for i, rc := range rhoCases {
		w := newWhitener(d, rc.rho, dayShare*max(0, 1-noise))
		var all float64
		for c := range p {
			all += w.squares(means, c) / float64(p)
		}
		out[i] = -many / 2 * (w.logDet + math.Log(w.sum) + float64(d-1)*math.Log(max(all, 1e-12)))
	}
	return out
}

// predict weighs the cases by values[reading][column], the readings in time order with their days.
func predict(values [][]float64, days []string, b belief) *predictive {
	p := len(values[0])
	layout := estimateSpread(values, days)
	starts := dayStarts(days)
	d := len(starts) - 1
	out := &predictive{}
	// One reading varies more than a mean of several of one day, and with few days what is known
	// of the spread within a day counts.
	one, df := 1.0, float64(d-1)
	if d < len(values) {
		df = layout.ownDF
		if between := layout.dayVariance; between > 0 {
			one = max(1, layout.variance/between)
		}
	}
	means := dayMeans(values, starts)
	many := max(1, min(float64(p), layout.columns))
	out.columns = many
	best := math.Inf(-1)
	var logs []float64
	for i, rc := range rhoCases {
		w := newWhitener(d, rc.rho, dayShare)
		ss := make([]float64, p)
		var all float64
		for c := range p {
			ss[c] = w.squares(means, c) * one
			all += ss[c] / float64(p)
		}
		if d == 1 { // nothing is seen of the spread between days
			for c := range p {
				ss[c] = layout.own[c] * df
			}
			all = layout.variance * df
		}
		prior := b.df * b.sd * b.sd
		pooled := max((prior+many*all)/(b.df+many*df), all/max(1, df))
		steadier := pooled
		if p >= 3 && df >= 1 {
			mid := median(slices.Clone(ss)) / medianShare(df)
			steadier = min(pooled, max((prior+many*mid)/(b.df+many*df), mid/df))
		}
		log := math.Log(rc.weight) + b.rho[i] - many/2*(w.logDet+math.Log(w.sum)) - (b.df+many*max(0, df))/2*math.Log(prior+many*all)
		for _, lc := range likeCases {
			k := predictiveCase{rho: rc.rho, mean: 1 / w.sum, variance: make([]float64, p), df: make([]float64, p)}
			l, common := log+math.Log(lc.weight), pooled
			if lc.df == apartDF {
				if !b.apart {
					continue
				}
				common = steadier
				l += float64(p) * math.Log(pooled/steadier)
			}
			for c := range p {
				k.variance[c], k.df[c] = common, b.df+many*df
				if !math.IsInf(lc.df, 1) && p > 1 && df >= 1 {
					to, toDF := common, lc.df
					if lc.df == apartDF && ss[c] > df*pooled { // what stands out is relieved of nothing
						to, toDF = pooled, alikeDF
					}
					k.variance[c] = (toDF*to + ss[c]) / (toDF + df)
					k.df[c] = min(k.df[c], toDF+df)
				}
				k.variance[c] = max(k.variance[c], b.least[c])
				if p > 1 && df >= 1 {
					l += logRatioDensity(ss[c]/df/common, df, lc.df)
				}
			}
			out.cases = append(out.cases, k)
			logs = append(logs, l)
			best = max(best, l)
		}
	}
	var sum float64
	for i := range out.cases {
		out.cases[i].weight = math.Exp(logs[i] - best)
		sum += out.cases[i].weight
	}
	kept := out.cases[:0]
	for _, k := range out.cases {
		if k.weight /= sum; k.weight > 1e-3 {
			out.rho += k.weight * k.rho
			out.mean += k.weight * k.mean
			kept = append(kept, k)
		}
	}
	out.cases = kept
	return out
}

// logRatioDensity is the log density of F with df and other degrees of freedom at x, without
// what does not depend on other; with other infinite it is that of chi-squared over df.
func logRatioDensity(x, df, other float64) float64 {
	x = max(x, 1e-6)
	if math.IsInf(other, 1) {
		g, _ := math.Lgamma(df / 2)
		return df/2*math.Log(df/2) - g + (df/2-1)*math.Log(x) - df*x/2
	}
	a, _ := math.Lgamma((df + other) / 2)
	b, _ := math.Lgamma(df / 2)
	c, _ := math.Lgamma(other / 2)
	return a - b - c + df/2*math.Log(df/other) + (df/2-1)*math.Log(x) - (df+other)/2*math.Log1p(df*x/other)
}

// sd is the mean spread of one reading of a column, with the mean degrees of freedom.
func (p *predictive) sd(column int) (sd, df float64) {
	var v, total float64
	for _, k := range p.cases {
		v += k.weight * k.variance[column]
		df += k.weight * k.df[column]
		total += k.weight
	}
	return math.Sqrt(v / total), df / total
}

// variance is that of a weighted sum of days (newest first), each less the baseline's mean, in
// units of one day's variance.
func (k *predictiveCase) factor(weights []float64) float64 {
	var v, sum float64
	for i, a := range weights {
		sum += a
		v += a * a
		r := dayShare
		for _, b := range weights[i+1:] {
			r *= k.rho
			v += 2 * r * a * b
		}
	}
	return v + sum*sum*k.mean
}

// tail is the probability that a weighted sum of days of a column lies further out than x.
func (p *predictive) tail(column int, weights []float64, x float64) float64 {
	var q float64
	for i := range p.cases {
		k := &p.cases[i]
		q += k.weight * studentTail(x/math.Sqrt(k.variance[column]*k.factor(weights)), k.df[column])
	}
	return q
}

// scale is the standard error of prediction of a weighted sum of days.
func (p *predictive) scale(column int, weights []float64) float64 {
	var v float64
	for i := range p.cases {
		k := &p.cases[i]
		v += k.weight * k.variance[column] * k.factor(weights)
	}
	return math.Sqrt(v)
}

// limit is what a weighted sum of days of a column exceeds, either way, with probability alpha. It
// serves one goroutine at a time.
func (p *predictive) limit(column int, weights []float64, alpha float64) float64 {
	type term struct{ weight, scale, df float64 }
	terms := make([]term, len(p.cases))
	var low, high float64
	for i := range p.cases {
		k := &p.cases[i]
		t := term{k.weight, math.Sqrt(k.variance[column] * k.factor(weights)), k.df[column]}
		terms[i] = t
		x := -t.scale * p.quantile(alpha/2, t.df) // from the lower tail, which has the digits
		if i == 0 {
			low, high = x, x
		}
		low, high = min(low, x), max(high, x)
	}
	target := math.Log(alpha)
	f := func(x float64) float64 {
		var q float64
		for _, t := range terms {
			q += t.weight * studentTail(x/t.scale, t.df)
		}
		return math.Log(q) - target
	}
	// The logarithm of a tail is nearly straight in the logarithm of x: false position.
	a, b := math.Log(low), math.Log(high)
	fa, fb := f(low), f(high)
	for range 40 {
		if !(b-a > 1e-4) || fa == fb {
			break
		}
		x := a + (b-a)*fa/(fa-fb)
		x = min(max(x, a+0.02*(b-a)), b-0.02*(b-a))
		if fx := f(math.Exp(x)); fx > 0 {
			a, fa = x, fx
		} else {
			b, fb = x, fx
		}
	}
	return math.Exp(b)
}

// jump gives the weights, newest day first, by which a step that began days ago is measured best
// when history days before it are known to be good: the days of the step less what the days before
// let one expect of them (generalised least squares). Without history they are the mean.
func (p *predictive) jump(days, history int) []float64 {
	n := days + history
	if history == 0 || p.rho == 0 {
		w := make([]float64, n)
		for i := range days {
			w[i] = 1 / float64(days)
		}
		return w
	}
	v, l := make([]float64, n*n), make([]float64, n*n)
	for i := range n {
		for j := range n {
			v[i*n+j] = p.mean
			if i == j {
				v[i*n+j]++
			} else {
				v[i*n+j] += dayShare * math.Pow(p.rho, math.Abs(float64(i-j)))
			}
		}
	}
	w := make([]float64, n)
	for i := range days {
		w[i] = 1
	}
	if !cholesky(v, l, n) {
		return p.jump(days, 0)
	}
	backsolve(l, w, n)
	var sum float64
	for _, x := range w[:days] {
		sum += x
	}
	for i := range w {
		w[i] /= sum
	}
	return w
}

func dayMeans(values [][]float64, starts []int) [][]float64 {
	means := matrix(len(starts)-1, len(values[0]))
	for g := range means {
		size := float64(starts[g+1] - starts[g])
		for _, v := range values[starts[g]:starts[g+1]] {
			for c := range v {
				means[g][c] += v[c] / size
			}
		}
	}
	return means
}

// whitener takes a correlation from day to day out of a run of days.
type whitener struct {
	n           int
	chol        []float64
	one         []float64 // L^-1 1
	sum, logDet float64   // 1' R^-1 1; log det R
}

func newWhitener(n int, rho, share float64) *whitener {
	w := &whitener{n: n, chol: make([]float64, n*n), one: slices.Repeat([]float64{1}, n)}
	r := make([]float64, n*n)
	for i := range n {
		for j := range n {
			r[i*n+j] = 1
			if i != j {
				r[i*n+j] = share * math.Pow(rho, math.Abs(float64(i-j)))
			}
		}
	}
	if !cholesky(r, w.chol, n) {
		return w
	}
	w.solve(w.one)
	w.sum = square(w.one)
	for i := range n {
		w.logDet += 2 * math.Log(w.chol[i*n+i])
	}
	return w
}

// solve turns x into L^-1 x.
func (w *whitener) solve(x []float64) {
	for i := range w.n {
		s := x[i]
		for k := range i {
			s -= w.chol[i*w.n+k] * x[k]
		}
		x[i] = s / w.chol[i*w.n+i]
	}
}

// squares is the whitened sum of squares of a column about its mean.
func (w *whitener) squares(means [][]float64, column int) float64 {
	x := make([]float64, w.n)
	for g := range x {
		x[g] = means[g][column]
	}
	w.solve(x)
	a := inner(x, w.one)
	return max(0, square(x)-a*a/w.sum)
}
