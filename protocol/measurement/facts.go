package measurement

import (
	"fmt"
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
		f.observer(degreesIn(value))
	case "OBSERVER":
		f.observer(value)
	case "FILTER":
		set(&c.Filter, filter(value))
	case "POLARIZATION", "POLARISATION":
		if polarised(value) {
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
		ill, obs, rest := f.pairs(value)
		f.loose(rest, !ill, !obs)
	default:
		f.habit(name, value)
	}
}

// set fills a field that is still empty: the first statement counts.
func set(field *string, value string) {
	if *field == "" {
		*field = strings.TrimSpace(value)
	}
}

var (
	wordBack    = regexp.MustCompile(`(?i)\b(white|black) (?:sample )?backing\b`)
	wordGeometr = regexp.MustCompile(`\b(45/0|0/45|d/8)\b`)
)

// mayState tells by the name of a header line whether its free text may state
// a condition. (A header may have a thousand lines; a regular expression for
// each would cost more memory than the file.)
func mayState(name string) bool {
	name = strings.ToUpper(name)
	for _, part := range []string{"DESCRI", "LIGHT", "CONDITION", "COLORIM", "MEASUR", "DEVICE", "SETTING", "PARAM", "SPECTRO", "COMMENT", "REMARK", "NOTE", "TABLE_NAME"} {
		if strings.Contains(name, part) {
			return true
		}
	}
	return false
}

// Settle draws from the free text of the header what no keyword said, and
// reads the date. It is called once, after the last header line.
func (f *File) Settle(o Options) {
	c := &f.Condition
	f.settleMode(o)
	for _, text := range []string{c.Instrument, c.Source} {
		text = strings.Join(strings.Fields(text), " ")
		set(&c.Illuminant, illuminantIn(text))
		set(&c.Observer, degreesIn(text))
		lower := strings.ToLower(text)
		if strings.Contains(lower, "backing") {
			if m := wordBack.FindStringSubmatch(text); m != nil {
				set(&c.Backing, strings.ToLower(m[1]))
			}
		}
		switch {
		case !strings.Contains(lower, "pol") && !strings.Contains(lower, "uv"):
		case wordPol.MatchString(text) && !wordNoPol.MatchString(text):
			set(&c.Filter, "polarising")
		case wordUV.MatchString(text) && !wordNoUV.MatchString(text):
			set(&c.Filter, "uv-cut")
		case wordNoPol.MatchString(text) || wordNoUV.MatchString(text):
			set(&c.Filter, "none")
		}
		if strings.Contains(text, "/") {
			set(&c.Geometry, wordGeometr.FindString(text))
		}
		if m := modeOf(text); m != "" && c.Mode == "" && strings.ContainsAny(text, "0123") {
			c.Mode = m
			if text == strings.Join(strings.Fields(c.Instrument), " ") {
				f.Warnf("measuring condition %s by the words on the instrument, %s", c.Mode, Quote(text))
			}
		}
	}
	f.settleWhite()
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

// settleWhite looks in the free text of the header, as the last resort, for
// another illuminant or observer than the usual ones: values for D65 or
// 10 degrees that pass for D50 and 2 degrees are wrong by more than most
// drifts.
func (f *File) settleWhite() {
	c := &f.Condition
	if c.Illuminant != "" && c.Observer != "" {
		return
	}
	for _, k := range f.Header {
		if !mayState(k.Name) {
			continue
		}
		ill, obs := "", ""
		text := strings.Join(strings.Fields(OneLine(k.Value)), " ") // as it comes back when written
		if c.Illuminant == "" {
			ill = illuminantIn(text)
		}
		if c.Observer == "" {
			obs = degreesIn(text)
		}
		if ill == "" && obs == "" {
			continue
		}
		set(&c.Illuminant, ill)
		set(&c.Observer, obs)
		what := "illuminant and observer"
		switch {
		case obs == "":
			what = "illuminant"
		case ill == "":
			what = "observer"
		}
		by := "by the free text " + Quote(k.Value)
		if k.Line > 0 {
			by = fmt.Sprintf("by the free text in line %d, %s", k.Line, Quote(k.Value))
		}
		f.Warnf("%s %s", what, by)
		if f.whiteBy == "" && (ill != "" && ill != "D50" || obs != "" && obs != "2") {
			f.whiteBy = " " + by + "; where that means something else, state ILLUMINANT and OBSERVER"
		}
	}
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
