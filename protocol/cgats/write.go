package cgats

import (
	"bytes"
	"fmt"
	"io"
	"strconv"
	"strings"

	"swathkeeper/protocol/measurement"
)

// Write writes a file in the text form of ISO 28178: the header with what is
// known of the condition, then device values, XYZ, Lab and spectra as far as
// the file has them, one set a line, separated by tabs. Numbers are written
// with as many digits as they need to be read back the same.
func Write(w io.Writer, f *measurement.File) error {
	if err := f.Writable(); err != nil {
		return err
	}
	var b bytes.Buffer
	b.WriteString("CGATS.17\n")
	if f.Originator == "" {
		b.WriteString("ORIGINATOR\t\"swathkeeper\"\n")
	}
	for _, s := range f.Statements() {
		name, value := s.Name, s.Value
		if s.Under != "" {
			name, value = s.Under, name+", "+value
		}
		fmt.Fprintf(&b, "%s\t\"%s\"\n", name, measurement.OneLine(value))
	}
	fields := measurement.FieldNames(f)
	fmt.Fprintf(&b, "NUMBER_OF_FIELDS\t%d\nBEGIN_DATA_FORMAT\n%s\nEND_DATA_FORMAT\n", len(fields), strings.Join(fields, "\t"))
	fmt.Fprintf(&b, "NUMBER_OF_SETS\t%d\nBEGIN_DATA\n", f.Len())
	var row []byte
	for i, id := range f.ID {
		var err error
		if row, err = appendText(row[:0], id); err != nil {
			return named(err, f.Name)
		}
		if f.Names != nil {
			row = append(row, '\t')
			if row, err = appendText(row, f.Names[i]); err != nil {
				return named(err, f.Name)
			}
		}
		if f.Device != nil {
			row = appendNumbers(row, f.Device[i])
		}
		if f.XYZ != nil {
			row = appendNumbers(row, f.XYZ[i][:])
		}
		if f.Lab != nil {
			row = appendNumbers(row, f.Lab[i][:])
		}
		if f.Spectra != nil {
			row = appendNumbers(row, f.Spectra.Values[i])
		}
		b.Write(append(row, '\n'))
	}
	b.WriteString("END_DATA\n")
	_, err := w.Write(b.Bytes())
	return err
}

func named(err error, name string) error {
	if e, ok := err.(*measurement.Error); ok {
		e.File = name
	}
	return err
}

// appendText writes an id or name so that it is read back the same.
func appendText(b []byte, s string) ([]byte, error) {
	if strings.ContainsAny(s, "\n\r\x00\x1a") {
		return b, &measurement.Error{Problem: fmt.Sprintf("patch %s cannot be written in this format, it holds a line end or control character", measurement.Quote(s)), Hint: "write JSON, or rename the patch"}
	}
	quote := `"`
	if strings.Contains(s, quote) {
		if quote = "'"; strings.Contains(s, quote) {
			return b, &measurement.Error{Problem: fmt.Sprintf("patch %s cannot be written in this format, it holds both kinds of quotes", measurement.Quote(s)), Hint: "write JSON, or rename the patch"}
		}
	}
	return append(append(append(b, quote...), s...), quote...), nil
}

func appendNumbers(b []byte, values []float64) []byte {
	for _, v := range values {
		b = append(b, '\t')
		b = strconv.AppendFloat(b, v, 'f', -1, 64)
	}
	return b
}
