package drift_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
)

// TestPartlyInAnotherOrder: a chart of which a part was read in another order, or a quarter of whose
// patches are off, is refused and it is said what it looks like; it is never "steady".
func TestPartlyInAnotherOrder(t *testing.T) {
	t.Parallel()
	for _, halftone := range []bool{false, true} {
		p := newPhysics(t, 6, halftone, 10)
		good := p.read(20, trouble{})
		n := len(good.Lab)
		of := func(change func(l []colour.Lab)) drift.Sample {
			s := drift.Sample{Day: good.Day, Lab: slices.Clone(good.Lab)}
			change(s.Lab)
			return s
		}
		want := func(name string, s drift.Sample, code, says string) {
			t.Helper()
			r, _, err := p.model.Judge(s, drift.State{})
			var u *drift.UnusableError
			if !errors.As(err, &u) {
				t.Errorf("halftone %v, %s: taken, level %q, mean %.2f", halftone, name, r.Level, r.MeanDE00)
				return
			}
			if u.Code != code || !strings.Contains(u.Text, says) {
				t.Errorf("halftone %v, %s: %s: %v", halftone, name, u.Code, u)
			}
		}
		swap := func(l []colour.Lab, a, b int) {
			for k := range 12 {
				l[a*12+k], l[b*12+k] = l[b*12+k], l[a*12+k]
			}
		}
		want("rows 3 and 4 exchanged", of(func(l []colour.Lab) { swap(l, 2, 3) }), "order", "rows 3 and 4")
		want("rows 2 and 9 exchanged", of(func(l []colour.Lab) { swap(l, 1, 8) }), "order", "rows 2 and 9")
		for _, rows := range [][2]int{{3, 4}, {4, 3}, {2, 11}} {
			want(fmt.Sprintf("row %d read again in place of row %d", rows[1], rows[0]), of(func(l []colour.Lab) {
				copy(l[(rows[0]-1)*12:rows[0]*12], l[(rows[1]-1)*12:rows[1]*12])
			}), "order", fmt.Sprintf("row %d reads as row %d should", rows[0], rows[1]))
		}
		want("column 7 read again in place of column 8", of(func(l []colour.Lab) {
			for k := 7; k < n; k += 12 {
				l[k] = l[k-1]
			}
		}), "order", "")
		for _, k := range []int{20, 40, 60, 70, 80, 90, 100, 110, 140, 150} {
			for _, by := range []int{1, 2} {
				says := fmt.Sprintf("only shifted by %d", by)
				if k < 110 {
					says = ""
				}
				want(fmt.Sprintf("late by %d from patch %d on", by, k+1), of(func(l []colour.Lab) { copy(l[k+by:], slices.Clone(l[k:n-by])) }), "order", says)
				want(fmt.Sprintf("early by %d from patch %d on", by, k+1), of(func(l []colour.Lab) { copy(l[k:], slices.Clone(l[k+by:])) }), "order", "")
			}
		}
		base := []drift.Sample{p.read(1, trouble{}), p.read(2, trouble{}), p.read(3, trouble{}), p.read(4, trouble{}), of(func(l []colour.Lab) { swap(l, 2, 3) })}
		var u *drift.UnusableError
		if _, err := drift.Learn(p.chart, base, drift.Options{}); !errors.As(err, &u) || u.Code != "order" || !strings.Contains(err.Error(), "reading 5") {
			t.Errorf("halftone %v: a baseline with rows exchanged in its fifth reading: %v", halftone, err)
		}
		want("a quarter lighter", of(func(l []colour.Lab) {
			for i := range n / 4 {
				l[i*4].L += 12
			}
		}), "outliers", "do not go with the rest")
	}
}

// TestFaultsAreNoDisorder: whatever goes wrong with an ink, or with a group of its nozzles, is judged.
func TestFaultsAreNoDisorder(t *testing.T) {
	t.Parallel()
	for _, halftone := range []bool{false, true} {
		p := newPhysics(t, 7, halftone, 10)
		for _, ink := range p.inks {
			for _, by := range []float64{-100, -70, -40, 30} {
				if _, _, err := p.model.Judge(p.read(20, trouble{strength: map[string]float64{ink: by}}), drift.State{}); err != nil {
					t.Errorf("halftone %v, %s %+.0f %%: %v", halftone, ink, by, err)
				}
			}
		}
		all := map[string]float64{"C": -40, "M": -40, "Y": -40, "K": -40}
		for name, f := range map[string]trouble{"all inks": {strength: all}, "two": {strength: map[string]float64{"C": -100, "K": -50}},
			"goods": {paper: [3]float64{-0.1, -0.05, 0}}, "tones": {tone: map[string]float64{"C": 12, "M": 12, "Y": 12, "K": 12}}} {
			if _, _, err := p.model.Judge(p.read(20, f), drift.State{}); err != nil {
				t.Errorf("halftone %v, %s: %v", halftone, name, err)
			}
		}
		good, bad := p.read(20, trouble{}), p.read(20, trouble{strength: map[string]float64{"M": -90}})
		for i := range good.Lab {
			if r := p.chart.Row[i]; r >= 5 && r <= 8 {
				good.Lab[i] = bad.Lab[i]
			}
		}
		if _, _, err := p.model.Judge(good, drift.State{}); err != nil {
			t.Errorf("halftone %v, rows without magenta: %v", halftone, err)
		}
	}
}
