package search

import (
	"cmp"
	"fmt"
	"math"

	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
)

// sameWay refuses a reading that was not made as those of the search are: what [protocol.Reading.Series]
// keeps apart is never compared. An unknown measuring condition is taken on trust.
func (s *State) sameWay(r *protocol.Reading, file string) error {
	if err := modes("the aim", s.Aim.Mode, file, r.Instrument.Mode); err != nil {
		return err
	}
	for i, p := range s.Prints {
		if err := modes(fmt.Sprintf("print %d", i+1), p.Reading.Instrument.Mode, file, r.Instrument.Mode); err != nil {
			return err
		}
		for _, x := range []struct{ what, here, there string }{
			{"instrument", p.Reading.Instrument.Kind, r.Instrument.Kind},
			{"path", cmp.Or(p.Reading.Condition.Path, protocol.PathDevice), cmp.Or(r.Condition.Path, protocol.PathDevice)},
		} {
			if x.here != x.there {
				return fmt.Errorf("%s was made with %s %s, print %d with %s; the two are never compared", file, x.what, x.there, i+1, x.here)
			}
		}
	}
	return nil
}

// modes refuses two measuring conditions of ISO 13655 that differ.
func modes(what, a, file, b string) error {
	if a != b && a != "" && b != "" {
		return fmt.Errorf("%s was measured as %s, %s as %s: the two differ on brightened goods and are never compared", file, b, what, a)
	}
	return nil
}

// sameLab is how far apart each of L*, a* and b* of one reading may be under two names: a table of
// colours is rounded to two digits. Readings of two prints differ by far more, and those of one print
// read twice do (common practice, no source).
const sameLab = 0.02

// twice is the print that a reading was taken in as already; -1: none.
func (s *State) twice(sample drift.Sample) int {
	for i, p := range s.Prints {
		n := 0
		for k, v := range p.Lab {
			if v == nil || sample.Missing[k] {
				continue
			}
			c := sample.Lab[k]
			if !(math.Abs(v[0]-c.L) <= sameLab && math.Abs(v[1]-c.A) <= sameLab && math.Abs(v[2]-c.B) <= sameLab) {
				n = -1
				break
			}
			n++
		}
		if n > 0 {
			return i
		}
	}
	return -1
}
