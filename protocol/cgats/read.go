// Package cgats reads and writes measurement files in the text form of
// ISO 28178 (ANSI CGATS.17): header lines with keywords, field names, and one
// set of values for each patch.
//
// The reader takes what programs really write, as long as there is one way to
// understand it, and says where it had to decide. It refuses the rest with the
// place and a hint. Semicolons and commas never separate values in this
// format; for such tables there is the package table.
package cgats

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"

	"swathkeeper/protocol/measurement"
)

// Looks tells whether text (UTF-8) is likely in this format: whether one of
// its lines begins as only lines of this format do. Free text may have the
// same words.
func Looks(text []byte) bool {
	lines := measurement.NewLines(text[:min(len(text), 64<<10)])
	for first := true; ; {
		line, ok := lines.Next()
		if !ok {
			return false
		}
		line = bytes.TrimLeft(line, " \t\v\f")
		if len(line) == 0 || line[0] == '#' {
			continue
		}
		for _, key := range []string{"BEGIN_DATA", "NUMBER_OF_SETS"} {
			if len(line) >= len(key) && strings.EqualFold(string(line[:len(key)]), key) {
				return true
			}
		}
		if first && bytes.HasPrefix(line, []byte("CGATS")) {
			return true
		}
		first = false
	}
}

// Read reads one file. The name is for messages only. The error is a
// *measurement.Error.
func Read(data []byte, name string, o measurement.Options) (*measurement.File, error) {
	text, encoding, err := measurement.Decode(data, name)
	if err != nil {
		return nil, err
	}
	r := &reader{name: name, o: o}
	if text, err = r.endMark(text); err != nil {
		return nil, err
	}
	r.lines = measurement.NewLines(text)
	if err := r.run(); err != nil {
		return nil, err
	}
	f, err := r.join()
	if err != nil {
		return nil, err
	}
	f.Format, f.Encoding = measurement.CGATS, encoding
	return f, nil
}

// reader goes through one file.
type reader struct {
	name   string
	o      measurement.Options
	lines  *measurement.Lines
	tables []*table
	seen   bool              // the first line that says anything has passed
	head   *measurement.File // of the table whose header is read; else nil
	notes  int               // comments in headers
	cells  []cell
}

// table is one table of a file: its header lines, fields and patches.
type table struct {
	file   *measurement.File
	plan   *measurement.Plan
	fields int // NUMBER_OF_FIELDS; -1: not given
	sets   int // NUMBER_OF_SETS; -1: not given
	names  []measurement.Field
	others []measurement.Field // the names cut at tabs, when that gives another count
	line   int                 // of BEGIN_DATA
}

func (r *reader) newTable() *table {
	return &table{file: &measurement.File{Name: r.name}, fields: -1, sets: -1}
}

func (r *reader) fail(line, column int, hint, format string, args ...any) error {
	return &measurement.Error{File: r.name, Line: line, Column: column, Problem: fmt.Sprintf(format, args...), Hint: hint}
}

// named puts the file's name into an error of a lower layer.
func (r *reader) named(err error) error {
	if e, ok := err.(*measurement.Error); ok && e.File == "" {
		e.File = r.name
	}
	return err
}

// endMark cuts the text at the end-of-file mark of old systems (0x1A), and
// refuses one that has text behind it.
func (r *reader) endMark(text []byte) ([]byte, error) {
	i := bytes.IndexByte(text, 0x1A)
	if i < 0 {
		return text, nil
	}
	if len(bytes.Trim(text[i:], "\x1a \t\r\n")) > 0 {
		line, column := measurement.Position(text, i)
		return nil, r.fail(line, column, "the file is damaged, or two files in one", "an end-of-file mark (0x1A) with text behind it")
	}
	return text[:i], nil
}

