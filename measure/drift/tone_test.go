package drift_test

import (
	"math"
	"testing"
)

// TestStrengthAndToneAddUp: the strength and the tone that are told together give the tint at 50 % that
// was printed: what of a tone is told as strength is not told again.
func TestStrengthAndToneAddUp(t *testing.T) {
	t.Parallel()
	for _, halftone := range []bool{false, true} {
		p := newPhysics(t, 1, halftone, 10)
		for _, c := range []struct{ strength, tone float64 }{{0, 4}, {0, -4}, {-8, 0}, {-8, 4}} {
			f := trouble{strength: map[string]float64{}, tone: map[string]float64{}}
			for _, ink := range p.inks {
				f.strength[ink], f.tone[ink] = c.strength, c.tone
			}
			r := p.judge(t, p.read(20, f))
			want := 50*(1+c.strength/100) + c.tone
			for _, ch := range r.Channels {
				got := 50*(1+ch.StrengthPercent/100) + ch.ToneLeft
				if math.Abs(got-want) > 1.5 {
					t.Errorf("halftone %v, strength %+g %%, tone %+g points: %s reads %+.2f %% and %+.2f points, %.2f at 50 %%, want %.2f", halftone, c.strength, c.tone, ch.Channel, ch.StrengthPercent, ch.ToneLeft, got, want)
				}
			}
		}
	}
}
