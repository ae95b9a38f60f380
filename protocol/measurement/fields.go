package measurement

import (
	"fmt"
	"sort"
	"strconv"
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
	var lab, xyz [3]int  // column + 1
	var chroma, hue int  // likewise
	var spaces []devSets // device spaces in order of appearance
	afterNM := false
	for i, f := range fields {
		name := normal(f.Name)
		p.fields[i] = f.Name
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
		case "SAMPLE_NAME", "SAMPLENAME", "NAME":
			if p.hasName {
				return nil, fieldError(f, "keep one of them", "a second field with the patch names, %s", Quote(f.Name))
			}
			p.hasName, p.columns[i] = true, column{role: roleName}
		case "SAMPLE_LOC", "SAMPLE_POS":
			if !p.hasPlace {
				p.hasPlace, p.columns[i] = true, column{role: rolePlace}
			}
		case "LAB_L", "L", "L*", "CIE_L", "CIE_L*":
			err = once(&lab[0])
		case "LAB_A", "A", "A*", "CIE_A", "CIE_A*":
			err = once(&lab[1])
		case "LAB_B", "B*", "CIE_B", "CIE_B*":
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
	if err := p.single(fields, &lab, &xyz, &spaces); err != nil {
		return nil, err
	}
	p.block(lab[:], roleLab, &p.lab)
	if !p.lab && lab[0] != 0 && chroma != 0 && hue != 0 {
		p.columns[lab[0]-1] = column{roleLab, 0}
		p.columns[chroma-1], p.columns[hue-1] = column{roleLCh, 1}, column{roleLCh, 2}
		p.lab, p.lch = true, true
	}
	p.block(xyz[:], roleXYZ, &p.xyz)
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

// single settles the one-letter fields of spreadsheets, where B may be b* or
// blue and Y may be yellow or the Y of XYZ: the neighbours decide.
func (p *Plan) single(fields []Field, lab, xyz *[3]int, spaces *[]devSets) error {
	at := map[string]int{}
	for i, f := range fields {
		n := normal(f.Name)
		if len(n) == 1 {
			if _, twice := at[n]; twice {
				return fieldError(f, "write LAB_B, RGB_B, XYZ_Y or CMYK_Y", "field %s stands twice", Quote(f.Name))
			}
			at[n] = i
		}
	}
	all := func(names ...string) bool {
		for _, n := range names {
			if _, ok := at[n]; !ok {
				return false
			}
		}
		return true
	}
	_, hasB := at["B"]
	switch {
	case hasB && lab[0] != 0 && lab[1] != 0 && lab[2] == 0:
		if all("R", "G") {
			return fieldError(fields[at["B"]], "write LAB_B or RGB_B", "field \"B\" may be b* or blue")
		}
		lab[2] = at["B"] + 1
	case all("R", "G", "B"):
		for i, c := range []string{"R", "G", "B"} {
			*spaces, _ = addChannel(*spaces, "RGB", c, i, at[c])
		}
	}
	_, hasY := at["Y"]
	switch {
	case hasY && xyz[0] != 0 && xyz[2] != 0 && xyz[1] == 0:
		if all("C", "M") {
			return fieldError(fields[at["Y"]], "write XYZ_Y or CMYK_Y", "field \"Y\" may be yellow or the Y of XYZ")
		}
		xyz[1] = at["Y"] + 1
	case all("C", "M", "Y"):
		names := []string{"C", "M", "Y"}
		space := "CMY"
		if all("K") {
			names, space = append(names, "K"), "CMYK"
		}
		for i, c := range names {
			*spaces, _ = addChannel(*spaces, space, c, i, at[c])
		}
	}
	return nil
}

// normal is a field name in one spelling.
func normal(s string) string {
	s = strings.ToUpper(strings.TrimSpace(s))
	return strings.NewReplacer(" ", "_", "-", "_", "\t", "_").Replace(s)
}

// bandName reads the many spellings of a band: SPECTRAL_NM380, SPECTRAL_NM_380,
// SPECTRAL_380, SPEC_380, NM380, 380NM, R_380 and a bare 380.
func bandName(name string) (nm float64, s scale, ok bool) {
	rest := strings.TrimSuffix(name, "NM")
	rest = strings.TrimSuffix(rest, "_")
	for _, prefix := range []struct {
		text  string
		scale scale
	}{
		{"SPECTRAL_NM", unstated}, {"SPECTRAL_DEC", factor}, {"SPECTRAL_PCT", percent},
		{"SPECTRAL", unstated}, {"SPEC", unstated}, {"NM", unstated}, {"R", unstated},
	} {
		if after, found := strings.CutPrefix(rest, prefix.text); found {
			rest, s = strings.TrimPrefix(after, "_"), prefix.scale
			break
		}
	}
	if len(rest) < 3 || len(rest) > 8 || rest[0] < '1' || rest[0] > '9' {
		return 0, unstated, false
	}
	for _, c := range rest {
		if (c < '0' || c > '9') && c != '.' {
			return 0, unstated, false
		}
	}
	nm, err := strconv.ParseFloat(rest, 64)
	if err != nil || nm < 100 || nm > 2500 {
		return 0, unstated, false
	}
	return nm, s, true
}
