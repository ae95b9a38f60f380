package cgats

import (
	"bytes"
	"slices"

	"swathkeeper/protocol/measurement"
)

// maxTables bounds the tables of one file; two are usual where there are
// several.
const maxTables = 100

// way is how the values of a table are separated.
type way int

const (
	blanks  way = iota // by runs of blanks and tabs, one set a line
	tabs               // by every single tab, one set a line
	wrapped            // by blanks and tabs, a set over several lines or several in one
)

// survey is what one pass over the data found about one number of fields.
type survey struct {
	names     []measurement.Field
	lined     bool // every line has one set, cut at blanks
	streamed  bool // sets may run over lines, or several may share one
	ambiguous bool // cut at single tabs, a line would have as many values, but others
	stream    int  // values seen
	part      int  // values of a set that is not complete
	bad       place
}

// place is the first line that does not have one set.
type place struct{ line, values int }

// table reads the values of a table, up to END_DATA.
func (r *reader) table(t *table, rest []byte) error {
	t.line = r.lines.Line()
	if len(r.tables) >= maxTables {
		return r.fail(t.line, 0, "split the file", "more than %d tables", maxTables)
	}
	if b := bytes.TrimLeft(rest, " \t"); len(b) > 0 && b[0] != '#' {
		return r.fail(t.line, 0, "begin the values on a line of their own", "values behind BEGIN_DATA")
	}
	if t.names == nil {
		return r.fail(t.line, 0, "the names of the fields stand between BEGIN_DATA_FORMAT and END_DATA_FORMAT", "BEGIN_DATA without field names before it")
	}
	candidates, err := r.candidates(t)
	if err != nil {
		return err
	}
	begin := r.lines.Mark()
	lines, err := r.look(t, candidates)
	if err != nil {
		return err
	}
	finish := r.lines.Mark()
	s, w, err := r.choose(t, candidates, begin, finish, lines)
	if err != nil {
		return err
	}
	sets := lines
	if w == wrapped {
		sets = s.stream / len(s.names)
	}
	if err := r.sets(t, sets); err != nil {
		return err
	}
	if t.plan, err = measurement.NewPlan(s.names); err != nil {
		return err
	}
	r.tables = append(r.tables, t)
	if !t.plan.Useful() || sets == 0 {
		return nil
	}
	r.lines.Back(begin)
	if err := r.fill(t, len(s.names), w, sets); err != nil {
		return err
	}
	r.lines.Back(finish)
	return nil
}

// candidates are the field names that the data may belong to: those that the
// declared count allows.
func (r *reader) candidates(t *table) ([]*survey, error) {
	var out []*survey
	for _, names := range [][]measurement.Field{t.names, t.others} {
		if len(names) > 0 && (t.fields < 0 || t.fields == len(names)) {
			out = append(out, &survey{names: names, lined: true, streamed: true})
		}
	}
	if len(out) == 0 {
		return nil, r.fail(t.names[0].Line, 0, "correct the count, or the list of names", "NUMBER_OF_FIELDS is %d, but %d field names are listed", t.fields, len(t.names))
	}
	return out, nil
}

