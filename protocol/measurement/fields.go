package measurement

import (
	"fmt"
	"sort"
	"strings"
)

// role is what a column of a table holds.
type role int

const (
	ignored role = iota
	roleID
	roleName
	rolePlace // position on the chart: names a patch when nothing else does
	roleDevice
	roleLab // L, a, b
	roleLCh // C, h
	roleXYZ
	roleXYY  // x, y, Y
	roleBand // reflectance at the wavelength of the field's name
	roleNM   // a wavelength; the reflectance stands in the next column
	roleFactor
)

// column is one field of a table.
type column struct {
	role  role
	index int // within its block
}

// scale of reflectance, as the field names state it.
type scale int

const (
	unstated scale = iota
	factor
	percent
)

// Plan says what each field of a table holds.
type Plan struct {
	columns  []column
	channels []string
	rgb      bool
	lab      bool
	lch      bool // a and b come from C and h
	xyz      bool
	xyy      bool      // XYZ come from x, y and Y
	density  bool      // among the fields that are left out
	states   []Keyword // conditions stated beside a field name, in brackets
	bands    []float64 // wavelengths by the field names, in file order
	order    []int     // ascending order of the bands
	pairs    int       // pairs of wavelength and reflectance
	scale    scale
	ignored  []string
	fields   []string
	hasID    bool
	hasName  bool
	hasPlace bool
}

// Field is a field name with its place in the file.
type Field struct {
	Name         string
	Line, Column int
}

// fieldError is a fault of one field; the reader adds the file's name.
func fieldError(f Field, hint, format string, args ...any) *Error {
	return &Error{Line: f.Line, Column: f.Column, Problem: fmt.Sprintf(format, args...), Hint: hint}
}

// NewPlan reads field names, in any case, as ISO 28178 and common habit write
// them. Fields that it does not know are left out and listed.
func NewPlan(fields []Field) (*Plan, error) {
	single, err := letters(fields)
	if err != nil {
		return nil, err
	}
	p := &Plan{columns: make([]column, len(fields)), fields: make([]string, len(fields))}
	r := planner{p: p, fields: fields}
	for i, f := range fields {
		name, beside := normal(f.Name)
		p.fields[i] = f.Name
		if beside != "" {
			p.states = append(p.states, Keyword{Name: f.Name, Value: beside, Line: f.Line})
		}
		if single.small[strings.TrimSpace(f.Name)] {
			continue // of xyY; settled below
		}
		if err := r.take(i, name); err != nil {
			return nil, err
		}
	}
	if r.afterNM {
		f := fields[len(fields)-1]
		return nil, fieldError(f, pairHint, "the last field is a SPECTRAL_NM without a value")
	}
	if err := single.settle(&r.lab, &r.xyz, &r.xyy, &r.spaces, &r.chroma, &r.hue); err != nil {
		return nil, err
	}
	r.blocks()
	if err := p.device(r.spaces, fields); err != nil {
		return nil, err
	}
	if p.pairs > 0 && len(p.bands) > 0 {
		return nil, fieldError(fields[0], "keep one of them", "spectra as pairs of wavelength and value, and as one field for each band")
	}
	p.sortBands()
	for i, c := range p.columns {
		if c.role == ignored && strings.TrimSpace(fields[i].Name) != "" {
			p.ignored = append(p.ignored, fields[i].Name)
		}
	}
	return p, nil
}

// planner gathers what belongs together while a plan's fields are read, one after another. A slot
// holds a column's number plus one, 0 where there is none yet.
type planner struct {
	p             *Plan
	fields        []Field
	lab, xyz, xyy [3]int
	chroma, hue   int
	number        int       // of the patch: its id where there is no other
	spaces        []devSets // device spaces in order of appearance
	afterNM       bool      // the field before was a wavelength
}

const pairHint = "each SPECTRAL_NM needs its SPECTRAL_DEC or SPECTRAL_PCT next to it"

// take gives field i its role; name is its name in the one form that is looked for.
func (r *planner) take(i int, name string) error {
	if r.afterNM {
		r.afterNM = false
		return r.value(i, name)
	}
	p := r.p
	if name == "SPECTRAL_NM" {
		p.columns[i] = column{roleNM, p.pairs}
		p.pairs++
		r.afterNM = true
		return nil
	}
	if nm, s, ok := bandName(name); ok {
		if s != unstated && p.scale != unstated && s != p.scale {
			return fieldError(r.fields[i], "", "reflectance in percent and as a factor in one table")
		}
		if s != unstated {
			p.scale = s
		}
		p.columns[i] = column{roleBand, len(p.bands)}
		p.bands = append(p.bands, nm)
		return nil
	}
	if slot := r.slot(name); slot != nil {
		if *slot != 0 {
			return r.twice(i)
		}
		*slot = i + 1
		return nil
	}
	return r.named(i, name)
}

func (r *planner) twice(i int) error {
	return fieldError(r.fields[i], "keep one of them", "field %s stands twice", Quote(r.fields[i].Name))
}

// value takes the field beside a wavelength.
func (r *planner) value(i int, name string) error {
	s, ok := map[string]scale{"SPECTRAL_DEC": factor, "SPECTRAL_PCT": percent}[name]
	if !ok {
		return fieldError(r.fields[i], pairHint, "field %s follows SPECTRAL_NM", Quote(r.fields[i].Name))
	}
	if r.p.scale != unstated && r.p.scale != s {
		return fieldError(r.fields[i], "", "SPECTRAL_DEC and SPECTRAL_PCT in one table")
	}
	r.p.columns[i], r.p.scale = column{roleFactor, r.p.pairs - 1}, s
	return nil
}

