// Package cxf reads and writes measurement files in the XML form of
// ISO 17972-1 (CxF3): objects with colour values, and the specifications that
// say how they were measured.
//
// Elements are known by namespace and local name, whatever the prefix, and in
// any order. Document types and entities are refused; depth, size and number
// of elements are bounded.
package cxf

import (
	"bytes"
	"fmt"
	"math"

	"swathkeeper/protocol/measurement"
)

// Namespace is the target namespace of the core schema.
const Namespace = "http://colorexchangeformat.com/CxF3-core"

// Limits that keep a hostile document from costing memory or time.
const (
	maxDepth    = 64
	maxElements = 500_000
	maxPiece    = 256 << 10 // bytes of one tag, text or comment
	maxObjects  = measurement.MaxPatches * 2
)

// Looks tells whether text (UTF-8) is likely in this format.
func Looks(text []byte) bool {
	head := bytes.TrimLeft(text[:min(len(text), 64<<10)], " \t\r\n")
	return len(head) > 0 && head[0] == '<'
}

// Read reads one file. The name is for messages only. The error is a
// *measurement.Error.
func Read(data []byte, name string, o measurement.Options) (*measurement.File, error) {
	text, encoding, err := decode(data, name)
	if err != nil {
		return nil, err
	}
	r := &reader{name: name, o: o, specs: map[string]*spec{}}
	if err := r.bounds(text); err != nil {
		return nil, err
	}
	r.t = newTokens(text)
	if err := r.document(); err != nil {
		return nil, r.named(err)
	}
	f, err := r.resolve()
	if err != nil {
		return nil, r.named(err)
	}
	f.Format, f.Encoding = measurement.CxF, encoding
	return f, nil
}

type reader struct {
	name    string
	o       measurement.Options
	t       *tokens
	objects []object
	numbers []float64 // all values of all objects, in one piece
	specs   map[string]*spec
	created string
	creator string
	about   string
	header  []measurement.Keyword
	ignored map[string]bool
	words   []byte // text of the last element
}

// kind of a colour value.
type kind int

const (
	spectrum kind = iota
	labKind
	xyzKind
	kinds
)

func (k kind) String() string { return [...]string{"spectra", "Lab", "XYZ"}[k] }

// value is one colour value of an object.
type value struct {
	kind     kind
	spec     string
	start    float64 // first band, nm; NaN when not given
	step     float64 // of custom spectra; 0 otherwise
	from, to int     // in reader.numbers
	missing  bool
	derived  bool // LCh or xyY, which stand beside Lab or XYZ
	line     int
}

// object is one object with its values.
type object struct {
	id, name, class string
	sample          string // the sample's name, from a tag
	line            int
	values          []value
	channels        []string
	from, to        int // device values in reader.numbers
}

// spec is one colour specification.
type spec struct {
	condition measurement.Condition
	start     float64
	step      float64 // 0: not given
	kind      string  // measurement type
	polarised string
}

// named puts the file's name into an error of a lower layer.
func (r *reader) named(err error) error {
	if e, ok := err.(*measurement.Error); ok && e.File == "" {
		e.File = r.name
	}
	return err
}

// fail is an error at the last token.
func (r *reader) fail(hint, format string, args ...any) error {
	return r.t.fail(hint, format, args...)
}

// line is that of the last token.
func (r *reader) line() int {
	line, _ := r.t.place()
	return line
}

func (r *reader) failAt(line int, hint, format string, args ...any) error {
	return &measurement.Error{File: r.name, Line: line, Problem: fmt.Sprintf(format, args...), Hint: hint}
}

// bounds refuses pieces that are too long.
func (r *reader) bounds(text []byte) error {
	at := 0
	for {
		i := bytes.IndexByte(text[at:], '<')
		if i < 0 {
			i = len(text) - at
		}
		if i > maxPiece {
			line, _ := measurement.Position(text, at)
			return r.failAt(line, "is it a measurement file at all?", "a tag, text or comment of more than %d bytes", maxPiece)
		}
		if at+i >= len(text) {
			return nil
		}
		at += i + 1
	}
}

