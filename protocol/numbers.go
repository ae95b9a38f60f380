package protocol

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json/jsontext"
)

// The number types below decode strictly. encoding/json fills a short array with zeros, drops the
// surplus of a long one and reads null as zero; for a measurement each of these would be a wrong
// value taken in silence. They also decode fast: a reading is mostly such lists.

// Numbers is a list of finite numbers.
type Numbers []float64

// Triples is a list of rows of three finite numbers each, such as L*, a*, b*.
type Triples [][3]float64

// Matrix is a list of rows of finite numbers; rows may differ in length here, and validation says
// where they may not.
type Matrix [][]float64

// UnmarshalJSON reads an array of finite numbers.
func (n *Numbers) UnmarshalJSON(b []byte) error { return plainError(n.parse(b)) }

// UnmarshalJSON reads an array of arrays of exactly three finite numbers.
func (t *Triples) UnmarshalJSON(b []byte) error { return plainError(t.parse(b)) }

// UnmarshalJSON reads an array of arrays of finite numbers.
func (m *Matrix) UnmarshalJSON(b []byte) error { return plainError(m.parse(b)) }

// UnmarshalJSONFrom reads an array of finite numbers; the error is a *Refusal naming the field.
func (n *Numbers) UnmarshalJSONFrom(dec *jsontext.Decoder) error { return readList(dec, n.parse) }

// UnmarshalJSONFrom reads an array of arrays of exactly three finite numbers; the error is a
// *Refusal naming the field and row.
func (t *Triples) UnmarshalJSONFrom(dec *jsontext.Decoder) error { return readList(dec, t.parse) }

// UnmarshalJSONFrom reads an array of arrays of finite numbers; the error is a *Refusal naming the
// field and row.
func (m *Matrix) UnmarshalJSONFrom(dec *jsontext.Decoder) error { return readList(dec, m.parse) }

// readList hands the next value to parse and places what parse complains about in the message.
func readList(dec *jsontext.Decoder, parse func([]byte) *listError) error {
	raw, err := dec.ReadValue()
	if err != nil {
		return err
	}
	if e := parse(raw); e != nil {
		field := fieldPath(dec.StackPointer())
		if e.at >= 0 {
			field = fmt.Sprintf("%s[%d]", field, e.at)
		}
		return refuse(e.code, field, e.hint)
	}
	return nil
}

var comma, bracket = []byte{','}, []byte{'['}

// listError is what is wrong with a list; at is the element of the outermost list, or -1.
type listError struct {
	code, hint string
	at         int
}

func plainError(e *listError) error {
	switch {
	case e == nil:
		return nil
	case e.at < 0:
		return fmt.Errorf("%s", e.hint)
	}
	return fmt.Errorf("element %d: %s", e.at, e.hint)
}

func (n *Numbers) parse(text []byte) *listError {
	s := listScanner{text: text}
	// One number more than there are commas: the list is allocated once, and never larger than
	// four times the text.
	out := make([]float64, 0, bytes.Count(text, comma)+1)
	if !s.open() {
		return s.notList(-1)
	}
	for more := !s.close(); more; more = s.next() {
		v, e := s.number()
		if e != nil {
			e.at = len(out)
			return e
		}
		out = append(out, v)
	}
	*n = out
	return nil
}

func (t *Triples) parse(text []byte) *listError {
	s := listScanner{text: text}
	out := make([][3]float64, 0, bytes.Count(text, bracket))
	if !s.open() {
		return s.notList(-1)
	}
	for more := !s.close(); more; more = s.next() {
		var row [3]float64
		k := 0
		if !s.open() {
			return s.notList(len(out))
		}
		for more := !s.close(); more; more = s.next() {
			v, e := s.number()
			if e != nil {
				e.at = len(out)
				return e
			}
			if k < 3 {
				row[k] = v
			}
			k++
		}
		if k != 3 {
			return &listError{CodeBadValue, fmt.Sprintf("the row has %d numbers, needs 3", k), len(out)}
		}
		out = append(out, row)
	}
	*t = out
	return nil
}

