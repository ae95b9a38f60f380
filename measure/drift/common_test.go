package drift_test

import (
	"testing"

	"swathkeeper/measure/cause"
	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
)

// A shop whose press moves all inks together from day to day still names the one ink that went weak on top of
// that: days alike are no sign of the press where they were so on the good days.
func TestWeakInkOnAWobblingPress(t *testing.T) {
	t.Parallel()
	right, found := 0, 0
	for seed := range uint64(5) {
		s := newShop(t, 40+seed, 12, func(c *madeup.Config) { c.Wander.StrengthPercent, c.Wander.Press = 0.5, 0.05 })
		for n, ink := range []string{"C", "M", "Y", "K"} {
			var st drift.State
			for d := range 3 {
				r := s.next(s.sample(30+10*n+d, weak(ink, 5)), &st)
				if r.Level != drift.LevelAct && r.Level != drift.LevelStop {
					continue
				}
				found++
				if fs := cause.Decide(cause.Evidence{Stage: cause.StagePressed, Driven: drift.DrivenInk, Drift: &r}); len(fs) > 0 && fs[0].Advice == cause.CheckInk && fs[0].Channel == ink {
					right++
				}
				break
			}
		}
	}
	if found < 16 || 100*right < 97*found {
		t.Errorf("%d of 20 found, the right ink in %d", found, right)
	}
}
