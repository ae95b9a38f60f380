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
	p := &Plan{columns: make([]column, len(fields)), fields: make([]string, len(fields))}
	var lab, xyz, xyy [3]int // column + 1
	var chroma, hue int      // likewise
	var number int           // of the patch: its id where there is no other
	var spaces []devSets     // device spaces in order of appearance
	single, err := letters(fields)
	if err != nil {
		return nil, err
	}
	afterNM := false
	for i, f := range fields {
		name, beside := normal(f.Name)
		p.fields[i] = f.Name
		if beside != "" {
			p.states = append(p.states, Keyword{Name: f.Name, Value: beside, Line: f.Line})
		}
		if single.small[strings.TrimSpace(f.Name)] {
			continue // of xyY; settled below
		}
		if afterNM {
			switch name {
			case "SPECTRAL_DEC":
				p.columns[i] = column{roleFactor, p.pairs - 1}
				if p.scale == percent {
					return nil, fieldError(f, "", "SPECTRAL_DEC and SPECTRAL_PCT in one table")
				}
				p.scale = factor
			case "SPECTRAL_PCT":
				p.columns[i] = column{roleFactor, p.pairs - 1}
				if p.scale == factor {
					return nil, fieldError(f, "", "SPECTRAL_DEC and SPECTRAL_PCT in one table")
				}
				p.scale = percent
			default:
				return nil, fieldError(f, "each SPECTRAL_NM needs its SPECTRAL_DEC or SPECTRAL_PCT next to it",
					"field %s follows SPECTRAL_NM", Quote(f.Name))
			}
			afterNM = false
			continue
		}
		if name == "SPECTRAL_NM" {
			p.columns[i] = column{roleNM, p.pairs}
			p.pairs++
			afterNM = true
			continue
		}
		if nm, s, ok := bandName(name); ok {
			if s != unstated && p.scale != unstated && s != p.scale {
				return nil, fieldError(f, "", "reflectance in percent and as a factor in one table")
			}
			if s != unstated {
				p.scale = s
			}
			p.columns[i] = column{roleBand, len(p.bands)}
			p.bands = append(p.bands, nm)
			continue
		}
		once := func(slot *int) error {
			if *slot != 0 {
				return fieldError(f, "keep one of them", "field %s stands twice", Quote(f.Name))
			}
			*slot = i + 1
			return nil
		}
		var err error
		switch name {
		case "SAMPLE_ID", "SAMPLEID", "ID", "PATCH", "PATCH_ID":
			if p.hasID {
				return nil, fieldError(f, "keep one of them", "a second field with the patch ids, %s", Quote(f.Name))
			}
			p.hasID, p.columns[i] = true, column{role: roleID}
		case "SAMPLE_NO", "SAMPLE_NUMBER", "PATCH_NO", "PATCH_NUMBER", "NO", "NR", "NUMBER", "INDEX":
			if number == 0 {
				number = i + 1
			}
		case "SAMPLE_NAME", "SAMPLENAME", "NAME", "PATCH_NAME", "SAMPLE", "LABEL":
			if p.hasName {
				return nil, fieldError(f, "keep one of them", "a second field with the patch names, %s", Quote(f.Name))
			}
			p.hasName, p.columns[i] = true, column{role: roleName}
		case "SAMPLE_LOC", "SAMPLE_POS":
			if !p.hasPlace {
				p.hasPlace, p.columns[i] = true, column{role: rolePlace}
			}
		case "LAB_L", "L", "CIE_L":
			err = once(&lab[0])
		case "LAB_A", "A", "CIE_A":
			err = once(&lab[1])
		case "LAB_B", "B*", "CIE_B":
			err = once(&lab[2])
		case "LAB_C", "LCH_C":
			err = once(&chroma)
		case "LAB_H", "LCH_H":
			err = once(&hue)
		case "XYZ_X", "X", "CIE_X":
			err = once(&xyz[0])
		case "XYZ_Y", "CIE_Y":
			err = once(&xyz[1])
		case "XYZ_Z", "Z", "CIE_Z":
			err = once(&xyz[2])
		case "XYY_X":
			err = once(&xyy[0])
		case "XYY_Y":
			err = once(&xyy[1])
		case "XYY_CAPY":
			err = once(&xyy[2])
		case "D_RED", "D_GREEN", "D_BLUE", "D_VIS", "D_MAJOR_FILTER":
			p.density = true
		default:
			space, channel, index, ok := deviceName(name)
			if !ok {
				break
			}
			if spaces, err = addChannel(spaces, space, channel, index, i); err != nil {
				err = fieldError(f, "keep one of them", "field %s stands twice", Quote(f.Name))
			}
		}
		if err != nil {
			return nil, err
		}
	}
	if afterNM {
		f := fields[len(fields)-1]
		return nil, fieldError(f, "each SPECTRAL_NM needs its SPECTRAL_DEC or SPECTRAL_PCT next to it", "the last field is a SPECTRAL_NM without a value")
	}
	if err := single.settle(&lab, &xyz, &xyy, &spaces, &chroma, &hue); err != nil {
		return nil, err
	}
	if number != 0 && !p.hasID {
		p.hasID, p.columns[number-1] = true, column{role: roleID}
	}
	p.block(lab[:], roleLab, &p.lab)
	if !p.lab && lab[0] != 0 && chroma != 0 && hue != 0 {
		p.columns[lab[0]-1] = column{roleLab, 0}
		p.columns[chroma-1], p.columns[hue-1] = column{roleLCh, 1}, column{roleLCh, 2}
		p.lab, p.lch = true, true
	}
	p.block(xyz[:], roleXYZ, &p.xyz)
	if !p.xyz {
		p.block(xyy[:], roleXYY, &p.xyy)
		p.xyz = p.xyy
	}
	if err := p.device(spaces, fields); err != nil {
		return nil, err
	}
	if p.pairs > 0 && len(p.bands) > 0 {
		return nil, fieldError(fields[0], "keep one of them", "spectra as pairs of wavelength and value, and as one field for each band")
	}
	if len(p.bands) == 1 {
		p.drop(roleBand)
	}
	if len(p.bands) > 1 {
		p.order = make([]int, len(p.bands))
		for i := range p.order {
			p.order[i] = i
		}
		sort.SliceStable(p.order, func(a, b int) bool { return p.bands[p.order[a]] < p.bands[p.order[b]] })
	}
	for i, c := range p.columns {
		if c.role == ignored && strings.TrimSpace(fields[i].Name) != "" {
			p.ignored = append(p.ignored, fields[i].Name)
		}
	}
	return p, nil
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
