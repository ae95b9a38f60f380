package measurement

import (
	"fmt"
	"regexp"
	"strings"
)

// How headers state illuminant, observer, measuring condition and filter: by
// the keywords of ISO 28178, by names of habit, and in free text.

// pairs reads "ILLUMINANT, D50; OBSERVER, 2 degree" of ISO 28178 and
// "Illumination=D50 ObserverAngle=2" of habit. It tells which of the two facts
// it found, and gives the text that was neither.
func (f *File) pairs(value string) (illuminant, observer bool, rest string) {
	pieces, mark := strings.Split(value, ";"), ","
	if strings.Contains(value, "=") {
		pieces, mark = strings.FieldsFunc(value, func(r rune) bool { return r == ' ' || r == '\t' || r == ';' || r == ',' }), "="
	}
	for _, piece := range pieces {
		n, v, _ := strings.Cut(piece, mark)
		v = strings.TrimSpace(v)
		switch strings.ToUpper(strings.TrimSpace(n)) {
		case "ILLUMINANT", "ILLUMINATION":
			f.illuminant(v)
			f.observer(degreesIn(v))
			illuminant = true
		case "OBSERVER", "OBSERVERANGLE":
			f.observer(v)
			observer = true
		case "FILTER":
			set(&f.Condition.Filter, filter(v))
		case "MEASUREMENTCONDITION", "MODE":
			if m := modeOf(v); m != "" {
				f.mode(m)
			}
		case "WHITEBASE", "WHITE_BASE":
			f.whiteBase(v)
		default:
			rest += piece + " "
		}
	}
	return illuminant, observer, rest
}

// habit reads keywords that no standard knows but whose names say what they
// hold: OBSERVER_ANGLE, ILLUMINATION_NAME, WHITE_POINT. Only what is plainly
// an illuminant or observer is taken from them.
func (f *File) habit(name, value string) {
	switch {
	case strings.Contains(name, "OBSERVER"):
		f.observer(degreesIn("observer " + value))
	case strings.Contains(name, "FILTER"):
		if v := filter(value); v == "polarising" || v == "uv-cut" {
			set(&f.Condition.Filter, v)
		}
	case len(value) < 20 && wholeMode.MatchString(value) && measured.MatchString(name):
		f.mode(modeOf(value))
	case strings.Contains(name, "WHITE_BASE"), strings.Contains(name, "WHITEBASE"):
		f.whiteBase(value)
	case strings.Contains(name, "ILLUMIN"), strings.Contains(name, "WHITE_POINT"), strings.Contains(name, "WHITEPOINT"), strings.Contains(name, "REFERENCE_WHITE"):
		f.loose(value, true, true)
	}
}

var (
	measured  = regexp.MustCompile(`MEAS|CONDITION|13655|SPECTRO`)
	wholeMode = regexp.MustCompile(`(?i)^(?:ISO ?13655[ :-]*)?M[0-3]$`)
)

// statement is the name and value of a comment that states a condition, such
// as "Illuminant: D65" or "observer 10 degree"; comments are free text
// otherwise, and say nothing.
var statement = regexp.MustCompile(`(?i)^\W*(illuminant|observer|white[ _]?point|white[ _]?base|measurement[ _](?:source|condition|mode)|filter)\b[ \t:=,]*(.*)$`)

// Remark takes a comment of a header: what it states counts as the keyword
// would.
func (f *File) Remark(text string) {
	first := strings.TrimLeft(text, "#*-/;! \t")
	if first == "" || len(text) > 200 || !strings.ContainsRune("IOWMFiowmf", rune(first[0])) {
		return
	}
	m := statement.FindStringSubmatch(text)
	if m == nil {
		return
	}
	name := strings.ReplaceAll(strings.ToUpper(m[1]), " ", "_")
	switch name {
	case "ILLUMINANT", "OBSERVER": // often both in one line
		f.loose(m[1]+" "+m[2], true, true)
	default:
		f.Fact(Keyword{Name: name, Value: m[2]})
	}
}

