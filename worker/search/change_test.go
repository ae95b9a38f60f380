package search

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// three is a search of three prints, and when they were taken in.
func three(t *testing.T) (*State, [][]float64) {
	t.Helper()
	s, read := begun(t)
	values := [][]float64{{-20, 10, 0, 5, -5, 10}, {0, 5, 0, 0, 0, 5}, {5, 5, 5, 0, -5, 0}}
	for k, v := range values {
		with := map[string]float64{}
		for i, sl := range s.Sliders {
			with[sl.Name] = v[i]
		}
		r := read(fmt.Sprintf("0198c5a4-7b1e-7c3a-9f0e-2a6d1c4b8e%02d", 30+k), k+1, v)
		if err := s.Add(r, fmt.Sprint(k, ".json"), with, day(k)); err != nil {
			t.Fatal(err)
		}
	}
	return s, values
}

func day(k int) time.Time { return time.Date(2026, 3, 2+k, 7, 0, 0, 0, time.UTC) }

// TestCorrected: a print that was recorded under wrong settings and is corrected leads to the same as
// one that was recorded rightly, and what was recorded before stays in the file.
func TestCorrected(t *testing.T) {
	s, values := three(t)
	right, err := s.Report()
	if err != nil {
		t.Fatal(err)
	}
	s.Prints[1].Values = []float64{0, -5, 0, 0, 0, 50}
	s.Prints[1].Asked, s.Prints[1].Foretold, s.Prints[1].ForetoldSE = true, 3, 0.5
	s.Kept = "deep"
	if err := s.Correct(2, map[string]float64{"contrast": 5, "yellow": 5}, "lost the minus", day(4)); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(t.TempDir(), "settings-heron.json")
	if err := s.Save(name); err != nil {
		t.Fatal(err)
	}
	if s, err = Load(name); err != nil {
		t.Fatal(err)
	}
	p := s.Prints[1]
	if !slices.Equal(p.Values, values[1]) || p.Asked || p.ForetoldSE != 0 || s.Kept != "" {
		t.Errorf("corrected: %+v, kept as %q", p.Values, s.Kept)
	}
	if len(p.Changes) != 1 || p.Changes[0].Do != Corrected || !slices.Equal(p.Changes[0].Values, []float64{0, -5, 0, 0, 0, 50}) || p.Changes[0].Why == "" {
		t.Errorf("what was recorded before is lost: %+v", p.Changes)
	}
	got, err := s.Report()
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(got.Advice.Next, right.Advice.Next) || got.Advice.NextDE != right.Advice.NextDE {
		t.Errorf("corrected it asks for %v, recorded rightly for %v", got.Advice.Next, right.Advice.Next)
	}
}

// TestSetAside: a print that is set aside counts for nothing, as if it had not been made; it keeps its
// number, is still measured, and comes back as it was.
func TestSetAside(t *testing.T) {
	s, _ := three(t)
	all, err := s.Report()
	if err != nil {
		t.Fatal(err)
	}
	two := *s
	two.Prints = []Print{s.Prints[0], s.Prints[2]}
	want, err := two.Report()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Set(2, true, "folded", day(4)); err != nil {
		t.Fatal(err)
	}
	got, err := s.Report()
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(got.Advice.Next, want.Advice.Next) || got.Advice.Left != want.Advice.Left {
		t.Errorf("it asks for %v, without the print for %v", got.Advice.Next, want.Advice.Next)
	}
	if len(got.Advice.Measured) != 3 || got.Advice.Measured[2] != want.Advice.Measured[1] || got.Advice.Measured[1] <= 0 || got.Words[1] == "" {
		t.Errorf("measured %.2f, words %q", got.Advice.Measured, got.Words)
	}
	if !slices.Equal(got.Aside, []int{1}) || got.Advice.Best != 2*want.Advice.Best {
		t.Errorf("aside %v, best %d, of two %d", got.Aside, got.Advice.Best, want.Advice.Best)
	}
	if err := s.Set(2, false, "", day(5)); err != nil {
		t.Fatal(err)
	}
	if got, err = s.Report(); err != nil || !slices.Equal(got.Advice.Next, all.Advice.Next) {
		t.Errorf("taken back it asks for %v, before for %v (%v)", got.Advice.Next, all.Advice.Next, err)
	}
	if n := len(s.Prints[1].Changes); n != 2 {
		t.Errorf("%d changes are recorded", n)
	}
	for n := range 3 {
		if err := s.Set(n+1, true, "", day(6)); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.Report(); !errors.Is(err, ErrNoPrint) {
		t.Errorf("without a print that counts: %v", err)
	}
}

// TestRefusedChanges: a change that makes no sense is refused with what to do, and changes nothing.
func TestRefusedChanges(t *testing.T) {
	empty, _ := begun(t)
	if err := empty.Correct(1, map[string]float64{"contrast": 1}, "", day(1)); !errors.Is(err, ErrNoPrint) {
		t.Errorf("no print: %v", err)
	}
	s, values := three(t)
	for want, do := range map[string]func() error{
		"there is no print 4":       func() error { return s.Correct(4, map[string]float64{"contrast": 1}, "", day(4)) },
		"there is no print 0":       func() error { return s.Set(0, true, "", day(4)) },
		"outside the slider":        func() error { return s.Correct(1, map[string]float64{"yellow": 1, "contrast": 51}, "", day(4)) },
		"there is no slider":        func() error { return s.Correct(1, map[string]float64{"yellow": 1, "hue": 1}, "", day(4)) },
		"is recorded with these":    func() error { return s.Correct(1, map[string]float64{"contrast": 10}, "", day(4)) },
		"print 1 is not set aside":  func() error { return s.Set(1, false, "", day(4)) },
		"already, as print 3 of th": func() error { return s.known(s.Prints[2].Reading, "3.json") },
	} {
		if err := do(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
		for i := range s.Prints {
			if !slices.Equal(s.Prints[i].Values, values[i]) || s.Prints[i].Changes != nil || s.Prints[i].Aside {
				t.Fatalf("%s: print %d was changed", want, i+1)
			}
		}
	}
}
