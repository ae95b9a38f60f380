package drift_test

import (
	"slices"
	"testing"

	"swathkeeper/measure/drift"
)

// TestOneBadDayDoesNotDeafen: with one bad reading among the baseline's, or all readings of one day, a
// change beyond the stop limit that stands for three readings is told; the bad reading is named, and
// moves neither the mean nor the limits of the channels it does not concern.
func TestOneBadDayDoesNotDeafen(t *testing.T) {
	t.Parallel()
	for _, halftone := range []bool{false, true} {
		for name, c := range map[string]struct {
			days, bad, perDay int
		}{"ten": {10, -1, 1}, "one of ten": {10, 6, 1}, "one of five": {5, 3, 1}, "ten of one day": {10, -1, 10}, "five of one day": {5, -1, 5}} {
			p := newPhysics(t, 8, halftone, 0)
			var base []drift.Sample
			for d := range c.days {
				f := trouble{}
				if d == c.bad {
					f.strength = map[string]float64{"C": -12}
				}
				base = append(base, p.read(d/c.perDay, f))
			}
			p.learn(t, base)
			named := slices.ContainsFunc(p.base.Warnings, func(w drift.Warning) bool { return w.Code == "odd_reading" })
			if named != (c.bad >= 0) {
				t.Errorf("halftone %v, %s: warnings %+v", halftone, name, p.base.Warnings)
			}
			for _, ink := range []string{"C", "K"} {
				var st drift.State
				var r drift.Result
				for d := range 3 {
					var err error
					if r, st, err = p.model.Judge(p.read(40+d, trouble{strength: map[string]float64{ink: -8}}), st); err != nil {
						t.Fatal(err)
					}
				}
				at := slices.Index(p.inks, ink)
				if r.Level != drift.LevelStop {
					t.Errorf("halftone %v, %s: %s 8 %% weak on three days: level %q, %+v", halftone, name, ink, r.Level, r.Channels[at])
				}
				if x := r.Channels[at].StrengthPercent; x > -5.5 || x < -10.5 {
					t.Errorf("halftone %v, %s: %s 8 %% weak reads %.1f %%", halftone, name, ink, x)
				}
				for d := range 3 { // good days after it
					if r, st, _ = p.model.Judge(p.read(50+d, trouble{}), st); r.Level != drift.LevelNone && d > 0 {
						t.Errorf("halftone %v, %s: good day %d after it: level %q, %+v", halftone, name, d, r.Level, r.Tests)
					}
				}
			}
		}
	}
}
