package drift

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// assumedShare times its tolerance is the spread that a factor is credited with at least, as
// long as the baseline cannot show it: fewer than 5 readings, or all of one day.
const assumedShare = 2.0 / 3

// spreads estimates how much every factor varies between readings of the baseline.
func (l *learner) spreads() {
	b := l.out
	q := l.fitter.q
	cov := make([]float64, q*q)
	chol := make([]float64, q*q)
	if cholesky(l.fitter.normal, chol, q) {
		invert(chol, cov, q)
	}
	b.Factors = append([]Factor(nil), l.sig.factors...)
	for j := range b.Factors {
		b.Factors[j].SE = math.Sqrt(cov[j*q+j])
	}
	days, theta := make([]string, l.count), make([][]float64, l.count)
	for i, k := range l.order {
		days[i], theta[i] = l.samples[k].Day, l.theta[k]
	}
	rho := b.persistences(theta, days, l.sig)
	for _, kind := range factorKinds {
		index := indexOf(b.Factors, kind)
		if len(index) == 0 {
			continue
		}
		values, days := b.ordinaryOf(theta, days, index, l.sig)
		p := b.predictive(values, days, index, l.sig, rho[kind])
		own := estimateSpread(values, days)
		for c, j := range index {
			f := &b.Factors[j]
			f.SD, f.DF = p.sd(c)
			f.Rho, f.Effective, f.AloneSD = dayShare*p.rho, max(1, 1/p.mean), f.SD
			if len(own.own) > c {
				f.OwnSD = math.Sqrt(own.own[c])
			}
		}
		if kind == KindStrength {
			b.Effective = max(1, 1/p.mean)
			b.Shared = sharedStrength(values, b.Days)
			if b.Shared > 0 {
				p = b.predictive(aloneOf(values, b.Shared), days, index, l.sig, rho[kind])
				for c, j := range index {
					b.Factors[j].AloneSD, _ = p.sd(c)
				}
			}
		}
		if grouped(kind) && len(index) > 1 {
			b.Groups = append(b.Groups, Group{Kind: kind, Columns: max(1, own.columns), DF: b.Factors[index[0]].DF})
		}
	}
	l.misfitSpread()
}

var factorKinds = []string{KindStrength, KindTone, KindHue, KindCast, KindDepth, KindWhite, KindLoad, KindFlare}

func indexOf(factors []Factor, kind string) (index []int) {
	for j, f := range factors {
		if f.Kind == kind {
			index = append(index, j)
		}
	}
	return index
}

// columnsOf picks columns of rows.
func columnsOf(rows [][]float64, index []int) [][]float64 {
	out := matrix(len(rows), len(index))
	for i, r := range rows {
		for c, j := range index {
			out[i][c] = r[j]
		}
	}
	return out
}

// sharedStrength estimates how much of the other channels' strength one channel shares: the
// regression of one on the mean of the others with one variance and one covariance for all, cut a
// little for being estimated.
func sharedStrength(values [][]float64, days int) float64 {
	n, p := len(values), len(values[0])
	if p < 2 || n < provisionalReadings || days < 2 {
		return 0
	}
	mean := make([]float64, p)
	for _, v := range values {
		for c := range mean {
			mean[c] += v[c] / float64(n)
		}
	}
	var own, cross float64
	for _, v := range values {
		for c := range p {
			for d := range p {
				x := (v[c] - mean[c]) * (v[d] - mean[d]) / float64(n-1)
				if c == d {
					own += x / float64(p)
				} else {
					cross += x / float64(p*(p-1))
				}
			}
		}
	}
	if cross <= 0 {
		return 0
	}
	of := (own + float64(p-2)*cross) / float64(p-1) // variance of the others' mean
	return max(0, min(0.9, cross/of)) * (1 - 3/float64(n+1))
}

// aloneOf takes the share of the others out of every column.
func aloneOf(values [][]float64, shared float64) [][]float64 {
	out := matrix(len(values), len(values[0]))
	for i, v := range values {
		for c := range v {
			out[i][c] = v[c] - shared*othersMean(v, c)
		}
	}
	return out
}

func othersMean(v []float64, c int) float64 {
	var sum float64
	for d, x := range v {
		if d != c {
			sum += x
		}
	}
	return sum / float64(max(1, len(v)-1))
}

func grouped(kind string) bool { return kind == KindStrength || kind == KindTone || kind == KindWhite }

