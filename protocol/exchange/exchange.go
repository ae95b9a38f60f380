// Package exchange reads a measurement file of any format it knows, told apart
// by content, and writes any of them.
package exchange

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/protocol/cgats"
	"swathkeeper/protocol/cxf"
	"swathkeeper/protocol/measurement"
	"swathkeeper/protocol/table"
)

// Read reads one measurement file: CGATS text, CxF3, a table, or readings in
// JSON, one a line; all but the last give one file. The name is for messages,
// and is never opened. The error is a *measurement.Error, or a
// *protocol.Refusal for JSON that is no reading.
func Read(data []byte, name string, o measurement.Options) ([]*measurement.File, error) {
	format, err := Detect(data, name)
	if err != nil {
		return nil, err
	}
	var f *measurement.File
	switch format {
	case measurement.JSON:
		return readings(data, name)
	case measurement.CxF:
		f, err = cxf.Read(data, name, o)
	case measurement.CGATS:
		f, err = cgats.Read(data, name, o)
	default:
		f, err = table.Read(data, name, o)
	}
	if err != nil {
		return nil, err
	}
	return []*measurement.File{f}, nil
}

// Detect tells the format of a file by its content. Tables are told apart from
// each other only by reading them; Detect says CSV for all.
func Detect(data []byte, name string) (measurement.Format, error) {
	for _, known := range []struct{ magic, what, hint string }{
		{"PK\x03\x04", "a packed archive or a spreadsheet", "unpack it, or save the table as CSV"},
		{"\xD0\xCF\x11\xE0", "an old spreadsheet", "save the table as CSV"},
		{"%PDF", "a PDF document", "save the measurements from the measuring program, as CGATS or CxF, and a scan as TIFF or PNG"},
		{"\x1F\x8B", "a packed file", "unpack it"},
		{"II*\x00", "a picture", "a scan goes through a scan station"},
		{"MM\x00*", "a picture", "a scan goes through a scan station"},
		{"\x89PNG", "a picture", "a scan goes through a scan station"},
		{"{\\rtf", "formatted text of a word processor", "save it as plain text"},
	} {
		if bytes.HasPrefix(data, []byte(known.magic)) {
			return "", &measurement.Error{File: name, Problem: "this is " + known.what, Hint: known.hint}
		}
	}
	text, _, err := measurement.Decode(data, name)
	if err != nil {
		return "", err
	}
	head := bytes.TrimLeft(text, " \t\r\n")
	switch {
	case len(head) == 0:
		return "", &measurement.Error{File: name, Problem: "the file is empty", Hint: "save it again"}
	case head[0] == '{' || head[0] == '[':
		return measurement.JSON, nil
	case cxf.Looks(text):
		return measurement.CxF, nil
	case cgats.Looks(text):
		return measurement.CGATS, nil
	}
	return measurement.CSV, nil
}

// maxReading bounds one reading in JSON that is spread over lines; as one line
// the bus would not take more than 900 KB.
const maxReading = 4 << 20

// readings reads JSON: one reading, or one a line.
func readings(data []byte, name string) ([]*measurement.File, error) {
	data, encoding, err := measurement.Decode(data, name)
	if err != nil {
		return nil, err
	}
	if encoding == "windows-1252" {
		return nil, &measurement.Error{File: name, Problem: "JSON that is not UTF-8", Hint: "save it as UTF-8"}
	}
	if bytes.HasPrefix(bytes.TrimSpace(data), []byte("[")) {
		return nil, &measurement.Error{File: name, Line: 1, Problem: "a list where readings are wanted", Hint: "write one reading a line"}
	}
	// A single reading may be spread over lines. One that is far beyond what
	// the bus takes is not even tried.
	firstErr := error(&measurement.Error{File: name, Problem: fmt.Sprintf("a reading of %d bytes, at most %d are read", len(data), maxReading), Hint: "the bus takes 900 KB; split the chart"})
	if len(data) <= maxReading {
		whole, err := protocol.DecodeReading(data)
		if err == nil {
			return []*measurement.File{FromReading(whole, name)}, nil
		}
		firstErr = fmt.Errorf("%s: %w", name, err)
	}
	lines := bufio.NewScanner(bytes.NewReader(data))
	lines.Buffer(nil, measurement.MaxLine)
	var out []*measurement.File
	for number := 1; lines.Scan(); number++ {
		line := bytes.TrimSpace(lines.Bytes())
		if len(line) == 0 {
			continue
		}
		r, err := protocol.DecodeReading(line)
		if err != nil {
			if len(out) == 0 && !(json.Valid(line) && bytes.HasPrefix(line, []byte("{"))) {
				return nil, firstErr // one reading over several lines
			}
			return nil, fmt.Errorf("%s: line %d: %w", name, number, err)
		}
		out = append(out, FromReading(r, fmt.Sprintf("%s: line %d", name, number)))
	}
	if err := lines.Err(); err != nil || len(out) == 0 {
		return nil, firstErr
	}
	return out, nil
}

// FromReading is a reading as a measurement file.
func FromReading(r *protocol.Reading, name string) *measurement.File {
	f := &measurement.File{Name: name, Format: measurement.JSON, Encoding: "utf-8", Reading: r, Created: &r.TakenAt}
	f.CreatedText = r.TakenAt.Format(time.RFC3339)
	f.Condition = measurement.Condition{Instrument: r.Instrument.Model, Serial: r.Instrument.Serial, Mode: r.Instrument.Mode, Backing: r.Instrument.Backing}
	p := r.Patches
	if p == nil {
		f.Warnf("the reading has traces but no patches")
		return f
	}
	f.ID, f.Device, f.Lab, f.XYZ, f.Spectra, f.RGB, f.RGBEncoding = p.ID, p.Device, p.Lab, p.XYZ, p.Spectra, p.RGB, p.Encoding
	if p.Lab != nil || p.XYZ != nil {
		f.Condition.Illuminant, f.Condition.Observer = "D50", "2" // by the protocol
	}
	if len(p.Device) > 0 {
		// A reading does not name its channels. Four are the usual inks, and three that pass 100 a
		// driver's RGB; three up to 100 may be tints of three inks.
		switch n := len(p.Device[0]); {
		case n == 3 && highest(p.Device) > 100:
			f.Channels = []string{"R", "G", "B"}
		case n == 4:
			f.Channels = []string{"C", "M", "Y", "K"}
		default:
			for i := range p.Device[0] {
				f.Channels = append(f.Channels, fmt.Sprintf("ink-%d", i+1))
			}
		}
	}
	return f
}

func highest(rows [][]float64) float64 {
	top := 0.0
	for _, r := range rows {
		for _, v := range r {
			top = max(top, v)
		}
	}
	return top
}

// Write writes a file in a format; JSON needs a reading and is written by
// protocol.Encode. now is the date for formats that want one when the file
// has none.
func Write(w io.Writer, f *measurement.File, format measurement.Format, now time.Time) error {
	if f.RGB != nil {
		return &measurement.Error{File: f.Name, Problem: "scanner values cannot be written in this format", Hint: "keep the reading as JSON"}
	}
	switch format {
	case measurement.CGATS:
		return cgats.Write(w, f)
	case measurement.CxF:
		return cxf.Write(w, f, now)
	case measurement.CSV:
		return table.Write(w, f, ',')
	case measurement.TSV:
		return table.Write(w, f, '\t')
	}
	return &measurement.Error{File: f.Name, Problem: fmt.Sprintf("format %s is not written here", measurement.Quote(string(format))), Hint: "cgats, cxf, csv, tsv or json"}
}
