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
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

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
	text, encoding, err := measurement.Decode(data, name)
	if err != nil {
		return nil, err
	}
	r := &reader{name: name, o: o, specs: map[string]*spec{}}
	if err := r.bounds(text); err != nil {
		return nil, err
	}
	r.d = xml.NewDecoder(bytes.NewReader(text))
	r.d.CharsetReader = func(_ string, in io.Reader) (io.Reader, error) { return in, nil } // Decode did it
	if err := r.document(); err != nil {
		return nil, err
	}
	f, err := r.resolve()
	if err != nil {
		return nil, err
	}
	f.Format, f.Encoding = measurement.CxF, encoding
	return f, nil
}

type reader struct {
	name     string
	o        measurement.Options
	d        *xml.Decoder
	depth    int
	elements int
	objects  []object
	numbers  []float64 // all values of all objects, in one piece
	specs    map[string]*spec
	root     bool
	created  string
	creator  string
	about    string
	header   []measurement.Keyword
	ignored  map[string]bool
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
}

func (r *reader) fail(hint, format string, args ...any) error {
	line, _ := r.d.InputPos()
	return r.failAt(line, hint, format, args...)
}

func (r *reader) failAt(line int, hint, format string, args ...any) error {
	return &measurement.Error{File: r.name, Line: line, Problem: fmt.Sprintf(format, args...), Hint: hint}
}

// bounds refuses pieces that are too long, and too many elements, before the
// parser spends memory on them.
func (r *reader) bounds(text []byte) error {
	tags, at := 0, 0
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
			break
		}
		at += i + 1
		tags++
	}
	if tags > 2*maxElements {
		return r.failAt(0, "split the file", "more than %d elements", maxElements)
	}
	return nil
}

// token is the next token that matters; io.EOF at the end.
func (r *reader) token() (xml.Token, error) {
	for {
		t, err := r.d.Token()
		if err != nil {
			var syntax *xml.SyntaxError
			switch {
			case errors.Is(err, io.EOF):
				return nil, io.EOF
			case errors.As(err, &syntax):
				return nil, r.failAt(syntax.Line, "the file is damaged, cut, or not XML", "%s", clean(syntax.Msg))
			}
			return nil, r.fail("the file is damaged, cut, or not XML", "%s", clean(err.Error()))
		}
		switch t := t.(type) {
		case xml.StartElement:
			r.elements++
			r.depth++
			if r.depth > maxDepth {
				return nil, r.fail("is it a measurement file at all?", "elements more than %d deep", maxDepth)
			}
			if r.elements > maxElements {
				return nil, r.fail("split the file", "more than %d elements", maxElements)
			}
			return t, nil
		case xml.EndElement:
			r.depth--
			return t, nil
		case xml.CharData:
			return t, nil
		case xml.Directive:
			return nil, r.fail("remove the document type and every entity", "a document type declaration; none is read")
		}
	}
}

func clean(s string) string {
	return strings.Map(func(c rune) rune {
		if c < ' ' || c == 0xFFFD {
			return '?'
		}
		return c
	}, s[:min(len(s), 120)])
}

// document reads the root element.
func (r *reader) document() error {
	for {
		t, err := r.token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		start, ok := t.(xml.StartElement)
		if !ok {
			continue
		}
		switch {
		case start.Name.Local != "CxF":
			return r.fail("the root element of CxF3 is CxF", "the root element is %s", measurement.Quote(start.Name.Local))
		case start.Name.Space != Namespace:
			return r.fail("version 3 has the namespace "+Namespace, "the namespace %s is not that of CxF3", measurement.Quote(start.Name.Space))
		}
		r.root = true
		if err := r.children(r.top); err != nil {
			return err
		}
	}
	if !r.root {
		return r.failAt(0, "the file is empty or cut", "no root element")
	}
	return nil
}

// children calls f for each child element; f must read the child to its end.
// Children of other namespaces are skipped.
func (r *reader) children(f func(xml.StartElement) error) error {
	for {
		t, err := r.token()
		if err != nil {
			return r.unfinished(err)
		}
		switch t := t.(type) {
		case xml.EndElement:
			return nil
		case xml.StartElement:
			if t.Name.Space != Namespace {
				err = r.skip()
			} else {
				err = f(t)
			}
			if err != nil {
				return err
			}
		}
	}
}

func (r *reader) unfinished(err error) error {
	if errors.Is(err, io.EOF) {
		return r.fail("the file is cut", "the document ends within an element")
	}
	return err
}

// skip reads an element to its end.
func (r *reader) skip() error {
	for depth := r.depth; r.depth >= depth; {
		if _, err := r.token(); err != nil {
			return r.unfinished(err)
		}
	}
	return nil
}

// text is the text of an element without children, valid until the next token.
func (r *reader) text() ([]byte, error) {
	var out []byte
	for depth := r.depth; r.depth >= depth; {
		t, err := r.token()
		if err != nil {
			return nil, r.unfinished(err)
		}
		switch t := t.(type) {
		case xml.CharData:
			out = append(out, t...)
		case xml.StartElement:
			if err := r.skip(); err != nil {
				return nil, err
			}
		}
	}
	return bytes.TrimSpace(out), nil
}

func attr(e xml.StartElement, name string) string {
	for _, a := range e.Attr {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

func (r *reader) top(e xml.StartElement) error {
	switch e.Name.Local {
	case "FileInformation":
		return r.children(func(e xml.StartElement) error {
			name := e.Name.Local
			if name == "Tag" {
				r.keyword(attr(e, "Name"), attr(e, "Value"))
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
		return r.children(func(e xml.StartElement) error {
			switch e.Name.Local {
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
func (r *reader) length(e xml.StartElement, name string) (float64, error) {
	text := attr(e, name)
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
