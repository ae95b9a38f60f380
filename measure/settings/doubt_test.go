package settings

import (
	"fmt"
	"slices"
	"testing"

	"swathkeeper/measure/aim"
	"swathkeeper/measure/madeup"
)

// TestFailedNearest: a failed print that happens to measure nearest to the aim is the one that all
// others are seen from. It is found out all the same: it is not the print to keep, nothing is
// proposed around it, and the search comes near.
func TestFailedNearest(t *testing.T) {
	for _, seed := range []uint64{21, 2, 3} {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			r := newRig(t, seed, madeup.PanelTone)
			v := r.at(0.3, 0.65)
			read, err := r.shop.Read(madeup.Occasion{Day: 1}, madeup.Faults{Dials: v, Press: madeup.Press{Celsius: -45, Seconds: -20}})
			if err != nil {
				t.Fatal(err)
			}
			ends, err := aim.EndsOf(&r.task.Chart, read.Lab, nil)
			if err != nil {
				t.Fatal(err)
			}
			if r.task.Aim, err = aim.Screen(r.task.Chart.Device, ends); err != nil {
				t.Fatal(err)
			}
			// The same search without the fault shows how near these sliders come.
			good := []Print{r.print(1, v)}
			for day := 2; day <= 7; day++ {
				good = append(good, r.print(day, r.advise(good).Next))
			}
			sound := r.advise(good)
			prints := []Print{{Values: v, Lab: slices.Clone(read.Lab)}}
			var a *Advice
			for day := 2; ; day++ {
				a = r.advise(prints)
				t.Logf("%d prints: %.2f, suspects %v, best %d, %s", len(prints), a.Measured, a.Suspect, a.Best, a.Why)
				if len(prints) > 2 && (!slices.Contains(a.Suspect, 0) || a.Best == 0) {
					t.Fatalf("of %.2f print 1 failed; doubted are %v, kept would be print %d", a.Measured, a.Suspect, a.Best+1)
				}
				if a.Why == WhyDone || len(prints) == 8 {
					break
				}
				prints = append(prints, r.print(day, a.Next))
			}
			if a.Measured[a.Best] > 1.1*sound.Measured[sound.Best]+0.2 {
				t.Errorf("the best of %.2f; without the failed print it is %.2f", a.Measured, sound.Measured[sound.Best])
			}
		})
	}
}
