package measurement

import (
	"fmt"
	"time"
)

// Writable says why a file of measurements cannot be written as lines of text, nil if it can: it has
// no patches, or a patch's name would be read back changed.
func (f *File) Writable() error {
	if f.Len() == 0 {
		return &Error{File: f.Name, Problem: "no patches to write"}
	}
	if s := f.Edged(); s != "" {
		return &Error{File: f.Name, Problem: fmt.Sprintf("patch %s cannot be written in this format, its blanks would change", Quote(s)), Hint: "rename the patch"}
	}
	return nil
}

// Statement is one thing said of a file before its data. Of the condition it has the name that the
// text forms of ISO 28178 give it.
type Statement struct {
	Name, Value string
	Under       string // WEIGHTING_FUNCTION, COMPUTATIONAL_PARAMETER or "" for a keyword of its own
}

// Statements gives what is known of a file, in the order in which it is written; what is not known
// is left out. The plain statements come before free text that may hold others: of a fact, the first
// statement counts.
func (f *File) Statements() []Statement {
	created := f.CreatedText
	if f.Created != nil {
		created = f.Created.Format(time.RFC3339)
	}
	c := f.Condition
	observer, source := "", c.Source
	if c.Observer != "" {
		observer = ObserverText(c.Observer)
	}
	if c.Mode != "" {
		source = c.Mode
	}
	all := []Statement{
		{Name: "ORIGINATOR", Value: f.Originator},
		{Name: "DESCRIPTOR", Value: f.Descriptor},
		{Name: "CREATED", Value: created},
		{Name: "ILLUMINANT", Value: c.Illuminant, Under: "WEIGHTING_FUNCTION"},
		{Name: "OBSERVER", Value: observer, Under: "WEIGHTING_FUNCTION"},
		{Name: "WHITE_BASE", Value: c.White, Under: "COMPUTATIONAL_PARAMETER"},
		{Name: "FILTER", Value: c.Filter},
		{Name: "SAMPLE_BACKING", Value: c.Backing},
		{Name: "MEASUREMENT_SOURCE", Value: source},
		{Name: "MEASUREMENT_GEOMETRY", Value: c.Geometry},
		{Name: "INSTRUMENTATION", Value: c.Instrument},
		{Name: "SERIAL", Value: c.Serial},
	}
	known := all[:0]
	for _, s := range all {
		if s.Value != "" {
			known = append(known, s)
		}
	}
	return known
}
