package search

import (
	"fmt"
	"math"
	"slices"
	"time"

	"swathkeeper/measure/aim"
	"swathkeeper/measure/settings"
	"swathkeeper/protocol"
	"swathkeeper/worker/judge"
)

// Report is what a search knows after its last print.
type Report struct {
	Advice *settings.Advice `json:"advice"`
	// Cast is how each print differs from the aim, part by part, and Words the same for people.
	Cast  [][]aim.Part `json:"cast"`
	Words []string     `json:"words"`
	Aim   string       `json:"aim"`
	// Of the aim's patches Out lie beyond what this ink and fabric reach; they were pulled in by
	// PulledDE00 on average.
	Patches    int     `json:"patches"`
	Out        int     `json:"out_of_reach"`
	PulledDE00 float64 `json:"pulled_de00"`
	BlackL     float64 `json:"black_l,omitempty"` // of the deepest black that the screen's was mapped to
}

// Report works everything out from the prints. It needs at least one.
func (s *State) Report() (*Report, error) {
	if len(s.Prints) == 0 {
		return nil, fmt.Errorf("there is no print yet: print chart %s under the settings as they are, read it, and give the reading to `swathkeeper settings next`", s.Chart.ID)
	}
	var sheets []sheet
	for _, p := range s.Prints {
		lab, missing := labs(p.Lab)
		sheets = append(sheets, sheet{lab: lab, missing: missing})
	}
	// A doubted print must not shift the aim: it is worked out again without it. Which one is doubted
	// hangs a little on the aim; where the two do not settle, the last word counts.
	var r *Report
	for range 3 {
		var err error
		if r, err = s.report(sheets); err != nil {
			return nil, err
		}
		settled := true
		for i := range sheets {
			doubted := slices.Contains(r.Advice.Suspect, i)
			settled = settled && sheets[i].out == doubted
			sheets[i].out = doubted
		}
		if settled {
			break
		}
	}
	return r, nil
}

// report works everything out with the aim as the sheets that are not out tell it.
func (s *State) report(sheets []sheet) (*Report, error) {
	w, err := s.Aim.wanted(s.Chart, sheets)
	if err != nil {
		return nil, err
	}
	r := &Report{Aim: s.Aim.Text(), Patches: w.Of, Out: w.Out, PulledDE00: w.Mean}
	if w.Ends != nil {
		r.BlackL = w.Ends.Black.L
	}
	task := settings.Task{Chart: judge.Chart(s.Chart), Sliders: s.Sliders, Aim: w.Lab, Weight: w.Weight}
	task.Worth = s.Worth
	if s.Noise != nil {
		task.PrintPercent, task.PatchNoise = s.Noise.PrintPercent, s.Noise.PatchDE00
	}
	var prints []settings.Print
	for i, p := range s.Prints {
		prints = append(prints, settings.Print{Values: p.Values, Lab: sheets[i].lab, Missing: sheets[i].missing, Kept: p.Good,
			Foretold: p.Foretold, ForetoldSE: p.ForetoldSE})
		cast := aim.Cast(&task.Chart, w.Lab, sheets[i].lab, sheets[i].missing, w.Weight)
		r.Cast = append(r.Cast, cast)
		r.Words = append(r.Words, aim.Words(cast))
	}
	if r.Advice, err = settings.Advise(task, prints); err != nil {
		return nil, err
	}
	return r, nil
}

// Add takes a reading of a print in. with holds the sliders that were set otherwise than proposed;
// for the first print it holds all of them.
func (s *State) Add(r *protocol.Reading, file string, with map[string]float64, at time.Time) error {
	if err := s.Chart.CheckReading(r); err != nil {
		return fmt.Errorf("%s is no reading of this search's chart: %w", file, err)
	}
	for _, p := range s.Prints {
		if p.Reading.ID == r.ID {
			return fmt.Errorf("%s was taken in already, as the reading of another print of this search", file)
		}
	}
	for _, f := range []struct{ what, here, there string }{
		{"media", s.Media, r.Condition.Media}, {"stage", s.Stage, r.Condition.Stage},
	} {
		if f.here != f.there {
			return fmt.Errorf("%s was read on %s %s, this search is for %s; colours of the two are never compared", file, f.what, f.there, f.here)
		}
	}
	if err := s.sameWay(r, file); err != nil {
		return err
	}
	if len(s.Prints) >= settings.MaxPrints {
		return fmt.Errorf("this search has %d prints, which is as many as it can learn from; keep the best or begin anew from it", len(s.Prints))
	}
	values := slices.Clone(s.Next)
	if values == nil {
		values = make([]float64, len(s.Sliders))
		for i := range values {
			values[i] = math.NaN()
		}
	}
	asked := s.Next != nil
	for name, v := range with {
		i := s.Slider(name)
		if i < 0 {
			return fmt.Errorf("there is no slider %q in this search", name)
		}
		sl := s.Sliders[i]
		if !(v >= sl.Low && v <= sl.High) {
			return fmt.Errorf("%s %g is outside the slider's range, %g to %g", name, v, sl.Low, sl.High)
		}
		asked = asked && values[i] == v
		values[i] = v
	}
	for i, v := range values {
		if math.IsNaN(v) {
			return fmt.Errorf("how %s was set for this print is not known; say it with --with %s=VALUE", s.Sliders[i].Name, s.Sliders[i].Name)
		}
	}
	sample, err := judge.Sample(s.Chart, r)
	if err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	lacking := 0
	for _, m := range sample.Missing {
		if m {
			lacking++
		}
	}
	if n := len(sample.Missing); lacking > n/5 {
		return fmt.Errorf("%s: %d of %d patches are missing; at most one in five may be; read it again", file, lacking, n)
	}
	if i := s.twice(sample); i >= 0 {
		return fmt.Errorf("%s holds the same colours as print %d (%s), to %g in every one: it is one reading under two names, and two prints never agree so", file, i+1, s.Prints[i].File, sameLab)
	}
	p := Print{At: at, File: file, Values: values, Asked: asked}
	if asked {
		p.Foretold, p.ForetoldSE = s.NextDE, s.NextSE
	}
	for i, c := range sample.Lab {
		if sample.Missing[i] {
			p.Lab = append(p.Lab, nil)
			continue
		}
		p.Lab = append(p.Lab, &[3]float64{c.L, c.A, c.B})
	}
	head := *r
	head.Patches, head.Traces = nil, nil
	p.Reading = &head
	s.Prints = append(s.Prints, p)
	s.Kept = "" // it goes on
	return nil
}

// Propose keeps what is to be printed next, and what was foretold of it.
func (s *State) Propose(a *settings.Advice) {
	s.Next, s.NextDE, s.NextSE = a.Next, a.NextDE, a.NextSE
}

// Preset is what a print of the search is kept as, and the series that its readings will be of.
func (s *State) Preset(name string, print int, r *Report) (*protocol.Preset, string) {
	p := s.Prints[print]
	out := &protocol.Preset{Name: name, Media: s.Media, Press: p.Reading.Press, Aim: s.Aim.Text()}
	for i, sl := range s.Sliders {
		v := p.Values[i]
		out.Sliders = append(out.Sliders, protocol.SliderValue{Name: sl.Name, Value: &v})
	}
	de := math.Round(100*r.Advice.Measured[print]) / 100
	out.DE00 = &de
	reading := *p.Reading
	reading.Condition.Preset = name
	return out, reading.Series()
}
