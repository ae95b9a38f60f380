package settings

import (
	"math"
	"slices"
	"strings"
	"testing"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
)

// rig is a made-up printer behind hidden sliders, and a task on it.
type rig struct {
	t     *testing.T
	shop  *madeup.Shop
	panel *madeup.Panel
	task  Task
	// dials turns the task's values into the panel's.
	dials func(v []float64) []float64
}

func newRig(t *testing.T, seed uint64, kind madeup.PanelKind) *rig {
	t.Helper()
	cfg := madeup.DefaultConfig()
	cfg.Chart = madeup.RGBChart()
	if kind == madeup.PanelInk {
		cfg.Chart = madeup.CMYKChart()
	}
	// Every third patch is enough here, and quick.
	full := cfg.Chart
	part := &madeup.Chart{Channels: full.Channels, Driven: full.Driven}
	for p := 0; p < len(full.IDs); p += 3 {
		part.IDs, part.Device = append(part.IDs, full.IDs[p]), append(part.Device, full.Device[p])
	}
	cfg.Chart = part
	var err error
	if cfg.Panel, err = madeup.NewPanel(seed, kind); err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, panel: cfg.Panel, dials: func(v []float64) []float64 { return v }}
	if r.shop, err = madeup.NewShop(seed, cfg); err != nil {
		t.Fatal(err)
	}
	r.task.Chart = drift.Chart(*r.shop.Chart())
	for _, d := range cfg.Panel.Dials() {
		r.task.Sliders = append(r.task.Sliders, Slider{Name: d.Name, Kind: d.Kind, Channel: d.Channel, Low: d.Low, High: d.High, Step: d.Step})
	}
	return r
}

func (r *rig) print(day int, v []float64) Print {
	r.t.Helper()
	read, err := r.shop.Read(madeup.Occasion{Day: day}, madeup.Faults{Dials: r.dials(v)})
	if err != nil {
		r.t.Fatal(err)
	}
	return Print{Values: slices.Clone(v), Lab: slices.Clone(read.Lab)}
}

func (r *rig) advise(prints []Print) *Advice {
	r.t.Helper()
	a, err := Advise(r.task, prints)
	if err != nil {
		r.t.Fatal(err)
	}
	for i, v := range a.Next {
		s := r.task.Sliders[i]
		if v < s.Low || v > s.High || s.Nearest(v) != v {
			r.t.Fatalf("%s is to be set to %g, which it cannot be: %+v", s.Name, v, s)
		}
	}
	return a
}

// at gives settings at a share of every range, 0..1 by turns.
func (r *rig) at(shares ...float64) []float64 {
	v := make([]float64, len(r.task.Sliders))
	for i, s := range r.task.Sliders {
		v[i] = s.Nearest(s.Low + shares[i%len(shares)]*(s.High-s.Low))
	}
	return v
}

// TestFinds: of every kind of driver, settings from which the chart is far off are mended in a few
// prints, no settings are printed twice, and the search ends.
func TestFinds(t *testing.T) {
	for _, kind := range madeup.PanelKinds() {
		t.Run(string(kind), func(t *testing.T) {
			t.Parallel()
			r := newRig(t, 5, kind)
			r.task.Aim = r.print(90, r.at(0.6, 0.45)).Lab
			prints := []Print{r.print(0, r.at(0.1, 0.9, 0.2))}
			var a *Advice
			for day := 1; day <= 8; day++ {
				a = r.advise(prints)
				if a.Why == WhyDone {
					break
				}
				if len(a.Suspect) > 0 {
					t.Fatalf("print %d in order is doubted", a.Suspect[0]+1)
				}
				if (a.Chance > 0.5) != (a.NextDE < a.Measured[a.Best]) {
					t.Errorf("%.2f is expected after %.2f, %.0f %% likely to be nearer", a.NextDE, a.Measured[a.Best], 100*a.Chance)
				}
				for j, p := range prints {
					if slices.Equal(p.Values, a.Next) {
						t.Fatalf("print %d is to repeat print %d without a reason", len(prints)+1, j+1)
					}
				}
				prints = append(prints, r.print(day, a.Next))
			}
			t.Logf("%s after %d prints, %.2f", a.Why, len(prints), a.Measured)
			first, best := a.Measured[0], a.Measured[a.Best]
			if first < 4 || best > 0.2*first || best > 1.5 {
				t.Errorf("from %.2f to %.2f after %d prints", first, best, len(prints))
			}
			if a.Why != WhyDone {
				t.Errorf("the search does not end after %d prints: left %.2f", len(prints), a.Left)
			}
			if a.Why == WhyDone && !slices.Equal(a.Next, prints[a.Best].Values) {
				t.Error("when nothing is left, the best print's settings are to be kept")
			}
		})
	}
}