var (
	looseD = regexp.MustCompile(`(?i)\bD ?(50|55|60|65|75)\b`)
	// D65/10, "D50, 2": an illuminant and an observer as one piece.
	looseBoth   = regexp.MustCompile(`(?i)\bD ?(50|55|60|65|75) ?(?:[/\\,;:_-]|\band\b)? ?(2|10)(?: ?(?:deg|°|º)|\b)`)
	looseOther  = regexp.MustCompile(`(?i)\billuminant[ :=,]*(A|C|E|F ?(?:1[012]|[1-9]))\b`)
	looseDegree = regexp.MustCompile(`(?i)\b(2|10)(?:\.0+)?[ _-]*(?:deg|°|º)|\bobserver(?:[ _]?angle)?[ :=,]*(?:CIE[ _]*)?(2|10)(?:\.0+)?\b`)
	wordDegrees = regexp.MustCompile(`(?i)\b(two|ten)[ _-]?deg`)
	looseYear   = regexp.MustCompile(`\bCIE[ _-]*(1931|1964)\b|\bobserver[ :=,]*(1931|1964)\b`)
)

// degreesIn is the observer that a free text states: 2, 10, or empty.
func degreesIn(text string) string {
	lower := strings.ToLower(text)
	deg := strings.Contains(lower, "deg")
	if deg {
		if m := wordDegrees.FindStringSubmatch(text); m != nil {
			return map[byte]string{'w': "2", 'e': "10"}[m[1][1]|0x20]
		}
	}
	if !strings.ContainsAny(text, "12") {
		return ""
	}
	if mayBeDaylight(text) {
		if m := looseBoth.FindStringSubmatch(text); m != nil {
			return m[2]
		}
	}
	if deg || strings.ContainsAny(text, "°º") || strings.Contains(lower, "observer") {
		if m := looseDegree.FindStringSubmatch(text); m != nil {
			return m[1] + m[2]
		}
	}
	if strings.Contains(text, "19") {
		if m := looseYear.FindStringSubmatch(text); m != nil {
			if m[1]+m[2] == "1964" {
				return "10"
			}
			return "2"
		}
	}
	return ""
}

// mayBeDaylight is a cheap look before the expressions: each of them may cost
// more memory than a small file.
func mayBeDaylight(text string) bool {
	return strings.ContainsAny(text, "567") && strings.ContainsAny(text, "Dd")
}

// illuminantIn is the illuminant of daylight that a free text states, or
// empty; A and others may be the light of the measurement. Of several
// the one that stands beside an observer counts, else one that is not D50: a
// text that names another is no statement of D50.
func illuminantIn(text string) string {
	if !mayBeDaylight(text) {
		return ""
	}
	if m := looseBoth.FindStringSubmatch(text); m != nil {
		return "D" + m[1]
	}
	found := ""
	for _, m := range looseD.FindAllStringSubmatch(text, 20) {
		if found == "" || found == "D50" {
			found = "D" + m[1]
		}
	}
	return found
}

// loose takes illuminant and observer from free text.
func (f *File) loose(text string, illuminant, observer bool) {
	if illuminant {
		found := illuminantIn(text)
		if found == "" && strings.Contains(strings.ToLower(text), "illuminant") {
			if m := looseOther.FindStringSubmatch(text); m != nil {
				found = m[1]
			}
		}
		f.illuminant(found)
	}
	if observer {
		f.observer(degreesIn(text))
	}
}

// conflicting takes a stated fact. Where an earlier line stated another, the
// one that is not what a reading needs counts, so that no doubtful value
// passes for a sound one.
func (f *File) conflicting(field *string, what, value, needed string) {
	switch {
	case value == "", *field == value:
	case *field == "":
		*field = value
	default:
		first := *field
		if *field == needed {
			*field = value
		}
		f.Warnf("the header gives two %ss, %s and %s; the values are not taken as %s", what, first, value, needed)
		f.twoWhites = true
	}
}

var illuminantWord = regexp.MustCompile(`(?i)\b(D ?50|D ?55|D ?60|D ?65|D ?75|F ?(?:1[012]|[1-9])|A|B|C|E)\b`)

func (f *File) illuminant(value string) {
	value = words(value)
	if value == "" {
		return
	}
	m := strings.ToUpper(value)
	if m != "D50" && m != "D65" {
		m = strings.ToUpper(strings.ReplaceAll(illuminantWord.FindString(value), " ", ""))
	}
	if m == "" {
		m = strings.ToUpper(value) // kept as written, and refused where D50 is needed
	}
	f.conflicting(&f.Condition.Illuminant, "illuminant", m, "D50")
}

