package settings

import (
	"fmt"
	"slices"
	"testing"

	"swathkeeper/measure/madeup"
)

// TestDeadSlider: in a search that nobody interferes with, a slider that does nothing is named as one
// that may do nothing, and one more print with it alone moved makes that sure. Of a slider that works
// neither the search nor such a print says that it does nothing.
func TestDeadSlider(t *testing.T) {
	for seed, dead := range map[uint64]Slider{
		14: {Name: "dead", Kind: Ink, Channel: "M", Low: -50, High: 50, Step: 1},
		2:  {Name: "dead", Kind: Gamma, Low: -50, High: 50, Step: 1},
	} {
		t.Run(fmt.Sprint(dead.Kind), func(t *testing.T) {
			t.Parallel()
			r := newRig(t, seed, madeup.PanelTone)
			r.task.Aim = r.print(90, r.at(0.5)).Lab
			n := len(r.task.Sliders)
			r.task.Sliders = append(r.task.Sliders, dead)
			r.dials = func(v []float64) []float64 { return v[:n] }
			prints := []Print{r.print(0, append(r.at(0.25, 0.7)[:n:n], -30))}
			var a *Advice
			for day := 1; day <= 8; day++ {
				a = r.advise(prints)
				if a.Why == WhyDone {
					break
				}
				prints = append(prints, r.print(day, a.Next))
			}
			if !slices.Contains(a.Weak, "dead") && !slices.Contains(a.Idle, "dead") {
				t.Errorf("after %d prints weak are %v, idle %v", len(prints), a.Weak, a.Idle)
			}
			if len(a.Idle) > 0 && !slices.Equal(a.Idle, []string{"dead"}) {
				t.Errorf("sliders that work are called idle: %v", a.Idle)
			}
			best := prints[a.Best].Values
			alone := func(i int, day int) *Advice {
				v := slices.Clone(best)
				if v[i] += 50; v[i] > 50 {
					v[i] -= 100
				}
				return r.advise(append(slices.Clone(prints), r.print(day, v)))
			}
			if a := alone(n, 20); !slices.Contains(a.Idle, "dead") || slices.Contains(a.Weak, "dead") {
				t.Errorf("moved alone it is not called idle: idle %v, weak %v", a.Idle, a.Weak)
			}
			// Of those that work contrast does least.
			if a := alone(1, 21); slices.Contains(a.Idle, "contrast") || slices.Contains(a.Weak, "contrast") {
				t.Errorf("contrast, moved alone, works: idle %v, weak %v", a.Idle, a.Weak)
			}
		})
	}
}