// TestTrueValues: prints made with other settings than asked for are learned from as they are.
func TestTrueValues(t *testing.T) {
	r := newRig(t, 9, madeup.PanelTone)
	r.task.Aim = r.print(90, r.at(0.5)).Lab
	prints := []Print{r.print(0, r.at(0.2, 0.75))}
	for day := 1; day <= 5; day++ {
		v := slices.Clone(r.advise(prints).Next)
		if day < 3 { // a slip of the hand
			v[0] = r.task.Sliders[0].Nearest(v[0] + 12)
			v[2] = r.task.Sliders[2].Nearest(v[2] - 9)
		}
		prints = append(prints, r.print(day, v))
	}
	a := r.advise(prints)
	if a.Measured[a.Best] > 1.2 {
		t.Errorf("with slips of the hand the best of %.2f is not near", a.Measured)
	}
}

// TestFailedPrint: a print that was hardly pressed, and one that lies turned under the instrument,
// are doubted and asked for again; the search goes on from the others, and the repeat takes
// nothing from it.
func TestFailedPrint(t *testing.T) {
	for name, f := range map[string]madeup.Faults{
		"cold press": {Press: madeup.Press{Celsius: -45, Seconds: -20}}, "turned": {Turned: true},
	} {
		r := newRig(t, 9, madeup.PanelTone)
		r.task.Aim = r.print(90, r.at(0.5)).Lab
		prints := []Print{r.print(0, r.at(0.25, 0.7))}
		for day := 1; day <= 2; day++ {
			prints = append(prints, r.print(day, r.advise(prints).Next))
		}
		v := r.advise(prints).Next
		f.Dials = v
		read, err := r.shop.Read(madeup.Occasion{Day: 3}, f)
		if err != nil {
			t.Fatal(err)
		}
		bad := append(slices.Clone(prints), Print{Values: v, Lab: read.Lab})
		a := r.advise(bad)
		if !slices.Equal(a.Suspect, []int{3}) || a.Why != WhyRepeat || !slices.Equal(a.Next, v) {
			t.Errorf("%s: suspects %v, %s, measured %.2f", name, a.Suspect, a.Why, a.Measured)
			continue
		}
		bad = append(bad, r.print(4, v))
		if a = r.advise(bad); !slices.Equal(a.Suspect, []int{3}) || a.Why == WhyRepeat || a.Best == 3 {
			t.Errorf("%s, repeated: suspects %v, %s, best %d", name, a.Suspect, a.Why, a.Best)
		}
		bad = append(bad, r.print(5, a.Next))
		if a = r.advise(bad); a.Measured[a.Best] > 1.3 {
			t.Errorf("%s: after it the best of %.2f is not near", name, a.Measured)
		}
		// A person looked at it and found it good: it counts.
		bad[3].Kept = true
		if a = r.advise(bad); slices.Contains(a.Suspect, 3) {
			t.Errorf("%s: a print that was found good is still doubted", name)
		}
	}
}

// TestFailedFirst: when it was the first print that failed, the others find out, and nobody is sent
// to make it again.
func TestFailedFirst(t *testing.T) {
	r := newRig(t, 9, madeup.PanelTone)
	r.task.Aim = r.print(90, r.at(0.5)).Lab
	v := r.at(0.3, 0.65)
	read, err := r.shop.Read(madeup.Occasion{Day: 1}, madeup.Faults{Dials: v, Press: madeup.Press{Celsius: -45, Seconds: -20}})
	if err != nil {
		t.Fatal(err)
	}
	prints := []Print{{Values: v, Lab: read.Lab}}
	var a *Advice
	for day := 2; day <= 7; day++ {
		a = r.advise(prints)
		if len(prints) > 3 && a.Why == WhyRepeat && slices.Equal(a.Next, v) {
			t.Fatalf("print %d is to repeat the first", len(prints)+1)
		}
		prints = append(prints, r.print(day, a.Next))
	}
	if a = r.advise(prints); a.Measured[a.Best] > 1.5 {
		t.Errorf("after a failed first print the best of %.2f is not near; suspects %v", a.Measured, a.Suspect)
	}
	t.Logf("%.2f, suspects %v", a.Measured, a.Suspect)
}

