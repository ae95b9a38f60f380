package drift_test

import (
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
