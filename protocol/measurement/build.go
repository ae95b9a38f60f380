package measurement

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"swathkeeper/protocol"
)

// Cell is one value of a table with its place.
type Cell struct {
	Text         []byte
	Line, Column int
}

// place is where something stands in a file.
type place struct{ line, column int }

// Builder turns the rows of a table into patches.
type Builder struct {
	plan *Plan
	file *File

	ids      []byte // all ids in one piece, so that they cost one allocation
	idEnds   []int32
	names    []byte
	nameEnds []int32
	lines    []int32

	device   []float64
	lab, xyz [][3]float64
	spectra  []float64
	nm       []float64 // wavelengths of the pairs, by the first row

	comma, point place // where the first of each was seen
	left         []string
	partly       int      // patches left out for a missing colour value
	sums         []string // rows that sum up others
	rows         int
}

// NewBuilder makes a builder for at most rows patches.
func NewBuilder(plan *Plan, file *File, rows int) *Builder {
	b := &Builder{plan: plan, file: file, rows: rows}
	b.idEnds = make([]int32, 0, rows)
	b.lines = make([]int32, 0, rows)
	if plan.hasName && plan.hasID {
		b.nameEnds = make([]int32, 0, rows)
	}
	if plan.lab {
		b.lab = make([][3]float64, 0, rows)
	}
	if plan.xyz {
		b.xyz = make([][3]float64, 0, rows)
	}
	b.device = make([]float64, 0, rows*len(plan.channels))
	b.spectra = make([]float64, 0, rows*max(len(plan.bands), plan.pairs))
	return b
}

func (b *Builder) fail(c Cell, hint, format string, args ...any) error {
	return &Error{File: b.file.Name, Line: c.Line, Column: c.Column, Problem: fmt.Sprintf(format, args...), Hint: hint}
}

// row is what the cells of one patch hold.
type row struct {
	id, name, spot  []byte
	idCell          Cell // where the patch's name stands
	lab, xyz        [3]float64
	device, spectra int  // where the builder's values of it begin
	gone            bool // a colour value is missing
	goneDevice      int  // device values that are missing
}

// Row takes the cells of one patch, as many as the plan has fields.
func (b *Builder) Row(cells []Cell) error {
	p := b.plan
	if len(b.idEnds)+b.partly >= MaxPatches {
		return b.fail(Cell{Line: cells[0].Line}, "split the file", "more than %d patches", MaxPatches)
	}
	r := row{idCell: cells[0], device: len(b.device), spectra: len(b.spectra)}
	b.device = b.device[:r.device+len(p.channels)]
	b.spectra = b.spectra[:r.spectra+max(len(p.bands), p.pairs)]
	if p.pairs > 0 && b.nm == nil {
		b.nm = make([]float64, p.pairs)
		for i := range b.nm {
			b.nm[i] = math.NaN()
		}
	}
	for i, c := range p.columns {
		if err := b.cell(&r, i, c, cells[i]); err != nil {
			return err
		}
	}
	if err := b.identify(&r); err != nil {
		return err
	}
	if len(b.idEnds) > 1 && summing(r.id) {
		b.drop(&r)
		b.sums = append(b.sums, string(r.id))
		return nil
	}
	if r.goneDevice > 0 && r.goneDevice < len(p.channels) || r.goneDevice > 0 && !r.gone {
		return b.fail(r.idCell, "give every channel, or leave the device fields out", "patch %s has %d of %d device values", Quote(string(r.id)), len(p.channels)-r.goneDevice, len(p.channels))
	}
	if r.gone {
		// A missing value is not zero: the patch was not measured.
		b.drop(&r)
		b.partly++
		if len(b.left) < 6 {
			b.left = append(b.left, string(r.id))
		}
		return nil
	}
	return b.keep(&r)
}

// cell takes what stands in column i.
func (b *Builder) cell(r *row, i int, c column, cell Cell) error {
	switch c.role {
	case ignored:
		return nil
	case roleID:
		r.id, r.idCell = cell.Text, cell
		return nil
	case roleName:
		r.name = cell.Text
		if !b.plan.hasID {
			r.idCell = cell
		}
		return nil
	case rolePlace:
		r.spot = cell.Text
		return nil
	}
	v, err := b.number(cell, i)
	if err != nil {
		return err
	}
	if math.IsNaN(v) {
		if c.role == roleDevice {
			r.goneDevice++
		} else {
			r.gone = true
		}
		return nil
	}
	switch c.role {
	case roleDevice:
		b.device[r.device+c.index] = v
	case roleLab, roleLCh:
		r.lab[c.index] = v
	case roleXYZ, roleXYY:
		r.xyz[c.index] = v
	case roleBand, roleFactor:
		b.spectra[r.spectra+c.index] = v
	case roleNM:
		if math.IsNaN(b.nm[c.index]) {
			b.nm[c.index] = v
		} else if math.Abs(b.nm[c.index]-v) > 1e-6 {
			return b.fail(cell, "all patches need the same bands", "wavelength %g nm, the patches before have %g nm here", v, b.nm[c.index])
		}
	}
	return nil
}