// look passes over the data once and counts.
func (r *reader) look(t *table, candidates []*survey) (lines int, err error) {
	for {
		mark := r.lines.Mark()
		line, ok, err := r.next()
		if err != nil {
			return 0, err
		}
		if !ok {
			return lines, r.noEnd(t, candidates, lines)
		}
		switch line[0] { // the keywords, without looking at every word
		case 'B', 'b', 'E', 'e', 'N', 'n', ' ', '\t':
			switch key, _ := word(line); key {
			case "END_DATA":
				return lines, nil
			case "BEGIN_DATA", "BEGIN_DATA_FORMAT", "NUMBER_OF_SETS", "NUMBER_OF_FIELDS", "END_DATA_FORMAT":
				number := r.lines.Line()
				r.lines.Back(mark)
				if err := r.noEnd(t, candidates, lines); err != nil {
					return 0, err
				}
				t.file.Warnf("END_DATA is missing before line %d", number)
				return lines, nil
			}
		}
		number := r.lines.Line()
		r.cells, err = byBlanks(line, number, r.cells[:0])
		if err != nil {
			return 0, err
		}
		n := len(r.cells)
		if n == 0 {
			continue
		}
		if last := r.cells[n-1]; n > 1 && len(last.Text) == 8 && bytes.EqualFold(last.Text, []byte("END_DATA")) && line[last.Column-1] != '"' {
			return 0, r.fail(number, 0, "begin END_DATA on a line of its own", "END_DATA behind values")
		}
		lines++
		if lines > measurement.MaxPatches*4 {
			return 0, r.fail(number, 0, "split the file", "more than %d lines of values", measurement.MaxPatches*4)
		}
		for _, s := range candidates {
			s.line(line, number, r.cells)
		}
	}
}

// line counts one line; found are its values cut at blanks.
func (s *survey) line(line []byte, number int, found []cell) {
	want, n := len(s.names), len(found)
	if n != want && s.lined {
		s.bad, s.lined = place{number, n}, false
	}
	s.stream += n
	// A set that began in another line must end with a line, else values may
	// have shifted from one set into the next.
	switch {
	case s.part == 0 && n%want == 0, s.part > 0 && s.part+n == want:
		s.part = 0
	case s.part+n < want:
		s.part += n
	default:
		s.streamed = false
	}
	// Values that are empty between two tabs, and as many blanks within
	// others, leave the count right and the values wrong.
	if n == want && !s.ambiguous && bytes.Contains(line, []byte("\t\t")) {
		cells, err := byTabs(line, number, nil)
		cells = withoutEmptyEnd(cells, want)
		s.ambiguous = err == nil && !slices.EqualFunc(cells, found, func(a, b cell) bool { return bytes.Equal(a.Text, b.Text) }) && len(cells) == want
	}
}

// noEnd decides about data without END_DATA: a file that may be cut is taken
// only when every declared set is there.
func (r *reader) noEnd(t *table, candidates []*survey, lines int) error {
	full := false
	for _, s := range candidates {
		full = full || lines == t.sets || t.sets > 0 && s.stream == t.sets*len(s.names)
	}
	if t.sets < 0 || !full {
		return r.fail(t.line, 0, "the file is cut; save it again", "BEGIN_DATA without END_DATA")
	}
	if !r.lines.Ended() {
		t.file.Warnf("END_DATA is missing and the last line has no end; the last value may be cut short")
	} else {
		t.file.Warnf("END_DATA is missing; all %d declared sets are there", t.sets)
	}
	return nil
}

// choose decides how the values are separated, by the number of fields.
func (r *reader) choose(t *table, candidates []*survey, begin, finish measurement.Mark, lines int) (*survey, way, error) {
	for _, s := range candidates {
		if s.lined && !s.ambiguous {
			return s, blanks, nil
		}
		tabbed := r.tabbed(s, begin, finish)
		if s.lined && !tabbed {
			return s, blanks, nil
		}
		if s.lined {
			// Both fit: the one whose values are numbers where they must be.
			byBlank, byTab := r.reads(s, blanks, lines, begin, finish), r.reads(s, tabs, lines, begin, finish)
			if byBlank == byTab {
				return nil, 0, r.fail(t.line, 0, "put names with blanks in quotes, and - for a missing value",
					"values separated by blanks or by single tabs? Both fit the %d fields, with different values", len(s.names))
			}
			if byBlank {
				return s, blanks, nil
			}
		}
		if tabbed {
			t.file.Warnf("values are separated by single tabs, since only so every line has its %d; blanks belong to the values", len(s.names))
			return s, tabs, nil
		}
	}
	for _, s := range candidates {
		// Without a declared count, sets that run over lines cannot be told
		// from lines with missing values.
		if s.streamed && s.part == 0 && t.sets > 0 && s.stream == t.sets*len(s.names) {
			t.file.Warnf("the sets do not stand one a line; the %d values make the %d declared sets", s.stream, t.sets)
			return s, wrapped, nil
		}
	}
	s := candidates[0]
	hint := "a name with blanks needs quotes, or single tabs between all values"
	if s.bad.values < len(s.names) {
		hint = "a value is missing, or the file is cut; write - for a missing value"
	}
	if s.bad.values == 1 && len(s.names) > 1 {
		hint = "separate the values by blanks or tabs; a table with commas or semicolons is read as CSV, with a header line and nothing else"
	}
	return nil, 0, r.fail(s.bad.line, 0, hint, "%d values, but there are %d fields", s.bad.values, len(s.names))
}

