// Package table reads and writes measurement files as plain tables: one header
// line with the field names, one line for each patch, separated by commas,
// semicolons or tabs (RFC 4180 with its quotes).
//
// Lines that begin with # before the header carry the condition, as keyword
// and value; they are how such a table keeps what CGATS has in its header.
package table

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"

	"swathkeeper/protocol/measurement"
)

// header is the header line of a table and what it means.
type header struct {
	comma  rune
	plan   *measurement.Plan
	body   []byte // the text from the header line on
	line   int    // of the header line
	begin  int    // number of the line that body begins with
	read   bool   // the header line is not in body
	plain  int    // lines before it that are no comments
	before []measurement.Keyword
}

// Read reads one file. The name is for messages only. The error is a
// *measurement.Error.
func Read(data []byte, name string, o measurement.Options) (*measurement.File, error) {
	text, encoding, err := measurement.Decode(data, name)
	if err != nil {
		return nil, err
	}
	text = unixLines(text)
	h, err := findHeader(text, name)
	if err != nil {
		return nil, err
	}
	f := &measurement.File{Name: name, Encoding: encoding, Format: measurement.CSV}
	if h.comma == '\t' {
		f.Format = measurement.TSV
	}
	for _, k := range h.before {
		f.Fact(k)
	}
	if !h.plan.Colour() && !(o.Layout && h.plan.Useful()) {
		return nil, &measurement.Error{File: name, Line: h.line, Problem: "no colour in the header line",
			Hint: h.plan.Wanted("name the fields in the first line, such as SAMPLE_ID,LAB_L,LAB_A,LAB_B")}
	}
	if h.plain > 0 {
		f.Warnf("the names of the fields stand in line %d; the lines before are taken as free text", h.line)
	}
	if err := rows(f, h); err != nil {
		return nil, err
	}
	f.Settle(o)
	if o.Mode != "" && f.Condition.Mode != "" && f.Condition.Mode != o.Mode {
		return nil, &measurement.Error{File: name, Problem: fmt.Sprintf("measuring condition %s was asked for, the file has %s", o.Mode, f.Condition.Mode)}
	}
	if err := f.Check(h.plan.Reflectance(), o); err != nil {
		return nil, err
	}
	return f, nil
}

// unixLines turns lone CRs into line ends, which encoding/csv does not do.
func unixLines(text []byte) []byte {
	lone := false
	for i := 0; i < len(text); i++ {
		n := bytes.IndexByte(text[i:], '\r')
		if n < 0 {
			break
		}
		i += n
		if i+1 >= len(text) || text[i+1] != '\n' {
			lone = true
			break
		}
	}
	if !lone {
		return text
	}
	out := bytes.Clone(text)
	for i, c := range out {
		if c == '\r' && (i+1 >= len(out) || out[i+1] != '\n') {
			out[i] = '\n'
		}
	}
	return out
}

// maxBefore is how many lines may stand before the header line.
const maxBefore = 60

// findHeader takes the first line that names colours as the header, cut at the
// separator that makes the most of it. What stands before it, in comments or
// as names with values, may state the condition.
func findHeader(text []byte, name string) (*header, error) {
	h := &header{}
	separators := []rune{'\t', ';', ','}
	var first *header
	var firstErr error
	rest, plain, tried := text, 0, 0
	for number := 1; len(rest) > 0; number++ {
		line, after := rest, []byte(nil)
		if i := bytes.IndexByte(rest, '\n'); i >= 0 {
			line, after = rest[:i], rest[i+1:]
		}
		line = bytes.TrimSpace(line)
		if len(line) > measurement.MaxLine {
			return nil, &measurement.Error{File: name, Line: number, Problem: fmt.Sprintf("a line of %d bytes, at most %d are read", len(line), measurement.MaxLine), Hint: "end each patch with a line end"}
		}
		switch {
		case len(line) == 0:
		case line[0] == '#':
			h.note(string(line[1:]), number)
		case len(line) == 5 && bytes.EqualFold(line[:4], []byte("sep=")):
			separators = []rune{rune(line[4])} // how spreadsheets name theirs
		default:
			if plain > 0 && !h.likely(line, &tried, len(text)) {
				plain++
				h.note(string(line[:min(len(line), 250)]), number)
				break
			}
			h.body, h.line, h.begin, h.read = rest, number, number, false
			if bytes.IndexByte(line, '"') < 0 { // it ends with its line, and is cut without encoding/csv
				h.body, h.begin, h.read = after, number+1, true
			}
			err := h.cut(line, separators, name)
			if err == nil && (h.plan.Surely() || plain == 0 && h.plan.Colour()) {
				h.plain = plain
				return h, nil
			}
			if plain == 0 { // what is wrong with the first line is what a person will understand
				if err == nil {
					c := *h
					first = &c
				}
				firstErr = err
			}
			plain++
			h.plan = nil
			h.note(string(line[:min(len(line), 250)]), number)
		}
		if plain > maxBefore {
			return first, firstErr
		}
		rest = after
	}
	if first == nil && firstErr == nil {
		return nil, &measurement.Error{File: name, Problem: "no header line", Hint: "name the fields in the first line, such as SAMPLE_ID,LAB_L,LAB_A,LAB_B"}
	}
	return first, firstErr
}