// next is the next line that is not empty; its length is bounded.
func (r *reader) next() (line []byte, ok bool, err error) {
	for {
		line, ok = r.lines.Next()
		if !ok {
			return nil, false, nil
		}
		if len(line) > measurement.MaxLine {
			return nil, false, r.fail(r.lines.Line(), 0, "end each patch with a line end", "a line of %d bytes, at most %d are read", len(line), measurement.MaxLine)
		}
		t := bytes.TrimLeft(line, " \t\v\f")
		if len(t) > 0 && t[0] != '#' {
			return line, true, nil
		}
		if len(t) > 0 && r.head != nil && r.notes < 1000 {
			r.head.Remark(string(t[:min(len(t), 250)]))
			r.notes++
		}
	}
}

// word is the first word of a line in upper case, and what follows it.
func word(line []byte) (string, []byte) {
	t := bytes.TrimLeft(line, " \t\v\f")
	i := 0
	for i < len(t) && !blank(t[i]) {
		i++
	}
	if i > 64 { // no keyword of ours
		return string(t[:i]), t[i:]
	}
	return strings.ToUpper(string(t[:i])), t[i:]
}

// run goes through the whole file, table by table.
func (r *reader) run() error {
	t := r.newTable()
	for {
		r.head = t.file
		line, ok, err := r.next()
		r.head = nil
		if err != nil {
			return err
		}
		if !ok {
			break
		}
		key, rest := word(line)
		number := r.lines.Line()
		switch key {
		case "BEGIN_DATA_FORMAT":
			if t.names != nil {
				return r.fail(number, 0, "one table has one list of fields", "a second BEGIN_DATA_FORMAT before BEGIN_DATA")
			}
			err = r.format(t, rest)
		case "NUMBER_OF_FIELDS":
			err = r.count(&t.fields, key, rest, number)
		case "NUMBER_OF_SETS":
			err = r.count(&t.sets, key, rest, number)
		case "BEGIN_DATA":
			if err = r.table(t, rest); err == nil {
				t = r.newTable()
			}
		case "END_DATA", "END_DATA_FORMAT":
			err = r.fail(number, 0, "", "%s without its beginning", key)
		default:
			r.header(t, line, rest, number)
		}
		if err != nil {
			return r.named(err)
		}
		r.seen = true
	}
	switch {
	case t.names != nil:
		return r.fail(0, 0, "the file is cut, or holds no measurements", "field names without BEGIN_DATA")
	case len(r.tables) == 0:
		return r.fail(0, 0, "is it a measurement file at all?", "no BEGIN_DATA in the file")
	}
	return nil
}

// header takes a header line. The first line of a file may be any label.
func (r *reader) header(t *table, line, rest []byte, number int) {
	value := bytes.TrimSpace(rest)
	name := string(bytes.TrimSpace(line[:len(line)-len(rest)]))
	if len(value) == 0 || value[0] == '#' {
		if !r.seen {
			return // the label
		}
		value = nil
	}
	if len(value) > 0 && value[0] == '"' {
		value = value[1:]
		if i := bytes.IndexByte(value, '"'); i >= 0 {
			value = value[:i]
		}
	} else if i := comment(value); i >= 0 {
		value = bytes.TrimSpace(value[:i])
	}
	if i := strings.IndexAny(name, "=:"); i > 0 { // ILLUMINANT=D50
		value = bytes.TrimSpace(append([]byte(name[i+1:]+" "), value...))
		name = name[:i]
	}
	if len(value) > 1 && value[0] == '=' {
		value = bytes.TrimSpace(value[1:])
	}
	if len(t.file.Header) >= 1000 { // nobody's header; the values matter
		return
	}
	t.file.Fact(measurement.Keyword{Name: name, Value: string(value), Line: number})
}

// comment is where a comment starts in unquoted text; -1 for none.
func comment(text []byte) int {
	for i := 1; i < len(text); i++ {
		if text[i] == '#' && blank(text[i-1]) {
			return i
		}
	}
	return -1
}

