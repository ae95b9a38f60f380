package drift_test

import (
	"fmt"
	"testing"

	"swathkeeper/measure/cause"
	"swathkeeper/measure/drift"
)

// TestTwoFaults: two inks that are at fault at once are told as the two, each with its own moves, and goods and
// an ink as both. It was "the press is too cold", "the white went yellow and the inks moved together" or, after
// three charts, a profile to refit.
func TestTwoFaults(t *testing.T) {
	t.Parallel()
	for _, halftone := range []bool{false, true} {
		for _, c := range []struct {
			name  string
			f     trouble
			first string
			inks  string
		}{
			{"C and Y weak", trouble{strength: map[string]float64{"C": -9, "Y": -9}}, cause.CheckInk, "CY"},
			{"C weak, M strong", trouble{strength: map[string]float64{"C": -9, "M": 9}}, cause.CheckInk, "CM"},
			{"M and K weak", trouble{strength: map[string]float64{"M": -9, "K": -9}}, cause.CheckInk, "KM"},
			{"C weak, goods yellower", trouble{strength: map[string]float64{"C": -10}, paper: [3]float64{-0.05}}, cause.CheckMedia, "C"},
		} {
			p := newPhysics(t, 8, halftone, 10)
			var st drift.State
			for d := range 4 {
				r, next, err := p.model.Judge(p.read(20+d, c.f), st)
				if err != nil {
					t.Fatal(err)
				}
				st = next
				if d == 0 {
					continue // one reading need not be enough
				}
				fs := cause.Decide(cause.Evidence{Stage: cause.StagePressed, Driven: drift.DrivenInk, Drift: &r})
				inks := map[string]bool{}
				for _, f := range fs {
					if f.Advice == cause.CheckInk {
						inks[f.Channel] = true
						if len(f.Moves) != 1 || f.Moves[0].Channel != f.Channel {
							t.Errorf("halftone %v, %s, reading %d: %s with moves %+v", halftone, c.name, d+1, f.Channel, f.Moves)
						}
					}
				}
				got := ""
				for _, ink := range []string{"C", "K", "M", "Y"} {
					if inks[ink] {
						got += ink
					}
				}
				if len(fs) == 0 || fs[0].Advice != c.first || got != c.inks {
					t.Errorf("halftone %v, %s, reading %d: %s", halftone, c.name, d+1, said(fs))
				}
			}
		}
	}
}

func said(fs []cause.Finding) (s string) {
	for _, f := range fs {
		s += fmt.Sprintf("%s %s (%.2f): %s. ", f.Advice, f.Channel, f.Likelihood, f.Why)
	}
	return s
}