// What is believed of a factor's spread before the first reading, as a share of its tolerance,
// and how many degrees of freedom that belief is worth. Few readings estimate a spread so
// poorly that limits honest about it are of no use; a weak belief, on the wide side of what
// printers do, steadies them (the moderated variance of Smyth, Statist. Appl. Genet. Mol. Biol.
// 3, 2004, with a stated prior). Ten readings outweigh it.
const (
	priorStrength, priorStrengthDF = 0.5, 4.0
	priorOther, priorOtherDF       = 0.25, 8.0
)

// elsewhere is how much another kind of factor says about how far days resemble each other here:
// it is the same printer in the same room, but not the same process.
const elsewhere = 0.75

// persistences gathers what every kind of factor says of the correlation from day to day, for each
// kind what the others say. Factors that are mostly error of the fit say little.
func (b *Baseline) persistences(theta [][]float64, days []string, s *signatures) map[string]persistence {
	kinds := []string{KindStrength, KindTone, KindWhite, KindLoad}
	own := map[string]persistence{}
	for _, kind := range kinds {
		index := indexOf(b.Factors, kind)
		if len(index) == 0 {
			continue
		}
		var noise, all float64
		values, days := b.ordinaryOf(theta, days, index, s)
		for c, v := range estimateSpread(values, days).own {
			noise += b.Factors[index[c]].SE * b.Factors[index[c]].SE
			all += v
		}
		if all > 0 {
			own[kind] = persistenceOf(values, days, min(1, noise/all))
		}
	}
	out := map[string]persistence{}
	for _, kind := range factorKinds {
		var sum persistence
		for _, other := range kinds {
			if other == kind {
				continue
			}
			for i, v := range own[other] {
				sum[i] += elsewhere * v
			}
		}
		out[kind] = sum
	}
	return out
}

// predictive weighs what the values of factors of one kind (those at index) let one expect.
func (b *Baseline) predictive(values [][]float64, days []string, index []int, s *signatures, rho persistence) *predictive {
	first := b.Factors[index[0]]
	tolerance := s.unitOf(first, b.Options.Tolerances)
	k := belief{sd: priorOther * tolerance, df: priorOtherDF, least: make([]float64, len(values[0])), rho: rho}
	// The mean of several inks (one column) varies less than a single one, unless the press makes it.
	common := len(values[0]) < len(indexOf(b.Factors, KindStrength))
	if first.Kind == KindStrength && !common {
		k.sd, k.df, k.apart = priorStrength*tolerance, priorStrengthDF, true
	}
	for c := range k.least {
		f := b.Factors[index[c]]
		floor := b.Options.FloorShare
		if b.Count < provisionalReadings || b.Days < 2 {
			floor = assumedShare
		}
		floor *= s.unitOf(f, b.Options.Tolerances)
		k.least[c] = max(floor*floor, f.SE*f.SE)
	}
	return predict(values, days, k)
}

// misfitSpread estimates how well readings usually fit. A baseline reading is part of the mean
// that it is compared with, a future one is not: hence the factor (N+1)/(N-1).
func (l *learner) misfitSpread() {
	b := l.out
	of := l.ordinaryMisfits()
	n, k := float64(l.count), float64(len(of))
	var sum, sq float64
	for _, v := range of {
		sum += v
		sq += v * v
	}
	b.MisfitLn = sum / k
	if l.count < 2 {
		b.MisfitLn, b.MisfitSD = 0, 1
		return
	}
	b.MisfitSD = max(0.1, math.Sqrt(max(0, (sq-sum*sum/k)/(k-1))))
	b.MisfitLn += math.Log((n + 1) / (n - 1))
}

// oddReadings warns of a baseline reading that lies apart from the others: one whose patches scatter, one
// that is left out of the spreads (oddRows), or by Grubbs' test at 1 % over all readings and factors together
// (NIST/SEMATECH e-Handbook 1.3.5.17.1).
func (l *learner) oddReadings() {
	if l.count < provisionalReadings {
		return
	}
	for i, k := range l.scatter() {
		if k > 2*scattered {
			l.out.warn("odd_reading", fmt.Sprintf("the patches of baseline reading %d (%s) scatter %.1f times as much as on the other days: it counts for little; look at it for mottle, damp or a cold instrument, and learn again without it",
				i+1, l.samples[i].Day, k))
		}
	}
	n := float64(l.count)
	odd := make([][]bool, len(l.out.Factors))
	for _, kind := range factorKinds {
		index := indexOf(l.out.Factors, kind)
		if len(index) > 0 {
			rows := oddRows(columnsOf(l.theta, index), l.out.unitsOf(index, l.sig))
			for _, j := range index {
				odd[j] = rows
			}
		}
	}
	for j, f := range l.out.Factors {
		var mean float64
		for _, t := range l.theta {
			mean += t[j] / n
		}
		worst, sq := 0, 0.0
		for i, t := range l.theta {
			sq += (t[j] - mean) * (t[j] - mean)
			if math.Abs(t[j]-mean) > math.Abs(l.theta[worst][j]-mean) {
				worst = i
			}
		}
		sd := math.Sqrt(sq / (n - 1))
		unit := l.sig.unitOf(f, l.o.Tolerances)
		if off := math.Abs(l.theta[worst][j] - mean); off > unit && (odd[j][worst] || off > grubbs(l.count, 0.01/float64(len(l.out.Factors)))*sd) {
			l.out.warn("odd_reading", fmt.Sprintf("baseline reading %d (%s) lies apart from the others in %s: look at it, and learn again without it if it was not normal",
				worst+1, l.samples[worst].Day, f.describe()))
		}
	}
}