// count reads one of the two counts.
func (r *reader) count(into *int, key string, rest []byte, number int) error {
	cells, err := byBlanks(rest, number, r.cells[:0])
	if err != nil {
		return err
	}
	if len(cells) != 1 {
		return r.fail(number, 0, "write one whole number behind it", "%s with %d values", key, len(cells))
	}
	n, err := strconv.Atoi(string(cells[0].Text))
	if err != nil || n < 0 {
		return r.fail(number, 0, "write one whole number behind it", "%s is %s", key, measurement.Quote(string(cells[0].Text)))
	}
	if *into >= 0 && *into != n {
		return r.fail(number, 0, "keep the right one", "%s is given twice, as %d and %d", key, *into, n)
	}
	if key == "NUMBER_OF_SETS" && n > measurement.MaxPatches {
		return r.fail(number, 0, "split the file", "%d patches declared, at most %d are read", n, measurement.MaxPatches)
	}
	if key == "NUMBER_OF_FIELDS" && n > measurement.MaxFields {
		return r.fail(number, 0, "keep only the fields that are needed", "%d fields declared, at most %d are read", n, measurement.MaxFields)
	}
	*into = n
	return nil
}

// format reads the field names up to END_DATA_FORMAT, or up to the keyword
// that can only follow it.
func (r *reader) format(t *table, rest []byte) error {
	var blanks, tabs []measurement.Field
	start := r.lines.Line()
	take := func(line []byte, number, shift int) (done bool, err error) {
		cells, err := byBlanks(line, number, r.cells[:0])
		if len(cells) > measurement.MaxFields {
			return false, r.fail(number, 0, "keep only the fields that are needed", "more than %d fields", measurement.MaxFields)
		}
		if err != nil {
			return false, err
		}
		if n := len(cells); n > 0 && strings.EqualFold(string(cells[n-1].Text), "END_DATA_FORMAT") {
			done = true
			line = line[:cells[n-1].Column-1]
			cells = cells[:n-1]
		}
		for _, c := range cells {
			if i := bytes.IndexAny(c.Text, ";,"); i >= 0 {
				return false, r.fail(number, c.Column+shift+i, "separate them by blanks or tabs; a table with commas or semicolons is read as CSV, with a header line and nothing else",
					"field names separated by %q", c.Text[i])
			}
			blanks = append(blanks, measurement.Field{Name: string(c.Text), Line: number, Column: c.Column + shift})
		}
		if len(blanks) > measurement.MaxFields {
			return false, r.fail(number, 0, "keep only the fields that are needed", "more than %d fields", measurement.MaxFields)
		}
		cells, err = byTabs(line, number, cells[:0])
		for _, c := range cells {
			if len(c.Text) > 0 {
				tabs = append(tabs, measurement.Field{Name: string(c.Text), Line: number, Column: c.Column + shift})
			}
		}
		r.cells = cells
		return done, err
	}
	done, err := take(rest, start, len("BEGIN_DATA_FORMAT"))
	for err == nil && !done {
		mark := r.lines.Mark()
		line, ok, e := r.next()
		if e != nil {
			return e
		}
		if !ok {
			return r.fail(start, 0, "the file is cut", "BEGIN_DATA_FORMAT without its end")
		}
		switch key, _ := word(line); key {
		case "NUMBER_OF_SETS", "NUMBER_OF_FIELDS", "BEGIN_DATA", "KEYWORD":
			t.file.Warnf("END_DATA_FORMAT is missing before line %d; the field names end there", r.lines.Line())
			r.lines.Back(mark)
			done = true
		case "BEGIN_DATA_FORMAT", "END_DATA":
			return r.fail(r.lines.Line(), 0, "", "%s within the field names", key)
		default:
			done, err = take(line, r.lines.Line(), 0)
		}
	}
	if err != nil {
		return err
	}
	if len(blanks) == 0 {
		return r.fail(start, 0, "", "no field names")
	}
	t.names = blanks
	if len(tabs) != len(blanks) && len(tabs) > 1 { // one name with blanks is no list
		t.others = tabs
	}
	return nil
}
