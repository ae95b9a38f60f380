package drift_test

import (
	"math"
	"strings"
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
				fs := cause.Decide(cause.Evidence{Stage: cause.StagePressed, Driven: drift.DrivenInk, Drift: &r})
				if len(fs) > 0 && fs[0].Advice == cause.CheckInk && !strings.Contains(fs[0].Why, "hardly prints") {
					t.Errorf("halftone %v, %s %+.0f %%: %s", halftone, ink, by, fs[0].Why)
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

// TestWhatTheChartCannotShow: a channel that the chart never prints, and the white and the greys of a
// chart without them, are left out; they are not told as 0.
func TestWhatTheChartCannotShow(t *testing.T) {
	t.Parallel()
	p := newPhysics(t, 9, false, 0)
	var all []drift.Sample
	for d := range 10 {
		all = append(all, p.read(d, trouble{}))
	}
	all = append(all, p.read(20, trouble{strength: map[string]float64{"C": -20}}))
	chart, all := pick(p.chart, all, func(d []float64) bool { return d[2] == 0 && d[3] == 0 && d[0]+d[1] > 0 })
	b, err := drift.Learn(chart, all[:10], drift.Options{})
	if err != nil {
		t.Fatal(err)
	}
	m, err := b.Prepare()
	if err != nil {
		t.Fatal(err)
	}
	r, _, err := m.Judge(all[10], drift.State{})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Channels) != 2 || r.Channels[0].Channel != "C" || r.Channels[1].Channel != "M" {
		t.Errorf("channels %+v of a chart that prints C and M alone", r.Channels)
	}
	if r.HasWhite || r.WhiteDE00 != 0 {
		t.Errorf("a chart without unprinted patches has a white of %.2f", r.WhiteDE00)
	}
	for _, f := range cause.Decide(cause.Evidence{Stage: cause.StagePressed, Driven: drift.DrivenInk, Drift: &r}) {
		if strings.Contains(f.Why, "yellow") || strings.Contains(f.Why, "black") {
			t.Errorf("it is said of inks that the chart does not print: %s", f.Why)
		}
	}
}
