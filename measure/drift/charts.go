package drift

import (
	"math"
	"slices"
	"time"
)

// alone is what is watched of a reading: its factors, each channel's strength less its usual
// share of the others'.
func (m *Model) alone(theta []float64) []float64 {
	x := slices.Clone(theta)
	if m.b.Shared == 0 {
		return x
	}
	var sum, n float64
	for _, j := range m.fitter.strength {
		if j >= 0 {
			sum += theta[j]
			n++
		}
	}
	if n < 2 {
		return x
	}
	for _, j := range m.fitter.strength {
		if j >= 0 {
			x[j] -= m.b.Shared * (sum - theta[j]) / (n - 1)
		}
	}
	return x
}

// whole is factor j of a day of which the state holds what is watched: alone undone.
func (m *Model) whole(day []float64, j int) float64 {
	if m.b.Factors[j].Kind != KindStrength || m.b.Shared == 0 {
		return day[j]
	}
	n := 0.0
	for _, i := range m.fitter.strength {
		if i >= 0 {
			n++
		}
	}
	if n < 2 {
		return day[j]
	}
	each := m.b.Shared / (n - 1)
	return (day[j] + each*n*m.meanStrength(day)) / (1 + each)
}

// advance moves the control charts on by this reading.
func (m *Model) advance(w *work, st *State, day string) State {
	k := m.q
	if len(st.EWMA) != k || len(st.Mean) != k || len(st.CusumHigh) != k || len(st.CusumLow) != k || len(st.SinceHigh) != k || len(st.SinceLow) != k || len(st.Apart) != len(st.Before) {
		*st = State{EWMA: make([]float64, k), CusumHigh: make([]float64, k), CusumLow: make([]float64, k), SinceHigh: make([]int, k), SinceLow: make([]int, k)}
	}
	x := m.alone(w.theta)
	next := State{Readings: st.Readings + 1, Day: day, Today: 1, Mean: x, Before: st.Before, Apart: st.Apart, Seen: st.Seen, SeenCommon: st.SeenCommon, EWMA: st.EWMA, Last: slices.Clone(w.theta),
		CusumHigh: make([]float64, k), CusumLow: make([]float64, k), SinceHigh: make([]int, k), SinceLow: make([]int, k)}
	switch {
	case st.Today == 0:
	case day != "" && day == st.Day:
		next.Today, next.Alarm = st.Today+1, st.Alarm
		next.Mean = make([]float64, k)
		for j := range x {
			next.Mean[j] = st.Mean[j] + (x[j]-st.Mean[j])/float64(next.Today)
		}
	default:
		const most = mostDays - 1 + mostHistory
		next.Before = append(make([][]float64, 0, most), st.Mean)
		next.Before = append(next.Before, st.Before[:min(len(st.Before), most-1)]...)
		next.Apart = append(make([]bool, 0, most), st.Alarm)
		next.Apart = append(next.Apart, st.Apart[:min(len(st.Apart), most-1)]...)
		if daysBetween(st.Day, day) > longestGap {
			for i := range next.Apart {
				next.Apart[i] = true
			}
		}
		m.see(&next)
		next.EWMA = make([]float64, k)
		for j := range x {
			next.EWMA[j] = m.weighted(j, st.EWMA[j], st.Mean[j])
		}
	}
	for j := range x {
		z := x[j] / m.limits[j].scale
		next.CusumHigh[j], next.SinceHigh[j] = cusum(st.CusumHigh[j], z, st.SinceHigh[j])
		next.CusumLow[j], next.SinceLow[j] = cusum(st.CusumLow[j], -z, st.SinceLow[j])
	}
	return next
}

// meanStrength is that of all inks on a day of which the state holds what is watched.
func (m *Model) meanStrength(day []float64) float64 {
	var sum, n float64
	for _, j := range m.fitter.strength {
		if j >= 0 {
			sum += day[j]
			n++
		}
	}
	return sum / max(1, n) / (1 - m.b.Shared) // what is watched of every ink adds up to that share
}

// weighted moves an exponentially weighted mean on by one day. One wild day (a wrong sheet, a
// cold instrument) must not fill it for a week.
func (m *Model) weighted(j int, mean, x float64) float64 {
	most := 1.5 * m.limits[j].one
	return mean + m.b.Options.Lambda*max(-most, min(most, x-mean))
}