// likely tells whether a line below the first may name colours, cheaply: it has
// three fields at least. The fields tried in all are bounded, since a field
// costs some hundred bytes to look at.
func (h *header) likely(line []byte, tried *int, size int) bool {
	count := func(b []byte) int {
		return bytes.Count(b, []byte{','}) + bytes.Count(b, []byte{';'}) + bytes.Count(b, []byte{'\t'})
	}
	if count(bytes.TrimRight(line, ",;\t \"")) < 2 {
		return false
	}
	*tried += count(line)
	return *tried < 300+size/16
}

// note takes a line before the header line as a name with its value.
func (h *header) note(text string, line int) {
	if len(h.before) >= 1000 {
		return
	}
	text = strings.TrimSpace(text)
	key, value := text, ""
	if i := strings.IndexAny(text, " \t:;,="); i >= 0 {
		key, value = text[:i], strings.TrimLeft(text[i+1:], " \t")
		if text[i] == ';' || text[i] == ',' { // cells of a spreadsheet
			value = strings.TrimRight(value, " \t;,")
		}
	}
	h.before = append(h.before, measurement.Keyword{Name: strings.Trim(key, `"`), Value: value, Line: line})
}

// headerFields cuts a header line at a separator.
func headerFields(line []byte, comma rune, number int) ([]measurement.Field, error) {
	if bytes.IndexByte(line, '"') < 0 { // encoding/csv costs several times as much
		names := strings.Split(string(line), string(comma))
		fields := make([]measurement.Field, len(names))
		at := 1
		for i, n := range names {
			fields[i] = measurement.Field{Name: strings.TrimSpace(n), Line: number, Column: at}
			at += len(n) + 1
		}
		return fields, nil
	}
	r := csv.NewReader(bytes.NewReader(line))
	r.Comma = comma
	r.TrimLeadingSpace = comma != '\t'
	names, err := r.Read()
	if err != nil {
		return nil, err
	}
	fields := make([]measurement.Field, len(names))
	for i, n := range names {
		_, col := r.FieldPos(i)
		fields[i] = measurement.Field{Name: n, Line: number, Column: col}
	}
	return fields, nil
}

// cut finds the separator of a header line.
func (h *header) cut(line []byte, separators []rune, name string) error {
	var first error
	for _, comma := range separators {
		n := bytes.Count(line, []byte(string(comma)))
		if n == 0 {
			continue
		}
		if n >= measurement.MaxFields {
			first = &measurement.Error{File: name, Line: h.line, Problem: fmt.Sprintf("%d fields, at most %d are read", n+1, measurement.MaxFields), Hint: "keep only the fields that are needed"}
			continue
		}
		if n > 500 && len(line) < 4*n { // nobody's table, and dear to look at
			first = &measurement.Error{File: name, Line: h.line, Problem: fmt.Sprintf("%d fields, most of them without a name", n+1), Hint: "keep only the fields that are needed"}
			continue
		}
		fields, err := headerFields(line, comma, h.line)
		if err != nil {
			continue
		}
		plan, err := measurement.NewPlan(fields)
		if err != nil {
			if e, ok := err.(*measurement.Error); ok {
				e.File = name
			}
			if first == nil {
				first = err
			}
			continue
		}
		if h.plan == nil || plan.Colour() && !h.plan.Colour() || plan.Useful() && !h.plan.Useful() {
			h.plan, h.comma = plan, comma
		}
	}
	switch {
	case h.plan != nil && (h.plan.Colour() || first == nil):
		return nil
	case first != nil:
		return first
	}
	return &measurement.Error{File: name, Line: h.line, Problem: "the first line is no header line of a table",
		Hint: "name the fields there, separated by commas, semicolons or tabs, such as SAMPLE_ID,LAB_L,LAB_A,LAB_B"}
}