// identify finds the name that the patch goes by, where the table has any.
func (b *Builder) identify(r *row) error {
	p := b.plan
	switch {
	case p.hasID:
	case p.hasName:
		r.id = r.name
	case p.hasPlace:
		r.id = r.spot
	}
	if r.id = bytes.TrimSpace(r.id); len(r.id) == 0 && (p.hasID || p.hasName || p.hasPlace) {
		return b.fail(r.idCell, "every patch needs its id", "a patch without an id")
	}
	if len(r.id) > 200 {
		return b.fail(r.idCell, "at most 200 bytes", "a patch id of %d bytes", len(r.id))
	}
	return nil
}

// drop takes back the room that a patch has that is left out.
func (b *Builder) drop(r *row) {
	b.device, b.spectra = b.device[:r.device], b.spectra[:r.spectra]
}

// keep puts a whole patch behind those before.
func (b *Builder) keep(r *row) error {
	p := b.plan
	b.lines = append(b.lines, int32(r.idCell.Line))
	if !p.hasID && !p.hasName && !p.hasPlace {
		b.ids = strconv.AppendInt(b.ids, int64(len(b.idEnds)+b.partly+1), 10)
	} else {
		b.ids = append(b.ids, r.id...)
	}
	b.idEnds = append(b.idEnds, int32(len(b.ids)))
	if b.nameEnds != nil {
		b.names = append(b.names, bytes.TrimSpace(r.name)...)
		b.nameEnds = append(b.nameEnds, int32(len(b.names)))
	}
	if p.lab {
		if p.lch {
			sin, cos := math.Sincos(r.lab[2] * math.Pi / 180)
			r.lab[1], r.lab[2] = r.lab[1]*cos, r.lab[1]*sin
		}
		b.lab = append(b.lab, r.lab)
	}
	if p.xyz {
		if p.xyy {
			var ok bool
			if r.xyz, ok = FromXYY(r.xyz); !ok {
				return b.fail(r.idCell, "x and y lie between 0 and 1, and x + y is 1 at most", "patch %s has no chromaticities: x %.4g, y %.4g", Quote(string(r.id)), r.xyz[0], r.xyz[1])
			}
		}
		b.xyz = append(b.xyz, r.xyz)
	}
	return nil
}

// FromXYY is XYZ of x, y and Y (CIE 15), on the scale of Y; false for what are
// no chromaticities. Black has none: with Y = 0 it may have any.
func FromXYY(v [3]float64) (xyz [3]float64, ok bool) {
	x, y, capital := v[0], v[1], v[2]
	if capital == 0 {
		return xyz, true
	}
	if x < 0 || y < 1e-4 || x+y > 1.0001 {
		return v, false
	}
	return [3]float64{x * capital / y, capital, max(0, 1-x-y) * capital / y}, true
}

// number reads a cell that must hold a number; NaN for a missing one.
func (b *Builder) number(c Cell, field int) (float64, error) {
	v, kind := parseNumber(c.Text)
	switch kind {
	case isNumber:
		if b.point.line == 0 && bytes.IndexByte(c.Text, '.') >= 0 {
			b.point = place{c.Line, c.Column}
		}
	case isComma:
		if b.comma.line == 0 {
			b.comma = place{c.Line, c.Column}
		}
	case isMissing:
		return math.NaN(), nil
	default:
		hint := "a number with a decimal point is wanted"
		switch {
		case bytes.Count(c.Text, []byte{','}) > 1 || bytes.IndexByte(c.Text, ';') >= 0:
			hint = "the fields must be separated by blanks or tabs; a table with commas or semicolons is read when it is a CSV file with a header line"
		case bytes.IndexByte(c.Text, ',') >= 0 && bytes.IndexByte(c.Text, '.') >= 0:
			hint = "write numbers without grouping marks"
		case bytes.IndexByte(c.Text, '%') > 0:
			hint = "write the number without the percent sign"
		case bytes.IndexByte(c.Text, '#') > 0:
			hint = "put a blank before a comment"
		case bytes.EqualFold(bytes.TrimLeft(c.Text, "+-"), []byte("inf")) || bytes.EqualFold(bytes.TrimLeft(c.Text, "+-"), []byte("infinity")):
			hint = "numbers must be finite; write - for a missing value"
		}
		return 0, b.fail(c, hint, "%s is not a number, in field %s", Quote(string(c.Text)), Quote(b.plan.fields[field]))
	}
	return v, nil
}

// split cuts one text into the pieces that end at ends.
func split(all []byte, ends []int32) []string {
	text := string(all)
	out := make([]string, len(ends))
	from := int32(0)
	for i, end := range ends {
		out[i] = text[from:end]
		from = end
	}
	return out
}