// tabbed tells whether every line has its number of values when cut at tabs.
func (r *reader) tabbed(s *survey, begin, finish measurement.Mark) bool {
	r.lines.Back(begin)
	defer r.lines.Back(finish)
	for r.lines.Before(finish) {
		line, ok, err := r.next()
		if !ok || err != nil || !r.lines.Before(finish) && isEnd(line) {
			break
		}
		if r.cells, err = byTabs(line, r.lines.Line(), r.cells[:0]); err != nil {
			return false
		}
		if len(withoutEmptyEnd(r.cells, len(s.names))) != len(s.names) {
			return false
		}
	}
	return true
}

// reads tells whether the values make patches when cut this way.
func (r *reader) reads(s *survey, w way, lines int, begin, finish measurement.Mark) bool {
	plan, err := measurement.NewPlan(s.names)
	if err != nil {
		return false
	}
	defer r.lines.Back(finish)
	r.lines.Back(begin)
	scratch := &table{file: &measurement.File{Name: r.name}, plan: plan}
	return r.fill(scratch, len(s.names), w, lines) == nil
}

// isEnd tells whether a line is END_DATA.
func isEnd(line []byte) bool {
	key, _ := word(line)
	return key == "END_DATA"
}

// sets compares the sets that are there with the declared ones.
func (r *reader) sets(t *table, n int) error {
	switch {
	case n > measurement.MaxPatches:
		return r.fail(t.line, 0, "split the file", "%d patches, at most %d are read", n, measurement.MaxPatches)
	case t.sets < 0:
		t.file.Warnf("NUMBER_OF_SETS is missing; %d sets are there", n)
	case n > t.sets:
		return r.fail(t.line, 0, "correct the count, or check for lines that do not belong here", "%d sets, but NUMBER_OF_SETS is %d", n, t.sets)
	case n < t.sets && float64(n) < 0.99*float64(t.sets):
		hint := "the file is not complete; at least 99 % of the sets must be there"
		if n == 0 {
			hint = "was the chart measured? lines that begin with # are comments; an id such as #1 needs quotes"
		}
		return r.fail(t.line, 0, hint, "%d sets, but NUMBER_OF_SETS is %d", n, t.sets)
	case n < t.sets:
		t.file.Warnf("%d of the %d declared sets are there", n, t.sets)
	}
	return nil
}

// fill reads the values.
func (r *reader) fill(t *table, fields int, w way, sets int) error {
	b := measurement.NewBuilder(t.plan, t.file, sets)
	cells := r.cells[:0]
	for left := sets; left > 0; {
		line, ok, err := r.next()
		if err != nil {
			return err
		}
		if !ok {
			break
		}
		number := r.lines.Line()
		if w == tabs {
			if cells, err = byTabs(line, number, cells[:0]); err == nil {
				cells = withoutEmptyEnd(cells, fields)
			}
		} else {
			cells, err = byBlanks(line, number, cells)
		}
		if err != nil {
			return err
		}
		for len(cells) >= fields {
			if err := b.Row(cells[:fields]); err != nil {
				return err
			}
			left--
			cells = append(cells[:0], cells[fields:]...)
		}
	}
	r.cells = cells[:0]
	return b.Finish()
}
