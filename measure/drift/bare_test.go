package drift_test

import (
	"math"
	"slices"
	"testing"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
)

// TestWhiteIsWhatTheBarePatchesSay: other goods whose white shows through the inks in another way than
// the signatures have it. The unprinted patches, all of one mind, are told of; and one of them that is
// scratched is not.
func TestWhiteIsWhatTheBarePatchesSay(t *testing.T) {
	t.Parallel()
	for _, seed := range []uint64{1, 4} {
		for _, halftone := range []bool{false, true} {
			p := newPhysics(t, seed, halftone, 10)
			for _, blue := range []float64{-0.08, -0.05, 0.05} {
				for d := range 2 {
					s := p.read(20+d, trouble{paper: [3]float64{blue, 0, 0}})
					var des []float64
					for _, i := range p.bare() {
						u := p.base.Mean[i]
						des = append(des, colour.DE2000(colour.Lab{L: u[0], A: u[1], B: u[2]}, s.Lab[i]))
					}
					r := p.judge(t, s)
					if r.Level != drift.LevelAct && r.Level != drift.LevelStop || !r.HasWhite || r.WhiteDE00 < slices.Min(des)-0.01 || r.WhiteDE00 > slices.Max(des)+0.01 {
						t.Errorf("seed %d, halftone %v, blue of the paper %+.0f %%: level %q, white %.2f, its patches %.2f", seed, halftone, 100*blue, r.Level, r.WhiteDE00, des)
					}
					for _, o := range r.Outliers {
						if i := slices.Index(p.chart.IDs, o.Patch); slices.Contains(p.bare(), i) {
							t.Errorf("seed %d, halftone %v: unprinted patch %s is said to go its own way", seed, halftone, o.Patch)
						}
					}
				}
			}
			s := p.read(30, trouble{})
			s.Lab[p.bare()[0]].L -= 12
			if r := p.judge(t, s); r.Level != drift.LevelNone || r.WhiteDE00 > 1 {
				t.Errorf("seed %d, halftone %v, one unprinted patch scratched: level %q, white %.2f", seed, halftone, r.Level, r.WhiteDE00)
			}
			for _, i := range p.bare()[1:] { // one left, and that scratched
				if s.Missing == nil {
					s.Missing = make([]bool, len(s.Lab))
				}
				s.Missing[i] = true
			}
			r := p.judge(t, s)
			said := slices.ContainsFunc(r.Warnings, func(w drift.Warning) bool { return w.Code == "white" })
			if r.Level != drift.LevelNone || !said || math.Abs(r.WhiteDE00) < 5 {
				t.Errorf("seed %d, halftone %v, the only unprinted patch scratched: level %q, white %.2f, %v", seed, halftone, r.Level, r.WhiteDE00, r.Warnings)
			}
		}
	}
}
