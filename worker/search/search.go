package search

import (
	"errors"
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
	// Aside are the prints, counted from 0, that were set aside.
	Aside []int `json:"aside_index,omitempty"`

	task settings.Task
}

// ErrNoPrint says that there is no print to work anything out from.
var ErrNoPrint = errors.New("there is no print yet")

// Report works everything out from the prints that are not set aside. It needs at least one.
func (s *State) Report() (*Report, error) {
	use := s.InUse()
	if len(use) == 0 {
		err := ErrNoPrint
		if len(s.Prints) > 0 {
			err = fmt.Errorf("%w that counts: all are set aside", err)
		}
		return nil, fmt.Errorf("%w; print chart %s under the settings as they are, read it, and give the reading to `swathkeeper settings next`", err, s.Chart.ID)
	}
	var sheets []sheet
	for _, i := range use {
		lab, missing := labs(s.Prints[i].Lab)
		sheets = append(sheets, sheet{lab: lab, missing: missing})
	}
	// A doubted print must not shift the aim: it is worked out again without it. Which one is doubted
	// hangs a little on the aim; where the two do not settle, the last word counts.
	var r *Report
	for range 3 {
		var err error
		if r, err = s.report(use, sheets); err != nil {
			return nil, err
		}
		settled := true
		for k := range sheets {
			doubted := slices.Contains(r.Advice.Suspect, k)
			settled = settled && sheets[k].out == doubted
			sheets[k].out = doubted
		}
		if settled {
			break
		}
	}
	s.number(r, use)
	return r, nil
}

// number puts a report that counts the prints in use into the search's own numbers, and fills in how
// those that are set aside measure.
func (s *State) number(r *Report, use []int) {
	a := *r.Advice
	measured, cast, words := make([]float64, len(s.Prints)), make([][]aim.Part, len(s.Prints)), make([]string, len(s.Prints))
	for i := range s.Prints {
		k := slices.Index(use, i)
		if k >= 0 {
			measured[i], cast[i], words[i] = a.Measured[k], r.Cast[k], r.Words[k]
			continue
		}
		r.Aside = append(r.Aside, i)
		lab, missing := labs(s.Prints[i].Lab)
		cast[i] = aim.Cast(&r.task.Chart, r.task.Aim, lab, missing, r.task.Weight)
		measured[i], words[i] = r.task.Difference(lab, missing), aim.Words(cast[i])
	}
	a.Measured, a.Best = measured, use[a.Best]
	a.Suspect = slices.Clone(a.Suspect)
	for k := range a.Suspect {
		a.Suspect[k] = use[a.Suspect[k]]
	}
	r.Advice, r.Cast, r.Words = &a, cast, words
}

// report works everything out with the aim as the sheets that are not out tell it.
func (s *State) report(use []int, sheets []sheet) (*Report, error) {
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
	r.task = task
	var prints []settings.Print
	for k, i := range use {
		p := &s.Prints[i]
		print := settings.Print{Values: p.Values, Lab: sheets[k].lab, Missing: sheets[k].missing, Kept: p.Good}
		if p.At.After(s.changed()) { // what was foretold before was foretold of prints recorded wrongly
			print.Foretold, print.ForetoldSE = p.Foretold, p.ForetoldSE
		}
		prints = append(prints, print)
		cast := aim.Cast(&task.Chart, w.Lab, sheets[k].lab, sheets[k].missing, w.Weight)
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
	if err := s.known(r, file); err != nil {
		return err
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
	if err := s.room(); err != nil {
		return err
	}
	values := slices.Clone(s.Next)
	if values == nil {
		values = make([]float64, len(s.Sliders))
		for i := range values {
			values[i] = math.NaN()
		}
	}
	asked := s.Next != nil
	if err := s.set(values, with); err != nil {
		return err
	}
	asked = asked && slices.Equal(values, s.Next)
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

// known refuses a reading that was taken in already.
func (s *State) known(r *protocol.Reading, file string) error {
	for i, p := range s.Prints {
		if p.Reading.ID == r.ID && p.Aside {
			return fmt.Errorf("%s was taken in already, as print %d, which is set aside; `swathkeeper settings aside %d --back` counts it again", file, i+1, i+1)
		}
		if p.Reading.ID == r.ID {
			return fmt.Errorf("%s was taken in already, as print %d of this search; if that print was made under other settings, say so with `swathkeeper settings correct %d --with SLIDER=VALUE`", file, i+1, i+1)
		}
	}
	return nil
}

// Forget takes back what was proposed: no print is left to propose anything from.
func (s *State) Forget() { s.Next, s.NextDE, s.NextSE = nil, 0, 0 }

// room refuses one more print than a search can learn from.
func (s *State) room() error {
	if len(s.InUse()) >= settings.MaxPrints {
		return fmt.Errorf("this search has %d prints, which is as many as it can learn from; set some aside, keep the best, or begin anew from it", len(s.InUse()))
	}
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
