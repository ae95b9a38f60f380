package drift

import (
	"math"
	"testing"
)

// TestInverseMove: printing the corrected tints gives what was asked for. Two numbers do not undo a
// curve exactly: the pair that is best for the worst tint leaves up to 0.47 points of these (found by
// trying them all), least squares over the ramp, which weighs every tint alike, up to 0.8. A change of
// strength alone is undone by its reciprocal.
func TestInverseMove(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ strength, tone float64 }{{-5, 0}, {8, 0}, {0, 6}, {0, -6}, {-6, 4}, {5, -5}, {0, 0}} {
		p, q := inverseMove(c.strength, c.tone)
		if c.tone == 0 && math.Abs(p-100*(1/(1+c.strength/100)-1)) > 1e-6 {
			t.Errorf("strength %+g %%: move %.3f %%", c.strength, p)
		}
		for x := 0.1; x < 1.05; x += 0.1 {
			ask := x*(1+p/100) + 4*q/100*x*(1-x)
			got := ask*(1+c.strength/100) + 4*c.tone/100*ask*(1-ask)
			if math.Abs(got-x) > 0.008 {
				t.Errorf("strength %+g %%, tone %+g: a tint of %.1f prints %.4f after %+.2f %% and %+.2f points", c.strength, c.tone, x, got, p, q)
			}
		}
	}
}
