package measurement

import (
	"regexp"
	"strings"
	"time"
)

// Fact takes one header line, or (with line 0) a fact of a format that has no
// header lines: the line is kept as written, and what it says of the
// condition, the date and the origin is taken out.
func (f *File) Fact(k Keyword) {
	if k.Line > 0 {
		f.Header = append(f.Header, k)
	}
	name, value := strings.ToUpper(k.Name), strings.TrimSpace(OneLine(k.Value))
	c := &f.Condition
	switch name {
	case "ORIGINATOR":
		set(&f.Originator, value)
	case "DESCRIPTOR", "FILE_DESCRIPTOR":
		set(&f.Descriptor, value)
	case "CREATED":
		set(&f.CreatedText, value)
	case "INSTRUMENTATION":
		set(&c.Instrument, value)
	case "SERIAL", "INSTRUMENT_SERIAL":
		set(&c.Serial, value)
	case "MEASUREMENT_GEOMETRY":
		set(&c.Geometry, value)
	case "SAMPLE_BACKING":
		set(&c.Backing, backing(value))
	case "ILLUMINANT":
		f.illuminant(value)
	case "OBSERVER":
		f.observer(value)
	case "FILTER":
		set(&c.Filter, filter(value))
	case "POLARIZATION", "POLARISATION":
		if affirmed(value) {
			set(&c.Filter, "polarising")
		}
	case "MEASUREMENT_SOURCE":
		set(&c.Source, value)
		f.pairs(value)
		if m := modeOf(value); m != "" {
			f.mode(m)
		}
	case "MEASUREMENT_CONDITION", "MEASUREMENT_MODE":
		if m := modeOf(value); m != "" {
			f.mode(m)
		}
	case "WEIGHTING_FUNCTION", "COMPUTATIONAL_PARAMETER":
		f.pairs(value)
	}
}

// set fills a field that is still empty: the first statement counts.
func set(field *string, value string) {
	if *field == "" {
		*field = strings.TrimSpace(value)
	}
}

// pairs reads "ILLUMINANT, D50; OBSERVER, 2 degree" of ISO 28178 and
// "Illumination=D50 ObserverAngle=2" of habit.
func (f *File) pairs(value string) {
	var names, values []string
	if strings.Contains(value, "=") {
		for _, word := range strings.FieldsFunc(value, func(r rune) bool { return r == ' ' || r == '\t' || r == ';' || r == ',' }) {
			if n, v, ok := strings.Cut(word, "="); ok {
				names, values = append(names, n), append(values, v)
			}
		}
	} else {
		for _, pair := range strings.Split(value, ";") {
			if n, v, ok := strings.Cut(pair, ","); ok {
				names, values = append(names, n), append(values, v)
			}
		}
	}
	for i, n := range names {
		v := strings.TrimSpace(values[i])
		switch strings.ToUpper(strings.TrimSpace(n)) {
		case "ILLUMINANT", "ILLUMINATION":
			f.illuminant(v)
		case "OBSERVER", "OBSERVERANGLE":
			f.observer(v)
		case "FILTER":
			set(&f.Condition.Filter, filter(v))
		case "MEASUREMENTCONDITION", "MODE":
			if m := modeOf(v); m != "" {
				f.mode(m)
			}
		}
	}
}

// conflicting takes a stated fact, and says so when an earlier line stated
// another.
func (f *File) conflicting(field *string, what, value string) {
	switch {
	case value == "":
	case *field == "":
		*field = value
	case *field != value:
		f.Warnf("the header gives two %ss, %s and %s; the first counts", what, *field, value)
	}
}

var illuminantWord = regexp.MustCompile(`(?i)\b(D ?50|D ?55|D ?60|D ?65|D ?75|F ?(?:1[012]|[1-9])|A|B|C|E)\b`)