// cusumSlack is the reference value of the cumulative sums in standard deviations. They raise no
// alarm (with an estimated mean their run length is not to be trusted); they date a change: it
// began about when the sum last stood at zero (Page, Biometrika 41, 1954).
const cusumSlack = 0.75

func cusum(s, z float64, since int) (float64, int) {
	s += max(-4, min(4, z)) - cusumSlack
	if s <= 0 {
		return 0, 0
	}
	return min(s, 50), since + 1
}

// values sets every factor against its limits.
func (m *Model) values(r *Result, w *work, next *State) {
	r.Values = make([]Value, m.q)
	x := m.alone(w.theta)
	statistical := m.b.Grade != Tentative
	wander := m.wander(next)
	for j, f := range m.b.Factors {
		l := &m.limits[j]
		v := &r.Values[j]
		*v = Value{Name: f.Name, Kind: f.Kind, Channel: f.Channel, Value: w.theta[j], Alone: x[j], Z: x[j] / l.scale,
			SE: math.Sqrt(w.spread[j]), EWMA: m.weighted(j, next.EWMA[j], next.Mean[j]),
			CusumHigh: next.CusumHigh[j], CusumLow: next.CusumLow[j], Since: next.SinceHigh[j]}
		if next.CusumLow[j] > next.CusumHigh[j] { // the side that the change is on dates it
			v.Since = next.SinceLow[j]
		}
		if !statistical {
			continue
		}
		// Missing patches make a reading less certain than the baseline's readings were.
		wide := 1.0
		if extra := v.SE*v.SE - f.SE*f.SE*1.2; extra > 0 {
			wide = math.Sqrt(1 + extra/(l.scale*l.scale))
		}
		var more *widening
		if f.Kind == KindStrength {
			more = &wander
		}
		v.Limit, v.EWMALimit = l.one*wide*more.of(&l.step[0][0]), l.slow.limit*more.of(&l.slow)
		v.charts = m.read(l, more, next, v.Alone, func(d []float64) float64 { return d[j] })
		v.charts.now /= wide
		if v.RecentDays = v.charts.days; v.RecentDays > 0 {
			v.Recent = m.whole(next.Mean, j)
			for _, day := range next.Before[:v.RecentDays-1] {
				v.Recent += m.whole(day, j)
			}
			v.Recent /= float64(v.RecentDays)
		}
		v.before = next.EWMA[j]
		v.Beyond = v.charts.now > 1 || v.RecentDays > 0 || m.slow(v)
	}
	weighted := make([]float64, m.q)
	for j := range r.Values {
		weighted[j] = r.Values[j].EWMA
	}
	for j := range r.Values {
		v := &r.Values[j]
		// Wild days are cut in the weighted means factor by factor, which leaves the other channels with
		// their share of what was cut: the reading itself must stand by what they tell.
		if v.Lately = m.whole(weighted, j); v.Lately*v.Value <= 0 || math.Abs(v.Lately) > 1.5*math.Abs(v.Value) {
			v.Lately = v.Value
		}
	}
}

// charts is what the charts of one factor say of the last days, in units of their limits.
type charts struct {
	now   float64 // this reading
	nowP  *chart
	step  float64 // two or three days, when all of them stand by it
	stepP *chart
	days  int
}

// leastShare of the limit is what each of several days must show by itself.
const leastShare = 0.65

// longestGap is over how many days, from one reading to the next, the printer's state is taken to
// carry on: a long weekend.
const longestGap = 4

func daysBetween(a, b string) int {
	t, err := time.Parse(time.DateOnly, a)
	u, err2 := time.Parse(time.DateOnly, b)
	if err != nil || err2 != nil {
		return 1
	}
	return int(u.Sub(t).Hours() / 24)
}

