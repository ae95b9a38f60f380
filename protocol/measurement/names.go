package measurement

import (
	"strconv"
	"strings"
)

var underscores = strings.NewReplacer(" ", "_", "-", "_", "\t", "_")

// normal is a field name in one spelling: upper case, underscores, CIELAB_L as
// LAB_L, L* as L (B* stays: a plain B may be blue). What stands in brackets
// behind it, such as (D65/10), comes apart.
func normal(s string) (name, beside string) {
	if s = strings.ToUpper(strings.TrimSpace(s)); s == "" {
		return "", ""
	}
	if i := strings.IndexAny(s, "(["); i > 0 {
		s, beside = strings.TrimRight(s[:i], " _"), strings.Trim(s[i:], "()[] ")
	}
	s = underscores.Replace(s)
	for _, prefix := range []string{"CIELAB", "CIE_LAB", "LAB"} {
		if rest, ok := strings.CutPrefix(s, prefix); ok && len(rest) > 1 && strings.IndexByte("._", rest[0]) >= 0 {
			s = "LAB_" + strings.TrimSuffix(rest[1:], "*")
		}
	}
	for _, prefix := range []string{"CIEXYZ", "CIE_XYZ", "XYZ"} {
		if rest, ok := strings.CutPrefix(s, prefix); ok && len(rest) > 1 && strings.IndexByte("._", rest[0]) >= 0 {
			s = "XYZ_" + rest[1:]
		}
	}
	switch s {
	case "L*", "A*", "CIE_L*", "CIE_A*", "CIE_B*":
		s = s[:len(s)-1]
	case "NO.", "NR.":
		s = s[:2]
	}
	return s, beside
}

// single are the one-letter fields of spreadsheets: where each letter stands.
type single struct {
	fields []Field
	at     map[string]int
	small  map[string]bool // written small
}

// letters finds the one-letter fields. x, y and Y are the chromaticities and
// the Y of xyY; any other letter may stand once only.
func letters(fields []Field) (*single, error) {
	s := &single{fields: fields, at: map[string]int{}, small: map[string]bool{}}
	exact := map[string]int{}
	for i, f := range fields {
		if n := strings.TrimSpace(f.Name); len(n) == 1 {
			exact[n] = i
		}
	}
	_, x := exact["x"]
	_, y := exact["y"]
	_, capital := exact["Y"]
	if x && y && capital {
		s.small["x"], s.small["y"] = true, true
	}
	for i, f := range fields {
		n, _ := normal(f.Name)
		if len(n) != 1 {
			continue
		}
		if t := strings.TrimSpace(f.Name); s.small[t] {
			n = t
		}
		if _, twice := s.at[n]; twice {
			return nil, fieldError(f, "write LAB_B, RGB_B, XYZ_Y or CMYK_Y", "field %s stands twice", Quote(f.Name))
		}
		s.at[n] = i
	}
	return s, nil
}

func (s *single) all(names ...string) bool {
	for _, n := range names {
		if _, ok := s.at[n]; !ok {
			return false
		}
	}
	return true
}

// settle gives the one-letter fields their meaning, where B may be b* or blue,
// C chroma or cyan, and Y yellow or the Y of XYZ: the neighbours decide.
func (s *single) settle(lab, xyz, xyy *[3]int, spaces *[]devSets, chroma, hue *int) error {
	switch {
	case s.all("B") && lab[0] != 0 && lab[1] != 0 && lab[2] == 0:
		if s.all("R", "G") {
			return fieldError(s.fields[s.at["B"]], "write LAB_B or RGB_B", "field \"B\" may be b* or blue")
		}
		lab[2] = s.at["B"] + 1
	case s.all("R", "G", "B"):
		for i, c := range []string{"R", "G", "B"} {
			*spaces, _ = addChannel(*spaces, "RGB", c, i, s.at[c])
		}
	}
	switch {
	case s.all("x", "y", "Y") && (xyz[0] == 0 || xyz[2] == 0):
		*xyy = [3]int{s.at["x"] + 1, s.at["y"] + 1, s.at["Y"] + 1}
	case s.all("Y") && xyz[0] != 0 && xyz[2] != 0 && xyz[1] == 0:
		if s.all("C", "M") {
			return fieldError(s.fields[s.at["Y"]], "write XYZ_Y or CMYK_Y", "field \"Y\" may be yellow or the Y of XYZ")
		}
		xyz[1] = s.at["Y"] + 1
	case s.all("C", "M", "Y"):
		names := []string{"C", "M", "Y"}
		space := "CMY"
		if s.all("K") {
			names, space = append(names, "K"), "CMYK"
		}
		for i, c := range names {
			*spaces, _ = addChannel(*spaces, space, c, i, s.at[c])
		}
	}
	if s.all("L", "C", "H") && !s.all("M") && lab[1] == 0 && *chroma == 0 && *hue == 0 {
		*chroma, *hue = s.at["C"]+1, s.at["H"]+1
	}
	return nil
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
		{"SPECTRAL_NM", unstated}, {"SPECTRAL_DEC", factor}, {"SPECTRAL_PCT", percent}, {"SPECTRAL", unstated}, {"SPEC", unstated},
		{"NM", unstated}, {"REFLECTANCE", unstated}, {"REFL", unstated}, {"R%", percent}, {"R", unstated},
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