func (f *File) illuminant(value string) {
	value = words(value)
	if value == "" {
		return
	}
	m := strings.ToUpper(strings.ReplaceAll(illuminantWord.FindString(value), " ", ""))
	if m == "" {
		m = strings.ToUpper(value) // kept as written, and refused where D50 is needed
	}
	f.conflicting(&f.Condition.Illuminant, "illuminant", m)
}

var degrees = regexp.MustCompile(`(?i)\b(2|10)(?:\.0+)?(?:$|[ _-]*(?:deg|°)|\b)`)

func (f *File) observer(value string) {
	value = words(value)
	if value == "" {
		return
	}
	v := ""
	switch m := degrees.FindStringSubmatch(value); {
	case m != nil:
		v = m[1]
	case strings.Contains(value, "1931"):
		v = "2"
	case strings.Contains(value, "1964"):
		v = "10"
	default:
		v = value
	}
	f.conflicting(&f.Condition.Observer, "observer", v)
}

func (f *File) mode(m string) { f.conflicting(&f.Condition.Mode, "measuring condition", m) }

var modeWord = regexp.MustCompile(`(?i)\bM([0-3])(?:_[a-z]+)?\b`)

// modeOf is the measuring condition of ISO 13655 in a text. The light of M0 is
// illuminant A there, M1 is D50.
func modeOf(value string) string {
	if m := modeWord.FindStringSubmatch(value); m != nil {
		return "M" + m[1]
	}
	if strings.EqualFold(value, "A") || strings.EqualFold(value, "illuminant A") {
		return "M0"
	}
	return ""
}

func affirmed(value string) bool {
	switch strings.ToLower(strings.TrimSpace(value)) {
	case "yes", "on", "true", "1":
		return true
	}
	return false
}

func filter(value string) string {
	value = words(value)
	v := strings.ToLower(value)
	switch {
	case v == "" || v == "no" || v == "none" || v == "off" || v == "na" || v == "n/a":
		return "none"
	case strings.Contains(v, "pol"):
		return "polarising"
	case strings.Contains(v, "uv"):
		return "uv-cut"
	}
	return value
}

// words is free text that stands for a fact: short, on one line, and without
// the marks that have a meaning in a header.
func words(value string) string {
	value = strings.Map(func(r rune) rune {
		if r < ' ' || strings.ContainsRune("\"',;=#", r) {
			return ' '
		}
		return r
	}, value)
	value = strings.Join(strings.Fields(value), " ")
	if r := []rune(value); len(r) > 40 {
		value = strings.TrimSpace(string(r[:40]))
	}
	return value
}

func backing(value string) string {
	value = words(value)
	switch v := strings.ToLower(value); v {
	case "white", "black", "self":
		return v
	case "na", "n/a", "":
		return ""
	}
	return value
}

var (
	wordD       = regexp.MustCompile(`(?i)\b(D50|D65)\b`)
	wordDegree  = regexp.MustCompile(`(?i)\b(2|10)[ _-]*(?:deg|°)`)
	wordBack    = regexp.MustCompile(`(?i)\b(white|black) (?:sample )?backing\b`)
	wordNoPol   = regexp.MustCompile(`(?i)\b(?:no|without) pol`)
	wordPol     = regexp.MustCompile(`(?i)\bpolari[sz]`)
	wordUV      = regexp.MustCompile(`(?i)\buv[ -]?(?:cut|excl|filter)`)
	wordGeometr = regexp.MustCompile(`\b(45/0|0/45|d/8)\b`)
)