// rows reads the lines below the header.
func rows(f *measurement.File, h *header) error {
	lines := bytes.Count(h.body, []byte{'\n'})
	if lines > measurement.MaxPatches+1000 {
		return &measurement.Error{File: f.Name, Problem: fmt.Sprintf("%d lines, at most %d patches are read", lines, measurement.MaxPatches), Hint: "split the file"}
	}
	for l := measurement.NewLines(h.body); ; {
		line, ok := l.Next()
		if !ok {
			break
		}
		if n := bytes.Count(line, []byte(string(h.comma))); n > measurement.MaxFields {
			return &measurement.Error{File: f.Name, Line: h.begin - 1 + l.Line(), Problem: fmt.Sprintf("%d values, but the header has %d fields", n+1, h.plan.Len()), Hint: "end each patch with a line end"}
		}
		if len(line) > measurement.MaxLine {
			return &measurement.Error{File: f.Name, Line: h.begin - 1 + l.Line(), Problem: fmt.Sprintf("a line of %d bytes, at most %d are read", len(line), measurement.MaxLine), Hint: "end each patch with a line end"}
		}
	}
	r := csv.NewReader(bytes.NewReader(h.body))
	r.Comma, r.FieldsPerRecord, r.ReuseRecord = h.comma, -1, true
	r.TrimLeadingSpace = h.comma != '\t'
	// A patch has a byte for each of its fields at least; empty lines are none.
	b := measurement.NewBuilder(h.plan, f, min(lines+1, len(h.body)/h.plan.Len()+1))
	var text []byte
	var cells []measurement.Cell
	for first := !h.read; ; first = false {
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return wrong(f.Name, h.begin, err)
		}
		if first {
			continue // the header line
		}
		want := h.plan.Len()
		line, _ := r.FieldPos(0)
		line += h.begin - 1
		for len(record) > want && strings.TrimSpace(record[len(record)-1]) == "" {
			record = record[:len(record)-1]
		}
		if strings.TrimSpace(strings.Join(record, "")) == "" {
			continue // the empty rows that spreadsheets leave behind
		}
		if len(record) != want && strings.HasPrefix(strings.TrimSpace(record[0]), "#") {
			continue // a comment
		}
		if len(record) != want {
			hint := "a value is missing or the file is cut; leave an empty field for a missing value"
			if len(record) > want {
				hint = "a value that holds the separator needs quotes; numbers need decimal points where commas separate"
			}
			return &measurement.Error{File: f.Name, Line: line, Problem: fmt.Sprintf("%d values, but the header has %d fields", len(record), want), Hint: hint}
		}
		text, cells = text[:0], cells[:0]
		for _, v := range record {
			text = append(text, v...)
		}
		from := 0
		for i, v := range record {
			_, column := r.FieldPos(i)
			cells = append(cells, measurement.Cell{Text: bytes.TrimSpace(text[from : from+len(v)]), Line: line, Column: column})
			from += len(v)
		}
		if err := b.Row(cells); err != nil {
			return err
		}
	}
	return b.Finish()
}

// wrong places an error of encoding/csv.
func wrong(name string, begin int, err error) error {
	var p *csv.ParseError
	if !errors.As(err, &p) {
		return &measurement.Error{File: name, Problem: err.Error()}
	}
	e := &measurement.Error{File: name, Line: p.Line + begin - 1, Column: p.Column, Problem: p.Err.Error()}
	if errors.Is(p.Err, csv.ErrQuote) || errors.Is(p.Err, csv.ErrBareQuote) {
		e.Problem, e.Hint = "a stray quote", "a quote within a quoted value is written twice"
		if p.StartLine < p.Line { // a quote that was not closed swallows lines
			e.Line, e.Column = p.StartLine+begin-1, 0
			e.Problem = "a stray quote, or one without its end"
		}
	}
	return e
}
