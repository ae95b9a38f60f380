package alert

import (
	"slices"
	"testing"

	"swathkeeper/measure/cause"
	"swathkeeper/protocol"
)

// Whoever adds an advice is told here what it still lacks.
func TestEveryAdviceIsKnown(t *testing.T) {
	strengths := map[int]string{}
	for _, advice := range protocol.Advices() {
		p, ok := plans[advice]
		if !ok {
			t.Errorf("%s has no plan in advice.go", advice)
			continue
		}
		if p.Cause == "" || len(p.Steps) == 0 {
			t.Errorf("%s: the plan says no cause, or nothing to do", advice)
		}
		if advice == protocol.AdviceSilent {
			continue // of a station, not of a print
		}
		if p.Short == "" || len(p.Cautions) == 0 {
			t.Errorf("%s: the plan has no short name, or no caution", advice)
		}
		s := strength(advice)
		if other := strengths[s]; s < 0 || other != "" {
			t.Errorf("%s is no stronger nor weaker than %q; strength in rules.go", advice, other)
		}
		strengths[s] = advice
	}
	// What the science advises are words that travel.
	for _, word := range []string{
		cause.CleanHead, cause.RefitProfile, cause.CheckInk, cause.CheckPress, cause.CheckMedia, cause.CheckFeed, cause.CheckSettings, cause.Remeasure,
	} {
		if !slices.Contains(protocol.Advices(), word) {
			t.Errorf("measure/cause advises %s, which the protocol does not know", word)
		}
	}
}