// grubbs is the two-sided critical value of Grubbs' test for n values.
func grubbs(n int, alpha float64) float64 {
	f := float64(n)
	t := studentQuantile(1-alpha/(2*f), f-2)
	return (f - 1) / math.Sqrt(f) * math.Sqrt(t*t/(f-2+t*t))
}

// capability warns when the shop's own spread leaves no room within its tolerance: when the
// interval that holds 95 % of ordinary readings (with 95 % confidence) is wider than it.
func (l *learner) capability() {
	if l.count < provisionalReadings {
		return
	}
	for _, f := range l.out.Factors {
		if f.Kind != KindStrength {
			continue
		}
		k := ToleranceFactor(float64(l.count), f.DF, 0.95, 0.95)
		if wide := k * f.OwnSD; wide > l.o.Tolerances.StrengthPercent {
			l.out.warn("capability", fmt.Sprintf("%s of ordinary readings may lie up to %.1f %% from the mean, wider than the tolerance of %.1f %%: limits follow the spread, so small changes are found late",
				f.describe(), wide, l.o.Tolerances.StrengthPercent))
		}
	}
}

// studentQuantile is the quantile of Student's t.
func studentQuantile(p, df float64) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(p)
}

// studentTail is the two-sided tail probability of Student's t.
func studentTail(t, df float64) float64 {
	return 2 * distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.CDF(-math.Abs(t))
}

// fQuantile and fTail are those of the F distribution.
func fQuantile(p, d1, d2 float64) float64 { return distuv.F{D1: d1, D2: d2}.Quantile(p) }

func fTail(x, d1, d2 float64) float64 { return 1 - distuv.F{D1: d1, D2: d2}.CDF(x) }

// HotellingLimit is the upper limit of Hotelling's T2 for one future reading of p variables
// against the mean and covariance of m earlier ones: p(m+1)(m-1)/(m(m-p)) F(1-alpha; p, m-p)
// (NIST/SEMATECH e-Handbook 6.5.4.3; Champ, Jones-Farmer, Rigdon, Technometrics 47, 2005). It
// needs m > p.
func HotellingLimit(p, m int, alpha float64) float64 {
	if m <= p {
		return math.Inf(1)
	}
	pf, mf := float64(p), float64(m)
	return pf * (mf + 1) * (mf - 1) / (mf * (mf - pf)) * distuv.F{D1: pf, D2: mf - pf}.Quantile(1-alpha)
}

// hotellingTail is the probability of a T2 at least this large in an ordinary reading.
func hotellingTail(t2 float64, p, m int) float64 {
	pf, mf := float64(p), float64(m)
	return 1 - distuv.F{D1: pf, D2: mf - pf}.CDF(t2*mf*(mf-pf)/(pf*(mf+1)*(mf-1)))
}

// Hotelling is the T2 of vector x against a mean and a covariance.
func Hotelling(x, mean []float64, cov [][]float64) (float64, error) {
	p := len(x)
	if len(mean) != p || len(cov) != p {
		return 0, fmt.Errorf("%d values, %d means and %d rows of covariance", p, len(mean), len(cov))
	}
	m, l, d := make([]float64, p*p), make([]float64, p*p), make([]float64, p)
	for i := range p {
		copy(m[i*p:], cov[i])
		d[i] = x[i] - mean[i]
	}
	if !cholesky(m, l, p) {
		return 0, fmt.Errorf("the covariance of %d variables is singular", p)
	}
	y := append([]float64(nil), d...)
	backsolve(l, y, p)
	return inner(d, y), nil
}