// Finish puts the patches into the file: decimal commas, scales, ids that
// stand twice, bands in order.
func (b *Builder) Finish() error {
	p, f := b.plan, b.file
	if b.comma.line > 0 && b.point.line > 0 {
		return &Error{File: f.Name, Line: b.comma.line, Column: b.comma.column,
			Problem: fmt.Sprintf("a decimal comma here and a decimal point in line %d", b.point.line),
			Hint:    "write all numbers with a decimal point"}
	}
	if b.comma.line > 0 {
		f.Warnf("decimal commas, taken as decimal points")
	}
	if b.partly > 0 {
		names := b.left
		if b.partly > len(names) {
			names = append(names[:5:5], fmt.Sprintf("and %d more", b.partly-5))
		}
		f.Warnf("%d of %d patches left out, a value is missing: %s", b.partly, b.partly+len(b.idEnds), joinComma(names))
	}
	if len(b.sums) > 0 {
		f.Warnf("%d rows left out that by their names sum up others: %s", len(b.sums), joinComma(b.sums[:min(len(b.sums), 6)]))
	}
	if len(b.idEnds) == 0 {
		return &Error{File: f.Name, Problem: "no patch with values", Hint: "check that the chart was measured before it was saved"}
	}
	f.ID = split(b.ids, b.idEnds)
	if !p.hasID && !p.hasName && !p.hasPlace {
		f.Warnf("the file names no patches; they are numbered in the order of the file")
	}
	if b.nameEnds != nil {
		f.Names = Given(split(b.names, b.nameEnds))
	}
	if err := b.unique(); err != nil {
		return err
	}
	for _, k := range p.states {
		f.loose(k.Value, true, true)
	}
	f.Ignored = append(f.Ignored, p.ignored...)
	f.Channels, f.Lab, f.XYZ = p.channels, b.lab, b.xyz
	f.Device = rows(b.device, len(p.channels))
	return b.bands()
}

var unmarked = strings.NewReplacer(".", "", " ", "", "_", "", "-", "")

// summing tells whether an id is that of a row that sums up the others, as
// spreadsheets and reports add them at the end.
func summing(id []byte) bool {
	if len(id) < 3 || len(id) > 20 || bytes.IndexByte([]byte("amsAMS"), id[0]) < 0 || id[1] >= '0' && id[1] <= '9' {
		return false
	}
	switch strings.ToLower(unmarked.Replace(string(id))) {
	case "average", "avg", "mean", "median", "stdev", "stddev", "standarddeviation", "minimum", "maximum":
		return true
	}
	return false
}

func joinComma(items []string) string {
	var out []byte
	for i, s := range items {
		if i > 0 {
			out = append(out, ", "...)
		}
		out = append(out, shorten(s)...)
	}
	return string(out)
}

// rows cuts one slice into rows of n values.
func rows(all []float64, n int) [][]float64 {
	if n == 0 || len(all) == 0 {
		return nil
	}
	out := make([][]float64, len(all)/n)
	for i := range out {
		out[i] = all[i*n : (i+1)*n : (i+1)*n]
	}
	return out
}

// unique makes sure that no two patches share an id. Where the ids repeat but
// the names do not, the names serve.
func (b *Builder) unique() error {
	f := b.file
	i, j := Twice(f.ID)
	if i < 0 {
		return nil
	}
	if f.Names != nil {
		if n, _ := Twice(f.Names); n < 0 && !slices.Contains(f.Names, "") {
			f.Warnf("patch ids stand more than once (%s in lines %d and %d); the names are unique and serve as ids",
				Quote(f.ID[i]), b.lines[i], b.lines[j])
			f.ID, f.Names = f.Names, nil
			return nil
		}
	}
	return &Error{File: f.Name, Line: int(b.lines[j]),
		Problem: fmt.Sprintf("patch %s stands twice, first in line %d", Quote(f.ID[i]), b.lines[i]),
		Hint:    "repeated measurements of one chart belong in one file each"}
}

// Given is a list of names, or nil when all of them are empty.
func Given(names []string) []string {
	for _, s := range names {
		if s != "" {
			return names
		}
	}
	return nil
}

// Twice finds the first two equal ids; -1 when all
// differ.
func Twice(ids []string) (first, second int) {
	seen := make(map[string]int32, len(ids))
	for j, id := range ids {
		if i, ok := seen[id]; ok {
			return int(i), j
		}
		seen[id] = int32(j)
	}
	return -1, -1
}

// bands puts the spectra in order of wavelength.
func (b *Builder) bands() error {
	p, f := b.plan, b.file
	nm, order := p.bands, p.order
	if p.pairs > 0 {
		nm = b.nm
		order = ascending(nm)
	}
	n := len(nm)
	if n == 0 || len(b.spectra) == 0 {
		return nil
	}
	sorted := make([]float64, n)
	moved := false
	for i, o := range order {
		sorted[i] = nm[o]
		moved = moved || i != o
	}
	start, step, err := Grid(sorted)
	if err != nil {
		err.(*Error).File = f.Name
		return err
	}
	values := rows(b.spectra, n)
	if moved {
		row := make([]float64, n)
		for _, v := range values {
			copy(row, v)
			for i, o := range order {
				v[i] = row[o]
			}
		}
		f.Warnf("the bands were not in order of wavelength; put in order")
	}
	f.Spectra = &protocol.Spectra{StartNM: start, StepNM: step, Values: values}
	return nil
}