func (m *Matrix) parse(text []byte) *listError {
	s := listScanner{text: text}
	flat := make([]float64, 0, bytes.Count(text, comma)+1)
	out := make([][]float64, 0, bytes.Count(text, bracket))
	if !s.open() {
		return s.notList(-1)
	}
	for more := !s.close(); more; more = s.next() {
		if !s.open() {
			return s.notList(len(out))
		}
		from := len(flat)
		for more := !s.close(); more; more = s.next() {
			v, e := s.number()
			if e != nil {
				e.at = len(out)
				return e
			}
			flat = append(flat, v)
		}
		out = append(out, flat[from:len(flat):len(flat)])
	}
	*m = out
	return nil
}

// listScanner walks lists of numbers in JSON that a decoder has already found well-formed.
type listScanner struct {
	text []byte
	i    int
}

// peek gives the next byte that is not space, or 0 at the end.
func (s *listScanner) peek() byte {
	for s.i < len(s.text) {
		c := s.text[s.i]
		if c != ' ' && c != '\n' && c != '\t' && c != '\r' {
			return c
		}
		s.i++
	}
	return 0
}

func (s *listScanner) take(c byte) bool {
	if s.peek() != c {
		return false
	}
	s.i++
	return true
}

func (s *listScanner) open() bool  { return s.take('[') }
func (s *listScanner) close() bool { return s.take(']') }

// next passes a comma and says that there is another element, or passes the end of the list.
func (s *listScanner) next() bool { return s.take(',') || (!s.close() && s.peek() != 0) }

func (s *listScanner) notList(at int) *listError {
	return &listError{CodeBadType, "needs a list, found " + s.found(), at}
}

// pow10 are the powers of ten that a float64 holds exactly.
var pow10 = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// number reads a finite number. Short decimals, which is what instruments give, go the exact way
// of W. D. Clinger, "How to read floating point numbers accurately" (1990): an integer below 2^53
// divided by an exact power of ten is rounded once, hence correctly. The rest is for strconv.
func (s *listScanner) number() (float64, *listError) {
	c := s.peek()
	if c != '-' && (c < '0' || c > '9') {
		return 0, s.notNumber()
	}
	from, i := s.i, s.i
	if c == '-' {
		i++
	}
	var mantissa uint64
	digits, point := 0, -1
	for ; i < len(s.text); i++ {
		if d := s.text[i] - '0'; d <= 9 {
			mantissa = mantissa*10 + uint64(d)
			digits++
		} else if s.text[i] == '.' && point < 0 {
			point = digits
		} else {
			break
		}
	}
	if digits > 0 && digits <= 15 && (i == len(s.text) || s.text[i]|0x20 != 'e') {
		s.i = i
		v := float64(mantissa)
		if point >= 0 {
			v /= pow10[digits-point]
		}
		if c == '-' {
			v = -v
		}
		return v, nil
	}
	for i < len(s.text) && (s.text[i]-'0' <= 9 || strings.IndexByte("+-.eE", s.text[i]) >= 0) {
		i++
	}
	s.i = i
	v, err := strconv.ParseFloat(string(s.text[from:i]), 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, &listError{CodeNotFinite, fmt.Sprintf("%s is beyond what a number can hold", clip(string(s.text[from:i]), 30)), -1}
	}
	return v, nil
}

func (s *listScanner) notNumber() *listError {
	found := s.found()
	if found == "null" {
		return &listError{CodeBadType, "null is not a number; leave a patch out when it has no value", -1}
	}
	return &listError{CodeBadType, "needs a number, found " + found, -1}
}

// found shows what stands here, up to the end of the element.
func (s *listScanner) found() string {
	if s.peek() == 0 {
		return "nothing"
	}
	rest := string(s.text[s.i:])
	if n := strings.IndexAny(rest[1:], ",]}"); n >= 0 {
		rest = rest[:n+1]
	}
	return clip(rest, 20)
}

var (
	_ json.Unmarshaler = (*Numbers)(nil)
	_ json.Unmarshaler = (*Triples)(nil)
	_ json.Unmarshaler = (*Matrix)(nil)
)