// document reads the root element.
func (r *reader) document() error {
	kind, err := r.t.next()
	if err != nil {
		return err
	}
	if kind != tokenStart {
		return r.fail(damaged, "no root element")
	}
	root := r.t.element()
	switch {
	case root.local != "CxF":
		return r.fail("the root element of CxF3 is CxF", "the root element is %s", measurement.Quote(root.local))
	case root.space != Namespace:
		return r.fail("version 3 has the namespace "+Namespace, "the namespace %s is not that of CxF3", measurement.Quote(root.space))
	}
	if err := r.children(r.top); err != nil {
		return err
	}
	_, err = r.t.next() // what may stand behind the root element, to the end
	return err
}

// children calls f for each child element; f must read the child to its end.
// Children of other namespaces are skipped.
func (r *reader) children(f func(element) error) error {
	for {
		kind, err := r.t.next()
		if err != nil {
			return err
		}
		switch kind {
		case tokenClose:
			return nil
		case tokenStart:
			e := r.t.element()
			if e.space != Namespace {
				err = r.skip()
			} else {
				err = f(e)
			}
			if err != nil {
				return err
			}
		}
	}
}

// skip reads an element to its end.
func (r *reader) skip() error {
	for depth := r.t.depth; r.t.depth >= depth; {
		if _, err := r.t.next(); err != nil {
			return err
		}
	}
	return nil
}

// text is the text of an element without children, valid until the next call.
func (r *reader) text() ([]byte, error) {
	r.words = r.words[:0]
	for depth := r.t.depth; ; {
		kind, err := r.t.next()
		if err != nil {
			return nil, err
		}
		switch kind {
		case tokenText:
			if r.t.depth > depth {
				continue // of a child
			}
			text, err := r.t.content()
			if err != nil {
				return nil, err
			}
			r.words = append(r.words, text...)
		case tokenClose:
			if r.t.depth < depth {
				return bytes.TrimSpace(r.words), nil
			}
		}
	}
}

func (r *reader) top(e element) error {
	switch e.local {
	case "FileInformation":
		return r.children(func(e element) error {
			name := e.local
			if name == "Tag" {
				key, err := e.attr("Name")
				if err != nil {
					return err
				}
				value, err := e.attr("Value")
				r.keyword(key, value)
				if err != nil {
					return err
				}
				return r.skip()
			}
			text, err := r.text()
			if err != nil {
				return err
			}
			switch name {
			case "Creator":
				r.creator = string(text)
			case "CreationDate":
				r.created = string(text)
			case "Description":
				r.about = string(text)
			}
			r.keyword(name, string(text))
			return nil
		})
	case "Resources":
		return r.children(func(e element) error {
			switch e.local {
			case "ObjectCollection":
				return r.children(r.object)
			case "ColorSpecificationCollection":
				return r.children(r.spec)
			}
			return r.skip()
		})
	}
	return r.skip()
}

func (r *reader) keyword(name, text string) {
	if len(r.header) < 1000 {
		r.header = append(r.header, measurement.Keyword{Name: name, Value: text})
	}
}

// number reads the text of an element as a number.
func (r *reader) number(what string) (v float64, missing bool, err error) {
	text, err := r.text()
	if err != nil {
		return 0, false, err
	}
	return r.parse(text, what)
}

func (r *reader) parse(text []byte, what string) (v float64, missing bool, err error) {
	v, missing, ok := measurement.Number(text)
	if !ok {
		hint := "a finite number with a decimal point is wanted"
		if bytes.IndexByte(text, ',') >= 0 {
			hint = "XML has decimal points, never commas; save it under another locale"
		}
		return 0, false, r.fail(hint, "%s is not a number, in %s", measurement.Quote(string(text)), what)
	}
	return v, missing, nil
}

// length reads an attribute that holds a wavelength; NaN when it is absent.
func (r *reader) length(e element, name string) (float64, error) {
	text, err := e.attr(name)
	if err != nil {
		return 0, err
	}
	if text == "" {
		return math.NaN(), nil
	}
	v, missing, err := r.parse([]byte(text), name)
	if err != nil {
		return 0, err
	}
	if missing || v <= 0 || v > 5000 {
		return 0, r.fail("wavelengths are in nm", "%s is %s", name, measurement.Quote(text))
	}
	return v, nil
}