var degrees = regexp.MustCompile(`(?i)\b(2|10)(?:\.0+)?(?:$|[ _-]*(?:deg|°|º)|\b)`)

func (f *File) observer(value string) {
	value = words(value)
	if value == "" {
		return
	}
	v := strings.TrimSuffix(value, " degree")
	if v == "2" || v == "10" { // the usual case
		f.conflicting(&f.Condition.Observer, "observer", v, "2")
		return
	}
	switch m := degrees.FindStringSubmatch(value); {
	case m != nil:
		v = m[1]
	case degreesIn(value) != "":
		v = degreesIn(value)
	case strings.Contains(value, "1931"):
		v = "2"
	case strings.Contains(value, "1964"):
		v = "10"
	default:
		v = value
	}
	f.conflicting(&f.Condition.Observer, "observer", v, "2")
}

// mode takes a measuring condition. Two of them are settled by Settle.
func (f *File) mode(m string) {
	switch c := &f.Condition; {
	case c.Mode == "":
		c.Mode = m
	case c.Mode != m && f.otherMode == "":
		f.otherMode = m
	}
}

// settleMode decides between two measuring conditions: the one that was asked
// for, or neither.
func (f *File) settleMode(o Options) {
	c := &f.Condition
	if f.otherMode == "" {
		return
	}
	if o.Mode == c.Mode || o.Mode == f.otherMode {
		f.Warnf("the header gives two measuring conditions, %s and %s; taken as %s, as asked", c.Mode, f.otherMode, o.Mode)
		c.Mode = o.Mode
		return
	}
	f.modeFault = fmt.Sprintf("the header gives two measuring conditions, %s and %s", c.Mode, f.otherMode)
}

var modeWord = regexp.MustCompile(`(?i)\bM([0-3])(?:_[a-z]+)?\b`)

// modeOf is the measuring condition of ISO 13655 in a text. The light of M0 is
// illuminant A there, M1 is D50.
func modeOf(value string) string {
	var found [][]string
	if strings.ContainsAny(value, "Mm") && strings.ContainsAny(value, "0123") {
		found = modeWord.FindAllStringSubmatch(value, 10)
	}
	for _, m := range found {
		if m[1] != found[0][1] {
			return "" // "M0 or M1" says neither
		}
	}
	if found != nil {
		return "M" + found[0][1]
	}
	if strings.EqualFold(value, "A") || strings.EqualFold(value, "illuminant A") {
		return "M0"
	}
	return ""
}

// whiteBase takes what the values are relative to: the perfect white, which is
// what a reading needs, or the paper.
func (f *File) whiteBase(value string) {
	v := strings.ToLower(words(value))
	for _, paper := range []string{"pap", "rel", "med", "sub", "sam"} {
		if strings.HasPrefix(v, paper) {
			f.Condition.White = "paper"
		}
	}
}

// polarised tells whether a keyword for polarisation says that there was one.
func polarised(value string) bool {
	switch v := strings.ToLower(words(value)); v {
	case "", "false", "0", "unknown", "na", "n/a":
		return false
	default:
		return filter(v) != "none"
	}
}

var (
	wordNoPol = regexp.MustCompile(`(?i)\b(?:no|not|non|without)[ -]*pol|\bunpol`)
	wordPol   = regexp.MustCompile(`(?i)\bpol(?:\b|ari|filt)`)
	wordNoUV  = regexp.MustCompile(`(?i)\b(?:no|not|non|without)[ -]*uv|\buv[ _-]?in`)
	wordUV    = regexp.MustCompile(`(?i)\buv[ _-]?(?:cut|ex|filter)`)
)

// filter is a filter in the terms of a Condition: none, polarising, uv-cut, or
// as written.
func filter(value string) string {
	value = words(value)
	v := strings.ToLower(value)
	if !strings.Contains(v, "pol") && !strings.Contains(v, "uv") && v != "" && v[0] != 'n' && v != "off" {
		return value
	}
	switch {
	case v == "" || v == "no" || v == "none" || v == "off" || v == "na" || v == "n/a":
		return "none"
	case wordPol.MatchString(v) && !wordNoPol.MatchString(v):
		return "polarising"
	case strings.Contains(v, "uv") && !wordNoUV.MatchString(v):
		return "uv-cut"
	case wordNoPol.MatchString(v) || wordNoUV.MatchString(v):
		return "none"
	case strings.Contains(v, "pol"):
		return "polarising"
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
