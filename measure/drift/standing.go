package drift

import "math"

// ownScale is how many of a factor's own standard deviations in the baseline a change must have that
// stands, whatever the limits say.
const ownScale = 4.0

// standing finds a change beyond a stop limit that stands. Limits follow what is known of a printer's
// spread; where little is known of it (all readings of one day, one channel that varies more than the
// rest) they can grow beyond what a shop can bear. A baseline of five readings and more is never deafer
// than one of fewer, which goes by the assumed spread of any printer: far beyond it twice, or once and
// out of all proportion. And what is beyond a stop limit on three readings that agree is told.
func (m *Model) standing(r *Result, st, next *State) {
	stop := m.b.Options.Tolerances.StopFactor
	t := Test{Name: "standing", Limit: 1, P: 1}
	// A spread estimated from few readings may be far too small: that of most channels steadies it.
	df := max(1, float64(m.b.Count-1))
	ownScale := ownScale * math.Sqrt(1+4/df)
	usual := map[string]float64{KindStrength: m.usualSD(KindStrength), KindTone: m.usualSD(KindTone)}
	for j, f := range m.b.Factors {
		if f.Kind != KindStrength && f.Kind != KindTone {
			continue
		}
		unit, own := m.unit[j], max(f.OwnSD, f.SE, usual[f.Kind])
		now, before, mean := next.Last[j], 0.0, next.Alike[j]
		if next.Likes > 1 && len(st.Last) == m.q {
			before = st.Last[j]
		}
		assumed := assumedZ * assumedShare * unit
		size := math.Abs(now) / max(2*assumed, 2*ownScale*own)
		if now*before > 0 {
			size = max(size, min(math.Abs(now), math.Abs(before))/max(assumed, stop*unit, ownScale*own))
			if next.Likes >= 3 && math.Abs(now) > unit && math.Abs(before) > unit {
				size = max(size, math.Abs(mean)/max(stop*unit, ownScale*own))
			}
		}
		if size > t.Statistic {
			t.Name, t.Statistic = "standing:"+f.Name, size
			t.P = min(1, studentTail(mean/own, df))
		}
	}
	t.Significant = t.Statistic > 1
	r.Tests = append(r.Tests, t)
}

// usualSD is the median over a kind's factors of their own spread in the baseline.
func (m *Model) usualSD(kind string) float64 {
	var own []float64
	for _, f := range m.b.Factors {
		if f.Kind == kind {
			own = append(own, f.OwnSD)
		}
	}
	if len(own) == 0 {
		return 0
	}
	return median(own)
}
