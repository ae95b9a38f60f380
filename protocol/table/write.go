package table

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"

	"swathkeeper/protocol/measurement"
)

// Write writes a file as a table, separated by comma (a comma, semicolon or
// tab), with decimal points. What is known of the condition stands in comment
// lines before the header line. Numbers are written with as many digits as
// they need to be read back the same.
func Write(w io.Writer, f *measurement.File, comma rune) error {
	if err := f.Writable(); err != nil {
		return err
	}
	var b bytes.Buffer
	for _, s := range f.Statements() {
		if value := strings.Join(strings.Fields(s.Value), " "); value != "" {
			fmt.Fprintf(&b, "# %s %s\n", s.Name, value)
		}
	}
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
