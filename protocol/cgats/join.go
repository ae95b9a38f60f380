package cgats

import (
	"fmt"
	"strings"

	"swathkeeper/protocol/measurement"
)

// join makes one file of the tables: the only one, the one that was asked for,
// tables of the same patches side by side, or tables of different patches one
// after the other. What it cannot decide it refuses.
func (r *reader) join() (*measurement.File, error) {
	take := r.tables
	if n := r.o.Table; n > 0 {
		if n > len(take) {
			return nil, r.fail(0, 0, "", "table %d was asked for, the file has %d", n, len(take))
		}
		take = take[n-1 : n]
	}
	var useful []*table
	for _, t := range take {
		if t.plan.Useful() && t.file.Len() > 0 {
			useful = append(useful, t)
		}
	}
	if len(useful) == 0 {
		for _, t := range take {
			if t.plan.Colour() {
				return nil, r.fail(t.line, 0, "was the chart measured? lines that begin with # are comments; an id such as #1 needs quotes", "a table without sets")
			}
		}
		return nil, r.fail(take[0].line, 0, take[0].plan.Wanted("Lab, XYZ, xyY or spectra are read"), "no colour in the fields %s", names(take[0]))
	}
	colours := 0
	for _, t := range useful {
		if t.plan.Colour() {
			colours++
		}
	}
	if colours == 0 && !r.o.Layout {
		return nil, r.fail(useful[0].line, 0, useful[0].plan.Wanted("Lab, XYZ, xyY or spectra are read")+"; or is it a chart layout?", "device values but no colour in the fields %s", names(useful[0]))
	}
	if r.o.Mode != "" && colours > 1 {
		var err error
		if useful, err = r.ofMode(useful); err != nil {
			return nil, err
		}
	}
	f := useful[0].file
	for _, t := range useful[1:] {
		if err := r.add(f, t); err != nil {
			return nil, err
		}
	}
	if f.Lab == nil && f.XYZ == nil && f.Spectra == nil && !r.o.Layout {
		return nil, r.fail(0, 0, "", "no colour of measuring condition %s", r.o.Mode)
	}
	// Who wrote the file, with what, and when, stands in its first header.
	if first := r.tables[0].file; first != f {
		for _, k := range first.Header {
			switch strings.ToUpper(k.Name) {
			case "ORIGINATOR", "CREATED", "INSTRUMENTATION", "DESCRIPTOR", "SERIAL":
				f.Fact(k)
			}
		}
	}
	f.Settle(r.o)
	if r.o.Mode != "" && f.Condition.Mode != "" && f.Condition.Mode != r.o.Mode {
		return nil, r.fail(0, 0, "", "measuring condition %s was asked for, the file has %s", r.o.Mode, f.Condition.Mode)
	}
	if err := f.Check(reflectance(useful), r.o); err != nil {
		return nil, err
	}
	return f, nil
}

// names lists the fields of a table for a message.
func names(t *table) string {
	var out []string
	for i, n := range t.names {
		if i == 8 {
			out = append(out, fmt.Sprintf("and %d more", len(t.names)-i))
			break
		}
		out = append(out, measurement.Quote(n.Name))
	}
	return strings.Join(out, ", ")
}

// reflectance is what the field names say of the scale of the spectra.
func reflectance(tables []*table) string {
	for _, t := range tables {
		if s := t.plan.Reflectance(); s != "" {
			return s
		}
	}
	return ""
}

// ofMode keeps the colour tables of the measuring condition that was asked
// for, and those without colour.
func (r *reader) ofMode(tables []*table) ([]*table, error) {
	var out []*table
	var have []string
	found := false
	for _, t := range tables {
		probe := &measurement.File{}
		for _, k := range t.file.Header {
			probe.Fact(k)
		}
		probe.Settle(r.o)
		mode := probe.Condition.Mode
		switch {
		case !t.plan.Colour():
			out = append(out, t)
		case mode == r.o.Mode || mode == "":
			out, found = append(out, t), true
		default:
			have = append(have, mode)
		}
	}
	if !found {
		return nil, r.fail(0, 0, "", "measuring condition %s was asked for, the file has %s", r.o.Mode, strings.Join(have, ", "))
	}
	return out, nil
}

// add puts a further table into a file.
func (r *reader) add(f *measurement.File, t *table) error {
	index := make(map[string]int, f.Len())
	for i, id := range f.ID {
		index[id] = i
	}
	order := make([]int, t.file.Len())
	common := 0
	for i, id := range t.file.ID {
		at, ok := index[id]
		if ok {
			common++
		} else {
			at = -1
		}
		order[i] = at
	}
	a, b := f, t.file
	clash := a.Lab != nil && b.Lab != nil || a.XYZ != nil && b.XYZ != nil || a.Spectra != nil && b.Spectra != nil
	switch {
	case common == 0 && a.Append(b):
		f.Warnf("the table in line %d holds %d further patches; taken behind the others", t.line, b.Len())
		return nil
	case clash:
		return r.fail(t.line, 0, "choose one with --table, or --mode when they are M0, M1, M2",
			"a second table with colours of the same %d patches", common)
	case common != a.Len() || common != b.Len():
		return r.fail(t.line, 0, "choose one with --table",
			"the tables do not belong together: %d and %d patches, %d in both", a.Len(), b.Len(), common)
	}
	moved := a.Merge(b, order)
	order2 := "in the same order"
	if moved {
		order2 = "in another order"
	}
	f.Warnf("the table in line %d has the same patches %s; joined by id", t.line, order2)
	return nil
}
