package settings

import (
	"slices"
	"strconv"
	"testing"

	"swathkeeper/measure/madeup"
)

// TestCoarse: sliders of unknown direction are moved, coarse ones by a whole step, no more than two
// by one print; and the search ends.
func TestCoarse(t *testing.T) {
	r := newRig(t, 5, madeup.PanelTone)
	r.task.Aim = r.print(90, r.at(0.6, 0.45)).Lab
	n := len(r.task.Sliders)
	for _, name := range []string{"quality", "speed", "passes"} {
		r.task.Sliders = append(r.task.Sliders, Slider{Name: name, Kind: Other, High: 3, Step: 1})
	}
	r.dials = func(v []float64) []float64 { return v[:n] }
	v := append(r.at(0.1, 0.9, 0.2)[:n:n], 1, 0, 3)
	var unmoved []string
	for _, s := range r.task.Sliders[n:] {
		unmoved = append(unmoved, s.Name)
	}
	prints := []Print{r.print(0, v)}
	for day := 1; ; day++ {
		a := r.advise(prints)
		if a.Why == WhyDone {
			break
		}
		if len(prints) > 8 {
			t.Fatalf("no end after %.2f", a.Measured)
		}
		if len(a.Probed) > probesAtOnce {
			t.Errorf("%v are moved at once to learn which way they work", a.Probed)
		}
		for i, s := range r.task.Sliders {
			if slices.Contains(a.Probed, s.Name) && a.Next[i] == prints[a.Best].Values[i] {
				t.Errorf("%s is said to be moved and stays at %g", s.Name, a.Next[i])
			}
		}
		unmoved = slices.DeleteFunc(unmoved, func(name string) bool { return slices.Contains(a.Probed, name) })
		prints = append(prints, r.print(day, a.Next))
	}
	if len(unmoved) > 0 {
		t.Errorf("%v were never moved", unmoved)
	}
}

// TestNeverMoved: whoever will not move a slider of unknown direction is not asked for ever.
func TestNeverMoved(t *testing.T) {
	r := newRig(t, 5, madeup.PanelTone)
	r.task.Aim = r.print(90, r.at(0.6, 0.45)).Lab
	n := len(r.task.Sliders)
	r.task.Sliders = append(r.task.Sliders, Slider{Name: "quality", Kind: Other, High: 3, Step: 1})
	r.dials = func(v []float64) []float64 { return v[:n] }
	prints := []Print{r.print(0, append(r.at(0.1, 0.9, 0.2)[:n:n], 1))}
	for day := 1; ; day++ {
		a := r.advise(prints)
		if a.Why == WhyDone {
			break
		}
		if len(prints) > 9 {
			t.Fatalf("no end after %.2f, to be moved are %v", a.Measured, a.Probed)
		}
		v := slices.Clone(a.Next)
		v[n] = 1
		prints = append(prints, r.print(day, v))
	}
}

// TestNothingElse: where every setting was printed, none of them is proposed once more.
func TestNothingElse(t *testing.T) {
	r := newRig(t, 5, madeup.PanelTone)
	r.task.Aim = r.print(90, r.at(0.6, 0.45)).Lab
	all := r.at(0.5)
	r.task.Sliders = []Slider{{Name: "draft", Kind: Brightness, High: 1, Step: 1}}
	r.dials = func(v []float64) []float64 {
		d := slices.Clone(all)
		d[0] = 30 * v[0]
		return d
	}
	prints := []Print{r.print(0, []float64{0}), r.print(1, []float64{1})}
	if a := r.advise(prints); a.Why != WhyDone || !slices.Equal(a.Next, prints[a.Best].Values) {
		t.Errorf("with both positions printed: %s, %v", a.Why, a.Next)
	}
}

// TestSettable: values are such as a person can set.
func TestSettable(t *testing.T) {
	for _, c := range []struct {
		s    Slider
		v    float64
		want string
	}{
		{Slider{Low: -50, High: 50}, 11.142916321373328, "11.1"},
		{Slider{Low: 0, High: 1}, 0.123456, "0.123"},
		{Slider{Low: 0, High: 255}, 99.96, "100"},
		{Slider{Low: 0, High: 4e6}, 1234567, "1235000"},
		{Slider{Low: 0.00213, High: 1}, 0, "0.00213"},
		{Slider{Low: -0.3, High: 0.3, Step: 0.1}, 0.001, "0"},
		{Slider{Low: -0.3, High: 0.3}, -1e-9, "0"},
		{Slider{Low: 1, High: 2.6, Step: 0.05}, 1.83, "1.85"},
		{Slider{Low: 0, High: 2.0 / 3, Step: 1.0 / 3}, 1, "0.6666666666666666"},
	} {
		v := c.s.Nearest(c.v)
		if got := strconv.FormatFloat(v, 'f', -1, 64); got != c.want || c.s.Nearest(v) != v {
			t.Errorf("%+v at %g is set to %s, then to %g; want %s", c.s, c.v, got, c.s.Nearest(v), c.want)
		}
	}
}
