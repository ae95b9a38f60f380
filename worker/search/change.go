package search

import (
	"fmt"
	"maps"
	"slices"
	"time"
)

// What is changed of a print.
const (
	Corrected = "corrected" // it was made under other settings than were recorded
	SetAside  = "aside"     // it counts for nothing
	TakenBack = "back"      // it counts again
)

// Change is one change of a print, so that nothing that was once recorded is lost.
type Change struct {
	At  time.Time `json:"at"`
	Do  string    `json:"do"`
	Why string    `json:"why,omitempty"`
	// Values are the settings that were recorded until then, where Do is Corrected.
	Values []float64 `json:"values,omitempty"`
}

// at is the place of print number n, counted from 1.
func (s *State) at(n int) (int, error) {
	switch {
	case len(s.Prints) == 0:
		return 0, ErrNoPrint
	case n < 1 || n > len(s.Prints):
		return 0, fmt.Errorf("there is no print %d; prints are numbered 1 to %d, see `swathkeeper settings show`", n, len(s.Prints))
	}
	return n - 1, nil
}

// Correct records that print n, counted from 1, was made under other settings than is recorded: with
// are those that were different. What was recorded is kept among its changes. What was foretold of the
// print is no longer of it.
func (s *State) Correct(n int, with map[string]float64, why string, at time.Time) error {
	i, err := s.at(n)
	if err != nil {
		return err
	}
	p := &s.Prints[i]
	values := slices.Clone(p.Values)
	if err := s.set(values, with); err != nil {
		return err
	}
	if slices.Equal(values, p.Values) {
		return fmt.Errorf("print %d is recorded with these settings already", n)
	}
	p.Changes = append(p.Changes, Change{At: at, Do: Corrected, Why: why, Values: p.Values})
	p.Values, p.Asked, p.Foretold, p.ForetoldSE = values, false, 0, 0
	s.Kept = "" // it goes on
	return nil
}

// Set puts print n, counted from 1, aside, or takes it back.
func (s *State) Set(n int, aside bool, why string, at time.Time) error {
	i, err := s.at(n)
	if err != nil {
		return err
	}
	p := &s.Prints[i]
	do := SetAside
	switch {
	case p.Aside && aside:
		return fmt.Errorf("print %d is set aside already", n)
	case !p.Aside && !aside:
		return fmt.Errorf("print %d is not set aside", n)
	case !aside:
		if err := s.room(); err != nil {
			return err
		}
		do = TakenBack
	}
	p.Aside = aside
	p.Changes = append(p.Changes, Change{At: at, Do: do, Why: why})
	s.Kept = "" // it goes on
	return nil
}

// changed is when a print was last changed; the zero time when none was.
func (s *State) changed() (last time.Time) {
	for i := range s.Prints {
		for _, c := range s.Prints[i].Changes {
			if c.At.After(last) {
				last = c.At
			}
		}
	}
	return last
}

// InUse are the places of the prints that are not set aside.
func (s *State) InUse() (at []int) {
	for i, p := range s.Prints {
		if !p.Aside {
			at = append(at, i)
		}
	}
	return at
}

// set puts values of sliders by name into values.
func (s *State) set(values []float64, with map[string]float64) error {
	for _, name := range slices.Sorted(maps.Keys(with)) {
		i, v := s.Slider(name), with[name]
		if i < 0 {
			return fmt.Errorf("there is no slider %q in this search", name)
		}
		sl := s.Sliders[i]
		if !(v >= sl.Low && v <= sl.High) {
			return fmt.Errorf("%s %g is outside the slider's range, %g to %g", name, v, sl.Low, sl.High)
		}
		values[i] = v
	}
	return nil
}
