package drift_test

import (
	"math"
	"testing"

	"swathkeeper/measure/cause"
	"swathkeeper/measure/drift"
)

// TestInkThatHardlyPrints: an ink that is out is told as that ink, not as another colour of it; its
// strength is no less than none, its hue and tone are not judged, and nothing is asked for of it.
func TestInkThatHardlyPrints(t *testing.T) {
	t.Parallel()
	for _, halftone := range []bool{false, true} {
		p := newPhysics(t, 6, halftone, 10)
		for c, ink := range p.inks {
			for _, by := range []float64{-100, -85} {
				r := p.judge(t, p.read(20, trouble{strength: map[string]float64{ink: by}}))
				ch := r.Channels[c]
				if r.Level != drift.LevelStop || !ch.HardlyPrints || ch.StrengthPercent < -100 || ch.StrengthPercent > -70 || ch.HueDefined || ch.HueDeg != 0 || ch.CastDE != 0 || ch.TonePoints != 0 || ch.ToneLeft != 0 {
					t.Errorf("halftone %v, %s %+.0f %%: level %q, %+v", halftone, ink, by, r.Level, ch)
				}
				if len(r.Patterns) == 0 || r.Patterns[0].Name != drift.PatternInkWeak || r.Patterns[0].Channel != ink {
					t.Errorf("halftone %v, %s %+.0f %%: patterns %+v", halftone, ink, by, r.Patterns[:min(3, len(r.Patterns))])
				}
				for _, x := range r.Exceeded {
					if x.Channel == ink && x.What != drift.KindStrength {
						t.Errorf("halftone %v, %s %+.0f %%: %+v", halftone, ink, by, x)
					}
				}
				for _, mv := range r.Moves {
					if mv.Channel == ink || math.Abs(mv.Percent) > 100 || math.Abs(mv.TonePoints) > 30 {
						t.Errorf("halftone %v, %s %+.0f %%: move %+v", halftone, ink, by, mv)
					}
				}
				if fs := cause.Decide(cause.Evidence{Stage: cause.StagePressed, Driven: drift.DrivenInk, Drift: &r}); len(fs) == 0 || fs[0].Advice != cause.CheckInk && fs[0].Advice != cause.CleanHead || fs[0].Channel != ink {
					t.Errorf("halftone %v, %s %+.0f %%: %+v", halftone, ink, by, fs)
				}
			}
			r := p.judge(t, p.read(20, trouble{strength: map[string]float64{ink: -40}}))
			if ch := r.Channels[c]; ch.HardlyPrints || ch.StrengthPercent > -32 || ch.StrengthPercent < -50 {
				t.Errorf("halftone %v, %s 40 %% weak: %+v", halftone, ink, ch)
			}
		}
	}
}
