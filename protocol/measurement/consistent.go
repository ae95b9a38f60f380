package measurement

import (
	"fmt"
	"math"
	"strings"
)

// Consistent tells whether a file holds together: as many rows in each block
// as patches, finite numbers, ids that differ. Readers give only such files;
// it is for tests, and for files that a program builds itself.
func (f *File) Consistent() error {
	n := f.Len()
	if n == 0 {
		return fmt.Errorf("no patches")
	}
	if i, j := Twice(f.ID); i >= 0 {
		return fmt.Errorf("patches %d and %d are both %s", i, j, Quote(f.ID[i]))
	}
	for _, id := range f.ID {
		if id == "" {
			return fmt.Errorf("an empty id")
		}
	}
	if f.Names != nil && len(f.Names) != n {
		return fmt.Errorf("%d names for %d patches", len(f.Names), n)
	}
	if f.Lab == nil && f.XYZ == nil && f.Spectra == nil && f.RGB == nil && f.Device == nil {
		return fmt.Errorf("no values")
	}
	for _, b := range []struct {
		name string
		rows [][3]float64
	}{{"Lab", f.Lab}, {"XYZ", f.XYZ}, {"RGB", f.RGB}} {
		if b.rows != nil && len(b.rows) != n {
			return fmt.Errorf("%d rows of %s for %d patches", len(b.rows), b.name, n)
		}
		for i, v := range b.rows {
			if !finite(v[:]) {
				return fmt.Errorf("%s of patch %d is %v", b.name, i, v)
			}
		}
	}
	if err := even("device values", f.Device, n, len(f.Channels)); err != nil {
		return err
	}
	if s := f.Spectra; s != nil {
		if len(s.Values) == 0 {
			return fmt.Errorf("spectra without values")
		}
		if !finite([]float64{s.StartNM, s.StepNM}) || s.StepNM <= 0 {
			return fmt.Errorf("a grid from %g nm by %g", s.StartNM, s.StepNM)
		}
		return even("spectra", s.Values, n, len(s.Values[0]))
	}
	return nil
}

// Edged is the first id or name with blanks at its ends, which the readers of
// text formats leave out; empty when there is none. A writer refuses it, so
// that no patch changes its name on the way.
func (f *File) Edged() string {
	for _, list := range [][]string{f.ID, f.Names} {
		for _, s := range list {
			if strings.TrimSpace(s) != s {
				return s
			}
		}
	}
	return ""
}

// even checks the rows of a block.
func even(name string, rows [][]float64, n, width int) error {
	if rows == nil {
		return nil
	}
	if len(rows) != n {
		return fmt.Errorf("%d rows of %s for %d patches", len(rows), name, n)
	}
	for i, r := range rows {
		if len(r) != width || !finite(r) {
			return fmt.Errorf("%s of patch %d: %v", name, i, r)
		}
	}
	return nil
}

func finite(v []float64) bool {
	for _, x := range v {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}