// read looks at the last one, two and three days, against what the good days before them let one
// expect. Every one of those days must show the change by itself, at two thirds of the limit, so that
// one wild day does not speak for three.
func (m *Model) read(l *limit, more *widening, next *State, alone float64, of func(day []float64) float64) (out charts) {
	try := func(days int, c *chart, history int) {
		limit := c.limit * more.of(c)
		var past float64
		for i := range history {
			past += c.weights[days+i] * of(next.Before[days-1+i])
		}
		if days == 1 {
			if x := math.Abs(alone+past) / limit; x > out.now {
				out.now, out.nowP = x, c
			}
			return
		}
		sum, least, side := past, math.Abs(alone+past), alone+past
		for i := range days {
			x := of(next.Mean)
			if i > 0 {
				x = of(next.Before[i-1])
			}
			sum += c.weights[i] * x
			if (x+past)*side <= 0 {
				return
			}
			least = min(least, math.Abs(x+past))
		}
		if x := math.Abs(sum) / limit; x > 1 && least > leastShare*limit && x > out.step {
			out.step, out.stepP, out.days = x, c, days
		}
	}
	for d := range min(mostDays, len(next.Before)+1) {
		h := 0
		for h < len(l.step[d])-1 && d+h < len(next.Before) && !next.Apart[d+h] {
			h++
		}
		try(d+1, &l.step[d][h], h)
	}
	return out
}

// slow says whether the weighted mean is beyond its limit, was on its way there before today, and
// the reading itself stands by it: after a repair the mean lags, and one wild day is not slow.
func (m *Model) slow(v *Value) bool {
	return math.Abs(v.EWMA) > v.EWMALimit && v.Alone*v.EWMA > 0 && math.Abs(v.Alone) > v.EWMALimit/2 &&
		v.before*v.EWMA > 0 && math.Abs(v.before) > v.EWMALimit/4
}

// alike keeps the mean of readings in a row that changed in one direction. Corrections are taken
// from it: one reading holds a day's ordinary wander in every channel.
func (m *Model) alike(st, next *State) {
	x := next.Last
	next.Likes, next.Alike = 1, slices.Clone(x)
	if len(st.Alike) == m.q && m.cosine(x, st.Alike) > agreeCosine {
		next.Likes = st.Likes + 1
		for j := range next.Alike {
			next.Alike[j] = st.Alike[j] + (x[j]-st.Alike[j])/float64(min(next.Likes, 5))
		}
	}
}

// cosine is that of the angle between two changes, each factor in units of its spread.
func (m *Model) cosine(a, b []float64) float64 {
	var xy, xx, yy float64
	for j := range m.q {
		s := m.limits[j].raw
		x, y := a[j]/s, b[j]/s
		xy += x * y
		xx += x * x
		yy += y * y
	}
	if xx == 0 || yy == 0 {
		return 0
	}
	return xy / math.Sqrt(xx*yy)
}

// agree counts the readings in a row that show the same change.
func (m *Model) agree(r *Result, st, next *State) {
	if !r.Significant {
		return
	}
	k := m.q
	next.Agreeing, next.Change = 1, make([]float64, k)
	copy(next.Change, next.Last)
	jump, size := 1.0, 0.0
	if len(st.Last) == k {
		var along float64
		for j := range k {
			s := m.limits[j].raw
			size += next.Last[j] * next.Last[j] / (s * s)
			along += (next.Last[j] - st.Last[j]) * next.Last[j] / (s * s)
		}
		if size > 0 {
			jump = along / size
		}
		r.Sudden = jump > 0.6
	}
	if st.Agreeing > 0 && len(st.Change) == k {
		if m.cosine(next.Last, st.Change) > agreeCosine || onlyHouse(r) && sameHouse(st, next) {
			next.Agreeing = st.Agreeing + 1
			for j := range next.Change {
				next.Change[j] = st.Change[j] + (next.Last[j]-st.Change[j])/float64(min(next.Agreeing, 5))
			}
		}
	}
	r.Agreeing = next.Agreeing
}

// onlyHouse says whether house colours alone are why a reading is significant: the factors then hold nothing
// but the day's wander, and do not tell whether it is the change of the reading before.
func onlyHouse(r *Result) bool {
	return !slices.ContainsFunc(r.Tests, func(t Test) bool { return t.Significant })
}

// sameHouse says whether a house colour's patch that was off in the last reading is off again.
func sameHouse(st, next *State) bool {
	return slices.ContainsFunc(next.House, func(id string) bool { return slices.Contains(st.House, id) })
}
