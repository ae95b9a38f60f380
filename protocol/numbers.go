package protocol

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
)

// The number types below decode strictly. encoding/json fills a short array with zeros, drops the
// surplus of a long one and reads null as zero; for a measurement each of these would be a wrong
// value taken in silence.

// Numbers is a list of finite numbers.
type Numbers []float64

// Triples is a list of rows of three finite numbers each, such as L*, a*, b*.
type Triples [][3]float64

// Matrix is a list of rows of finite numbers; rows may differ in length here, and validation says
// where they may not.
type Matrix [][]float64

// UnmarshalJSON reads an array of finite numbers.
func (n *Numbers) UnmarshalJSON(b []byte) error {
	s := numberScanner{b: b}
	if s.null() {
		*n = nil
		return nil
	}
	out := make([]float64, 0, len(b)/8+1)
	err := s.list(func(int) error {
		v, err := s.number()
		out = append(out, v)
		return err
	})
	if err != nil {
		return err
	}
	*n = out
	return nil
}

// UnmarshalJSON reads an array of arrays of exactly three finite numbers.
func (t *Triples) UnmarshalJSON(b []byte) error {
	s := numberScanner{b: b}
	if s.null() {
		*t = nil
		return nil
	}
	out := make([][3]float64, 0, len(b)/24+1)
	err := s.list(func(row int) error {
		var v [3]float64
		k := 0
		err := s.list(func(int) error {
			x, err := s.number()
			if k < 3 {
				v[k] = x
			}
			k++
			return err
		})
		if err != nil {
			return err
		}
		if k != 3 {
			return fmt.Errorf("row %d has %d numbers, needs 3", row, k)
		}
		out = append(out, v)
		return nil
	})
	if err != nil {
		return err
	}
	*t = out
	return nil
}

// UnmarshalJSON reads an array of arrays of finite numbers.
func (m *Matrix) UnmarshalJSON(b []byte) error {
	s := numberScanner{b: b}
	if s.null() {
		*m = nil
		return nil
	}
	flat := make([]float64, 0, len(b)/6+1)
	var ends []int
	err := s.list(func(int) error {
		err := s.list(func(int) error {
			x, err := s.number()
			flat = append(flat, x)
			return err
		})
		ends = append(ends, len(flat))
		return err
	})
	if err != nil {
		return err
	}
	out := make([][]float64, len(ends))
	from := 0
	for i, to := range ends {
		out[i] = flat[from:to:to]
		from = to
	}
	*m = out
	return nil
}

// numberScanner walks JSON that encoding/json has already found well-formed.
type numberScanner struct {
	b []byte
	i int
}

func (s *numberScanner) space() {
	for s.i < len(s.b) && (s.b[s.i] == ' ' || s.b[s.i] == '\n' || s.b[s.i] == '\t' || s.b[s.i] == '\r') {
		s.i++
	}
}

func (s *numberScanner) null() bool {
	s.space()
	return len(s.b)-s.i >= 4 && string(s.b[s.i:s.i+4]) == "null"
}

// list calls item at the start of each element, with its index.
func (s *numberScanner) list(item func(int) error) error {
	s.space()
	if s.i >= len(s.b) || s.b[s.i] != '[' {
		return fmt.Errorf("needs a list, found %s", s.found())
	}
	s.i++
	s.space()
	if s.i < len(s.b) && s.b[s.i] == ']' {
		s.i++
		return nil
	}
	for n := 0; ; n++ {
		if err := item(n); err != nil {
			return err
		}
		s.space()
		if s.i >= len(s.b) {
			return fmt.Errorf("list ends early")
		}
		c := s.b[s.i]
		s.i++
		if c == ']' {
			return nil
		}
		if c != ',' {
			return fmt.Errorf("needs , or ] in a list of numbers, found %q", c)
		}
	}
}

func (s *numberScanner) number() (float64, error) {
	s.space()
	from := s.i
	for s.i < len(s.b) {
		c := s.b[s.i]
		if (c < '0' || c > '9') && c != '-' && c != '+' && c != '.' && c != 'e' && c != 'E' {
			break
		}
		s.i++
	}
	if s.i == from {
		return 0, fmt.Errorf("needs a number, found %s", s.found())
	}
	text := string(s.b[from:s.i])
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, fmt.Errorf("number %s is out of range", clip(text, 30))
	}
	return v, nil
}

func (s *numberScanner) found() string {
	if s.i >= len(s.b) {
		return "nothing"
	}
	return clip(string(s.b[s.i:min(len(s.b), s.i+24)]), 20)
}

var (
	_ json.Unmarshaler = (*Numbers)(nil)
	_ json.Unmarshaler = (*Triples)(nil)
	_ json.Unmarshaler = (*Matrix)(nil)
)