// TestIdleAndAlike: a slider that does nothing and two that do the same are named, and the search
// gets there all the same.
func TestIdleAndAlike(t *testing.T) {
	r := newRig(t, 14, madeup.PanelTone)
	r.task.Aim = r.print(90, r.at(0.5)).Lab
	n := len(r.task.Sliders)
	// The last two sliders are new: one dead, one that turns the first slider's knob too.
	r.task.Sliders = append(r.task.Sliders, Slider{Name: "dead", Kind: Ink, Channel: "M", Low: -50, High: 50, Step: 1},
		Slider{Name: "twin", Kind: Brightness, Low: -50, High: 50, Step: 1})
	r.dials = func(v []float64) []float64 {
		d := slices.Clone(v[:n])
		d[0] = min(50, max(-50, (v[0]+v[n+1])/1.5))
		return d
	}
	start := append(r.at(0.25, 0.7)[:n:n], -30, 20)
	prints := []Print{r.print(0, start)}
	for day := 1; day <= 9; day++ {
		v := slices.Clone(r.advise(prints).Next)
		switch day { // somebody plays with single sliders: what never moves shows nothing
		case 4:
			v[n] += 40
		case 5:
			v[n+1] -= 40
		case 6:
			v[0] += 30
		}
		prints = append(prints, r.print(day, v))
	}
	a := r.advise(prints)
	if !slices.Contains(a.Idle, "dead") {
		t.Errorf("idle: %v", a.Idle)
	}
	if len(a.Idle) > 1 {
		t.Errorf("sliders that work are called idle: %v", a.Idle)
	}
	if !slices.Contains(a.Alike, [2]string{"brightness", "twin"}) {
		t.Errorf("alike: %v", a.Alike)
	}
	if a.Measured[a.Best] > 1.3 {
		t.Errorf("the best of %.2f is not near", a.Measured)
	}
}

// TestRefuses: bad tasks and prints are refused by name.
func TestRefuses(t *testing.T) {
	r := newRig(t, 2, madeup.PanelTone)
	good := r.print(0, r.at(0.5))
	r.task.Aim = slices.Clone(good.Lab)
	for want, spoil := range map[string]func(task *Task, p *Print){
		"no slider":      func(task *Task, _ *Print) { task.Sliders = nil },
		"two sliders":    func(task *Task, _ *Print) { task.Sliders[1].Name = task.Sliders[0].Name },
		"none of":        func(task *Task, _ *Print) { task.Sliders[1].Kind = "shine" },
		"nothing to set": func(task *Task, _ *Print) { task.Sliders[1].High = task.Sliders[1].Low },
		"does not fit":   func(task *Task, _ *Print) { task.Sliders[1].Step = 1000 },
		"not finite":     func(task *Task, _ *Print) { task.Sliders[1].Low = math.Inf(-1) },
		"goes with kind": func(task *Task, _ *Print) { task.Sliders[3].Channel = "" },
		"is outside":     func(_ *Task, p *Print) { p.Values[2] = 51 },
		"values for":     func(_ *Task, p *Print) { p.Values = p.Values[1:] },
		"colours for":    func(_ *Task, p *Print) { p.Lab = p.Lab[1:] },
		"its colour":     func(_ *Task, p *Print) { p.Lab[3].A = math.NaN() },
		"its aim":        func(task *Task, _ *Print) { task.Aim[3].A = math.NaN() },
		"are missing": func(_ *Task, p *Print) {
			p.Missing = make([]bool, len(p.Lab))
			for i := range p.Missing {
				p.Missing[i] = i%3 == 0
			}
		},
		"have an aim": func(task *Task, _ *Print) { task.Weight = make([]float64, len(task.Aim)) },
	} {
		task, p := r.task, Print{Values: slices.Clone(good.Values), Lab: slices.Clone(good.Lab)}
		task.Sliders, task.Aim = slices.Clone(task.Sliders), slices.Clone(task.Aim)
		spoil(&task, &p)
		if _, err := Advise(task, []Print{p}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
	if _, err := Advise(r.task, nil); err == nil {
		t.Error("advice without a print")
	}
	// Patches that could not be read are no obstacle.
	good.Missing = make([]bool, len(good.Lab))
	good.Missing[5], good.Lab[5] = true, colour.Lab{L: math.NaN()}
	if _, err := Advise(r.task, []Print{good}); err != nil {
		t.Errorf("a missing patch: %v", err)
	}
}

func TestNearest(t *testing.T) {
	s := Slider{Low: 1, High: 2.6, Step: 0.05}
	for v, want := range map[float64]float64{1.83: 1.85, 0: 1, 9: 2.6, 1.024: 1, 1.999: 2} {
		if got := s.Nearest(v); got != want {
			t.Errorf("nearest to %g is %g, not %g", v, got, want)
		}
	}
	if got := (Slider{Low: 0, High: 10, Step: 4}).Nearest(10); got != 8 {
		t.Errorf("a range that is no whole number of steps ends at %g", got)
	}
	if got := (Slider{Low: 0, High: 1}).Nearest(0.123456); got != 0.123 {
		t.Errorf("a slider without steps is set to %g", got)
	}
}