// slot gives the place of a colour coordinate, nil where the name is none.
func (r *planner) slot(name string) *int {
	switch name {
	case "LAB_L", "L", "CIE_L":
		return &r.lab[0]
	case "LAB_A", "A", "CIE_A":
		return &r.lab[1]
	case "LAB_B", "B*", "CIE_B":
		return &r.lab[2]
	case "LAB_C", "LCH_C":
		return &r.chroma
	case "LAB_H", "LCH_H":
		return &r.hue
	case "XYZ_X", "X", "CIE_X":
		return &r.xyz[0]
	case "XYZ_Y", "CIE_Y":
		return &r.xyz[1]
	case "XYZ_Z", "Z", "CIE_Z":
		return &r.xyz[2]
	case "XYY_X":
		return &r.xyy[0]
	case "XYY_Y":
		return &r.xyy[1]
	case "XYY_CAPY":
		return &r.xyy[2]
	}
	return nil
}

// named takes a field that says which patch it is, or how much ink was printed there.
func (r *planner) named(i int, name string) error {
	p, f := r.p, r.fields[i]
	switch name {
	case "SAMPLE_ID", "SAMPLEID", "ID", "PATCH", "PATCH_ID":
		if p.hasID {
			return fieldError(f, "keep one of them", "a second field with the patch ids, %s", Quote(f.Name))
		}
		p.hasID, p.columns[i] = true, column{role: roleID}
	case "SAMPLE_NO", "SAMPLE_NUMBER", "PATCH_NO", "PATCH_NUMBER", "NO", "NR", "NUMBER", "INDEX":
		if r.number == 0 {
			r.number = i + 1
		}
	case "SAMPLE_NAME", "SAMPLENAME", "NAME", "PATCH_NAME", "SAMPLE", "LABEL":
		if p.hasName {
			return fieldError(f, "keep one of them", "a second field with the patch names, %s", Quote(f.Name))
		}
		p.hasName, p.columns[i] = true, column{role: roleName}
	case "SAMPLE_LOC", "SAMPLE_POS":
		if !p.hasPlace {
			p.hasPlace, p.columns[i] = true, column{role: rolePlace}
		}
	case "D_RED", "D_GREEN", "D_BLUE", "D_VIS", "D_MAJOR_FILTER":
		p.density = true
	default:
		space, channel, index, ok := deviceName(name)
		if !ok {
			return nil
		}
		var err error
		if r.spaces, err = addChannel(r.spaces, space, channel, index, i); err != nil {
			return r.twice(i)
		}
	}
	return nil
}

// blocks puts together what was gathered: the patch's number where it has no other id, and the
// coordinates of each colour space that is there in full.
func (r *planner) blocks() {
	p := r.p
	if r.number != 0 && !p.hasID {
		p.hasID, p.columns[r.number-1] = true, column{role: roleID}
	}
	p.block(r.lab[:], roleLab, &p.lab)
	if !p.lab && r.lab[0] != 0 && r.chroma != 0 && r.hue != 0 {
		p.columns[r.lab[0]-1] = column{roleLab, 0}
		p.columns[r.chroma-1], p.columns[r.hue-1] = column{roleLCh, 1}, column{roleLCh, 2}
		p.lab, p.lch = true, true
	}
	p.block(r.xyz[:], roleXYZ, &p.xyz)
	if !p.xyz {
		p.block(r.xyy[:], roleXYY, &p.xyy)
		p.xyz = p.xyy
	}
}

// sortBands finds the ascending order of the bands. One alone is no spectrum.
func (p *Plan) sortBands() {
	if len(p.bands) == 1 {
		p.drop(roleBand)
	}
	if len(p.bands) < 2 {
		return
	}
	p.order = make([]int, len(p.bands))
	for i := range p.order {
		p.order[i] = i
	}
	sort.SliceStable(p.order, func(a, b int) bool { return p.bands[p.order[a]] < p.bands[p.order[b]] })
}

// Colour tells whether the table holds any colour that is read.
func (p *Plan) Colour() bool { return p.lab || p.xyz || len(p.bands) > 0 || p.pairs > 0 }

// Surely is Colour, but a few numbers that may be wavelengths will not do: a
// row of values has those too.
func (p *Plan) Surely() bool { return p.lab || p.xyz || len(p.bands) >= 10 || p.pairs > 0 }

// Wanted is a hint for a table without colour: that densities are none, where
// it has them, else the given one.
func (p *Plan) Wanted(otherwise string) string {
	if p.density {
		return "densities tell of inks but are no colour; save Lab, XYZ, xyY or spectra too"
	}
	return otherwise
}

// Len is the number of fields.
func (p *Plan) Len() int { return len(p.columns) }

// Useful tells whether the table holds colour or device values.
func (p *Plan) Useful() bool { return p.Colour() || len(p.channels) > 0 }

// block takes a triple when all of it is there.
func (p *Plan) block(slots []int, r role, have *bool) {
	for _, s := range slots {
		if s == 0 {
			return
		}
	}
	for i, s := range slots {
		p.columns[s-1] = column{r, i}
	}
	*have = true
}

// drop turns the columns of a role into ignored ones.
func (p *Plan) drop(r role) {
	for i := range p.columns {
		if p.columns[i].role == r {
			p.columns[i] = column{}
		}
	}
	p.bands = nil
}
