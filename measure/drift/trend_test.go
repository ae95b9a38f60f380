package drift_test

import (
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"swathkeeper/measure/drift"
)

// TestTrendInABaseline: an ink that fades all through the days a baseline is learned from is told, with its
// readings, its amount and what to do; so is one that fades within a day. Inks that stood still are not named, and a printer that
// stood still has no such warning.
func TestTrendInABaseline(t *testing.T) {
	t.Parallel()
	amount := regexp.MustCompile(`the strength of (\w) by ([-+][\d.]+) %`)
	for _, halftone := range []bool{false, true} {
		for _, c := range []struct {
			name        string
			count, days int
			fade        map[string]float64 // percent in all
			falls       bool
			says        string
		}{
			{"still", 10, 10, nil, false, ""},
			{"still on one day", 10, 1, nil, false, ""},
			{"cyan fades over ten days", 10, 10, map[string]float64{"C": -10}, true, "from reading 1 (2026-01-01) to reading 10 (2026-01-10)"},
			{"black and yellow over eight", 8, 8, map[string]float64{"K": 9, "Y": -9}, true, "from reading 1 (2026-01-01) to reading 8 (2026-01-08)"},
			{"magenta within a day", 10, 1, map[string]float64{"M": -8}, true, "within a day"},
		} {
			p := newPhysics(t, 11, halftone, 0)
			var base []drift.Sample
			for i := range c.count {
				f := trouble{strength: map[string]float64{}}
				for ink, all := range c.fade {
					f.strength[ink] = all * float64(i) / float64(c.count-1)
				}
				base = append(base, p.read(i*c.days/c.count, f))
			}
			p.learn(t, base)
			var told []string
			for _, w := range p.base.Warnings {
				if w.Code == "trend" {
					told = append(told, w.Text)
				}
			}
			if !c.falls {
				if len(told) > 0 {
					t.Errorf("halftone %v, %s: %q", halftone, c.name, told)
				}
				continue
			}
			if len(told) != 1 || !strings.Contains(told[0], c.says) || !strings.Contains(told[0], "learn again when it stands still") {
				t.Errorf("halftone %v, %s: %q", halftone, c.name, told)
				continue
			}
			got := map[string]float64{}
			for _, m := range amount.FindAllStringSubmatch(told[0], -1) {
				got[m[1]], _ = strconv.ParseFloat(m[2], 64)
			}
			for _, ink := range p.inks {
				if _, named := got[ink]; named != (c.fade[ink] != 0) || named && math.Abs(got[ink]-c.fade[ink]) > 2.5 {
					t.Errorf("halftone %v, %s: %s moved by %g %%: %q", halftone, c.name, ink, c.fade[ink], told)
				}
			}
			// The order in which the readings are given is that of their days, or is put into it.
			if c.days == c.count {
				slices.Reverse(base)
				if p.learn(t, base); !slices.ContainsFunc(p.base.Warnings, func(w drift.Warning) bool { return w.Code == "trend" && strings.Contains(w.Text, "to reading 1 (") }) {
					t.Errorf("halftone %v, %s, from last to first: %+v", halftone, c.name, p.base.Warnings)
				}
			}
		}
	}
}
