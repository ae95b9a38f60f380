package table

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"swathkeeper/protocol/measurement"
)

// Write writes a file as a table, separated by comma (a comma, semicolon or
// tab), with decimal points. What is known of the condition stands in comment
// lines before the header line. Numbers are written with as many digits as
// they need to be read back the same.
func Write(w io.Writer, f *measurement.File, comma rune) error {
	if f.Len() == 0 {
		return &measurement.Error{File: f.Name, Problem: "no patches to write"}
	}
	if s := f.Edged(); s != "" {
		return &measurement.Error{File: f.Name, Problem: fmt.Sprintf("patch %s cannot be written in this format, its blanks would change", measurement.Quote(s)), Hint: "rename the patch"}
	}
	var b bytes.Buffer
	comment := func(name, value string) {
		if value = strings.Join(strings.Fields(value), " "); value != "" {
			fmt.Fprintf(&b, "# %s %s\n", name, value)
		}
	}
	comment("ORIGINATOR", f.Originator)
	comment("DESCRIPTOR", f.Descriptor)
	created := f.CreatedText
	if f.Created != nil {
		created = f.Created.Format(time.RFC3339)
	}
	comment("CREATED", created)
	c := f.Condition
	// The plain statements come before free text that may hold others: the
	// first statement of a fact counts.
	comment("ILLUMINANT", c.Illuminant)
	if c.Observer != "" {
		comment("OBSERVER", measurement.ObserverText(c.Observer))
	}
	comment("WHITE_BASE", c.White)
	comment("FILTER", c.Filter)
	comment("SAMPLE_BACKING", c.Backing)
	if c.Mode != "" {
		comment("MEASUREMENT_SOURCE", c.Mode)
	} else {
		comment("MEASUREMENT_SOURCE", c.Source)
	}
	comment("MEASUREMENT_GEOMETRY", c.Geometry)
	comment("INSTRUMENTATION", c.Instrument)
	comment("SERIAL", c.Serial)
	out := csv.NewWriter(&b)
	out.Comma = comma
	if err := out.Write(measurement.FieldNames(f)); err != nil {
		return fmt.Errorf("writing the header line: %w", err)
	}
	var row []string
	number := func(values []float64) {
		for _, v := range values {
			row = append(row, strconv.FormatFloat(v, 'f', -1, 64))
		}
	}
	for i, id := range f.ID {
		row = append(row[:0], id)
		if f.Names != nil {
			row = append(row, f.Names[i])
		}
		if f.Device != nil {
			number(f.Device[i])
		}
		if f.XYZ != nil {
			number(f.XYZ[i][:])
		}
		if f.Lab != nil {
			number(f.Lab[i][:])
		}
		if f.Spectra != nil {
			number(f.Spectra.Values[i])
		}
		if err := out.Write(row); err != nil {
			return fmt.Errorf("writing patch %s: %w", measurement.Quote(id), err)
		}
	}
	out.Flush()
	if err := out.Error(); err != nil {
		return fmt.Errorf("writing: %w", err)
	}
	_, err := w.Write(b.Bytes())
	return err
}