// Settle draws from the free text of the header what no keyword said, and
// reads the date. It is called once, after the last header line.
func (f *File) Settle(o Options) {
	c := &f.Condition
	for _, text := range []string{c.Instrument, c.Source} {
		if m := wordD.FindString(text); m != "" {
			set(&c.Illuminant, strings.ToUpper(m))
		}
		if m := wordDegree.FindStringSubmatch(text); m != nil {
			set(&c.Observer, m[1])
		}
		if m := wordBack.FindStringSubmatch(text); m != nil {
			set(&c.Backing, strings.ToLower(m[1]))
		}
		switch {
		case wordNoPol.MatchString(text):
			set(&c.Filter, "none")
		case wordPol.MatchString(text):
			set(&c.Filter, "polarising")
		case wordUV.MatchString(text):
			set(&c.Filter, "uv-cut")
		}
		if m := wordGeometr.FindString(text); m != "" {
			set(&c.Geometry, m)
		}
		if m := modeWord.FindStringSubmatch(text); m != nil {
			set(&c.Mode, "M"+m[1])
		}
	}
	// ISO 13655: M2 leaves the ultraviolet out, M3 adds the polarisers.
	switch {
	case c.Mode != "":
	case c.Filter == "polarising":
		c.Mode = "M3"
	case c.Filter == "uv-cut":
		c.Mode = "M2"
	}
	switch {
	case c.Filter == "polarising" && c.Mode != "M3":
		f.Warnf("a polarising filter, but measuring condition %s", c.Mode)
	case c.Filter == "uv-cut" && c.Mode != "M2":
		f.Warnf("a filter against ultraviolet, but measuring condition %s", c.Mode)
	}
	if f.CreatedText == "" {
		return
	}
	if t, ok := parseDate(f.CreatedText, o.Location); ok {
		f.Created = &t
		return
	}
	f.Warnf("no day can be told from the date %s", Quote(f.CreatedText))
}

// dates as such files write them. Two readings of one date are refused: see
// parseDate.
var dates = []string{
	time.RFC3339Nano, "2006-01-02T15:04:05", "2006-01-02 15:04:05Z07:00", "2006-01-02 15:04:05", "2006-01-02T15:04",
	"2006-01-02 15:04", "2006-01-02", "2006/01/02 15:04:05", "2006/1/2", "2006:01:02 15:04:05", "2006:01:02",
	"2.1.2006 15:04:05", "2.1.2006 15:04", "2.1.2006",
	"January 2, 2006 15:04:05", "January 2, 2006", "Jan 2, 2006", "2 January 2006", "2 Jan 2006", "02-Jan-2006",
	time.ANSIC, time.UnixDate, time.RFC1123Z, time.RFC1123,
}

// slashed are months first and days first; only one of them may fit.
var slashed = [][2]string{
	{"1/2/2006 15:04:05", "2/1/2006 15:04:05"}, {"1/2/2006 3:04:05 PM", "2/1/2006 3:04:05 PM"},
	{"1/2/2006 15:04", "2/1/2006 15:04"}, {"1/2/2006", "2/1/2006"},
}

func parseDate(s string, loc *time.Location) (time.Time, bool) {
	if loc == nil {
		loc = time.UTC
	}
	if len(s) > 60 {
		return time.Time{}, false
	}
	for _, layout := range dates {
		if t, err := time.ParseInLocation(layout, s, loc); err == nil {
			return t, plausible(t)
		}
	}
	for _, pair := range slashed {
		a, errA := time.ParseInLocation(pair[0], s, loc)
		b, errB := time.ParseInLocation(pair[1], s, loc)
		switch {
		case errA == nil && errB == nil && !a.Equal(b):
			return time.Time{}, false // 3/4/2026: March or April?
		case errA == nil:
			return a, plausible(a)
		case errB == nil:
			return b, plausible(b)
		}
	}
	return time.Time{}, false
}

func plausible(t time.Time) bool { return t.Year() >= 1980 && t.Year() <= 9999 }

// ObserverText is an observer as a header writes it.
func ObserverText(observer string) string {
	if observer == "2" || observer == "10" {
		return observer + " degree"
	}
	return observer
}

// OneLine makes text fit between double quotes on one line of a header.
func OneLine(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '"':
			return '\''
		case r < ' ':
			return ' '
		}
		return r
	}, s)
}
