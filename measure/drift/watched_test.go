package drift_test

import (
	"cmp"
	"slices"
	"testing"

	"swathkeeper/measure/drift"
)

// TestHealthyInksStayHealthy: a channel is watched by its strength less its usual share of the others',
// so that where one ink is far off, what is watched of the healthy ones moves too. What they print has not
// changed, and no tolerance is said to be exceeded by it, at the first reading or at the fifth.
func TestHealthyInksStayHealthy(t *testing.T) {
	t.Parallel()
	for _, halftone := range []bool{false, true} {
		p := newPhysics(t, 4, halftone, 10)
		for _, by := range []float64{-40, -100} {
			var st drift.State
			for d := range 5 {
				r, next, err := p.model.Judge(p.read(20+d, trouble{strength: map[string]float64{"C": by}}), st)
				if err != nil {
					t.Fatal(err)
				}
				st = next
				for _, x := range r.Exceeded {
					if x.What != drift.KindStrength || x.Channel == "C" {
						continue
					}
					for _, v := range r.Values {
						// What the fit itself takes over from an ink that is out is another matter.
						if v.Name == "strength:"+x.Channel && abs(v.Value) < x.Limit && abs(x.Value) > x.Limit {
							t.Errorf("halftone %v, C %+.0f %%, reading %d: %s is told as %+.1f %%, and prints %+.1f %%", halftone, by, d+1, x.Channel, x.Value, v.Value)
						}
					}
				}
			}
		}
	}
}

func abs(x float64) float64 { return max(x, -x) }

// TestBeyondAStopLimitIsNotSilent: a few patches of a small chart that stand in each other's place take its
// mean beyond twice the tolerance and are too few to be told as another order, and no test of the chart as a
// whole heeds them. The reading is no alarm; it is not "steady" either.
func TestBeyondAStopLimitIsNotSilent(t *testing.T) {
	t.Parallel()
	for _, halftone := range []bool{false, true} {
		p := newPhysics(t, 12, halftone, 0)
		const n = 60
		c := &p.chart
		c.IDs, c.Device, c.Row, c.Col = c.IDs[:n], c.Device[:n], c.Row[:n], c.Col[:n]
		var samples []drift.Sample
		for d := range 10 {
			samples = append(samples, p.read(d, trouble{}))
		}
		p.learn(t, samples)
		s := p.read(20, trouble{})
		// The lightest, the darkest and the two next to them change places.
		order := make([]int, n)
		for i := range order {
			order[i] = i
		}
		slices.SortFunc(order, func(a, b int) int { return cmp.Compare(s.Lab[a].L, s.Lab[b].L) })
		for k := range 2 {
			a, b := order[k], order[n-1-k]
			s.Lab[a], s.Lab[b] = s.Lab[b], s.Lab[a]
		}
		r := p.judge(t, s)
		if r.Level != drift.LevelNote || !slices.ContainsFunc(r.Warnings, func(w drift.Warning) bool { return w.Code == "stop_once" }) {
			t.Errorf("halftone %v: level %q, mean %.2f, warnings %v", halftone, r.Level, r.MeanDE00, r.Warnings)
		}
	}
}
