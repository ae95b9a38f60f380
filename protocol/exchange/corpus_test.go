package exchange_test

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/protocol/exchange"
	"swathkeeper/protocol/measurement"
)

// TestFiles reads every file of testdata/files, odd and malformed ones that
// were made for this purpose. What must come of a file stands in it, in a line
// with "expect:"; testdata/files/README.md has the words.
func TestFiles(t *testing.T) {
	names, err := filepath.Glob("../../testdata/files/*.*")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, name := range names {
		if strings.HasSuffix(name, ".md") {
			continue
		}
		n++
		t.Run(filepath.Base(name), func(t *testing.T) {
			t.Parallel()
			data, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			wants := expectations(data)
			if len(wants) == 0 {
				t.Fatal("no line with expect: in the file")
			}
			for _, w := range wants {
				w.check(t, data, filepath.Base(name))
			}
		})
	}
	if n < 60 {
		t.Fatalf("%d files, at least 60 are wanted", n)
	}
}

// want is one expectation.
type want struct {
	text    string
	options measurement.Options
	words   []string // quoted ones begin with a quote
}

var expectLine = regexp.MustCompile(`expect(\[[^\]]*\])?: ([^\r\n]*)`)

func expectations(data []byte) (out []want) {
	text := bytes.ReplaceAll(data, []byte{0}, nil) // UTF-16 of ASCII
	for _, m := range expectLine.FindAllSubmatch(text, -1) {
		w := want{text: strings.TrimSpace(string(m[0]))}
		for _, o := range strings.FieldsFunc(string(m[1]), func(r rune) bool { return strings.ContainsRune("[] ", r) }) {
			switch key, v, _ := strings.Cut(o, "="); key {
			case "mode":
				w.options.Mode = v
			case "layout":
				w.options.Layout = true
			case "table":
				w.options.Table, _ = strconv.Atoi(v)
			}
		}
		rest := strings.TrimSuffix(strings.TrimSpace(string(m[2])), "-->")
		rest, _, _ = strings.Cut(rest, `"}`) // in JSON it is the note
		for rest = strings.TrimSpace(rest); rest != ""; rest = strings.TrimSpace(rest) {
			if q := rest[0]; q == '"' || q == '\'' {
				end := strings.IndexByte(rest[1:], q)
				if end < 0 {
					break // the end of a JSON text
				}
				w.words = append(w.words, `"`+rest[1:1+end])
				rest = rest[end+2:]
				continue
			}
			word, after, _ := strings.Cut(rest, " ")
			w.words, rest = append(w.words, word), after
		}
		out = append(out, w)
	}
	return out
}

func (w want) check(t *testing.T, data []byte, name string) {
	t.Helper()
	files, err := exchange.Read(data, name, w.options)
	complain := func(format string, args ...any) {
		t.Helper()
		t.Errorf("%s\n\t%s", fmt.Sprintf(format, args...), w.text)
	}
	switch w.words[0] {
	case "refuse":
		if err == nil {
			complain("taken: %d patches, warnings %q", files[0].Len(), files[0].Warnings)
			return
		}
		w.refused(complain, err, name)
	case "take":
		if err != nil {
			complain("refused: %v", err)
			return
		}
		w.taken(complain, files)
	default:
		complain("neither take nor refuse")
	}
}

func (w want) refused(complain func(string, ...any), err error, name string) {
	var e *measurement.Error
	var refusal *protocol.Refusal
	if !errors.As(err, &e) && !errors.As(err, &refusal) {
		complain("the error has no place: %v", err)
		return
	}
	text := err.Error()
	if !strings.Contains(text, name) || strings.HasSuffix(text, ".") {
		complain("the error names no file, or ends in a full stop: %q", text)
	}
	line, column := 0, 0
	for i := 1; i < len(w.words); i++ {
		switch word := w.words[i]; {
		case word[0] == '"':
			if !strings.Contains(text, word[1:]) {
				complain("error %q lacks %q", text, word[1:])
			}
		case word == "line" || word == "column":
			n, _ := strconv.Atoi(w.words[i+1])
			if i++; word == "line" {
				line = n
			} else {
				column = n
			}
		default:
			complain("unknown word %s", word)
		}
	}
	if e != nil && (e.Line != line || column != 0 && e.Column != column) {
		complain("at line %d, column %d: %v", e.Line, e.Column, err)
	}
	if e != nil && e.Problem == "" {
		complain("the error says no problem: %v", err)
	}
}

func (w want) taken(complain func(string, ...any), files []*measurement.File) {
	f := files[0]
	blocks, warnings, fault := map[string]bool{}, []string(nil), ""
	for i := 1; i < len(w.words); i++ {
		word := w.words[i]
		key, value, isKey := strings.Cut(word, "=")
		switch {
		case word == "patches" || word == "readings":
			n, _ := strconv.Atoi(w.words[i-1])
			if got := map[string]int{"patches": f.Len(), "readings": len(files)}[word]; got != n {
				complain("%d %s", got, word)
			}
		case word == "warn" || word == "fault":
			i++
			if word == "warn" {
				warnings = append(warnings, w.words[i][1:])
			} else {
				fault = w.words[i][1:]
			}
		case isKey:
			if got := fact(f, key); got != value && !near(got, value) {
				complain("%s is %q", key, got)
			}
		case word[0] >= '0' && word[0] <= '9':
		default:
			blocks[word] = true
		}
	}
	for _, b := range []struct {
		name string
		have bool
	}{{"lab", f.Lab != nil}, {"xyz", f.XYZ != nil}, {"spectra", f.Spectra != nil}, {"rgb", f.RGB != nil},
		{"names", f.Names != nil}, {"device", f.Device != nil}} {
		if b.have != blocks[b.name] {
			complain("%s: %v", b.name, b.have)
		}
		delete(blocks, b.name)
	}
	if len(blocks) > 0 {
		complain("unknown words %v", blocks)
	}
	got := slices.Clone(f.Warnings)
	for _, want := range warnings {
		at := slices.IndexFunc(got, func(s string) bool { return strings.Contains(s, want) })
		if at < 0 {
			complain("no warning %q in %q", want, f.Warnings)
			continue
		}
		got = slices.Delete(got, at, at+1)
	}
	if len(got) > 0 {
		complain("further warnings %q", got)
	}
	if (fault == "") != (f.Fault == "") || !strings.Contains(f.Fault, fault) {
		complain("fault %q", f.Fault)
	}
	if p, err := f.Patches(); f.Fault != "" && f.Spectra == nil && err == nil {
		complain("a reading was made of it: %v", p)
	}
	w.again(complain, f)
}

// again writes the file in every format and reads it back: the same values.
func (w want) again(complain func(string, ...any), f *measurement.File) {
	if f.RGB != nil || f.Len() == 0 {
		return
	}
	for _, format := range []measurement.Format{measurement.CGATS, measurement.CxF, measurement.CSV, measurement.TSV} {
		var b bytes.Buffer
		if err := exchange.Write(&b, f, format, time.Unix(0, 0)); err != nil {
			if format != measurement.CxF {
				complain("writing %s: %v", format, err)
			}
			continue
		}
		g, err := exchange.Read(b.Bytes(), "written", measurement.Options{Layout: true})
		if err != nil {
			complain("reading the written %s: %v in\n%.600s", format, err, b.String())
			continue
		}
		if what := difference(f, g[0]); what != "" {
			complain("%s changed when written as %s", what, format)
		}
	}
}

// difference names the first block in which two files differ.
func difference(f, g *measurement.File) string {
	switch {
	case !slices.Equal(f.ID, g.ID):
		return "ids"
	case !slices.Equal(f.Names, g.Names):
		return "names"
	case !slices.Equal(f.Lab, g.Lab):
		return "Lab"
	case !slices.Equal(f.XYZ, g.XYZ):
		return "XYZ"
	case !slices.EqualFunc(f.Device, g.Device, slices.Equal[[]float64]):
		return "device values"
	case (f.Spectra == nil) != (g.Spectra == nil):
		return "spectra"
	case f.Spectra != nil && (f.Spectra.StartNM != g.Spectra.StartNM || math.Abs(f.Spectra.StepNM-g.Spectra.StepNM) > 1e-9 ||
		!slices.EqualFunc(f.Spectra.Values, g.Spectra.Values, slices.Equal[[]float64])):
		return "spectra"
	}
	c, d := f.Condition, g.Condition
	if f.Lab == nil && f.XYZ == nil { // spectra have neither
		c.Illuminant, c.Observer, d.Illuminant, d.Observer = "", "", "", ""
	}
	if c.Mode != "" || g.Format == measurement.CxF { // the light of the measurement as written gives way to it
		c.Source, d.Source = "", ""
	}
	for _, x := range []*measurement.Condition{&c, &d} { // of free text the words
		for _, text := range []*string{&x.Instrument, &x.Serial, &x.Source, &x.Geometry, &x.Backing} {
			*text = strings.Join(strings.Fields(*text), " ")
		}
	}
	if c != d {
		return fmt.Sprintf("condition %+v, then %+v,", c, d)
	}
	if f.Created != nil && (g.Created == nil || !f.Created.Equal(*g.Created)) {
		return "date"
	}
	return ""
}

// fact is one fact of a file as text.
func fact(f *measurement.File, key string) string {
	name, index, _ := strings.Cut(strings.TrimSuffix(key, "]"), "[")
	i, _ := strconv.Atoi(index)
	if index != "" && i >= f.Len() {
		return "none"
	}
	list := func(v []float64) string {
		out := make([]string, len(v))
		for i, x := range v {
			out[i] = strconv.FormatFloat(x, 'g', 6, 64)
		}
		return strings.Join(out, ",")
	}
	switch name {
	case "illuminant":
		return f.Condition.Illuminant
	case "observer":
		return f.Condition.Observer
	case "mode":
		return f.Condition.Mode
	case "white":
		return f.Condition.White
	case "filter":
		return f.Condition.Filter
	case "backing":
		return f.Condition.Backing
	case "geometry":
		return f.Condition.Geometry
	case "originator":
		return f.Originator
	case "encoding":
		return f.Encoding
	case "format":
		return string(f.Format)
	case "created":
		if f.Created == nil {
			return ""
		}
		return f.Created.Format(time.DateOnly)
	case "channels":
		return f.DeviceSpace()
	case "ignored":
		return strings.Join(f.Ignored, ",")
	case "id":
		return f.ID[i]
	case "name":
		return strings.ReplaceAll(strings.ReplaceAll(f.Names[i], " ", "_"), "\t", "~")
	case "lab":
		return list(f.Lab[i][:])
	case "xyz":
		return list(f.XYZ[i][:])
	case "device":
		return list(f.Device[i])
	case "spectrum":
		return list(f.Spectra.Values[i])
	case "first":
		return list(f.Spectra.Values[i][:1])
	case "grid":
		return fmt.Sprintf("%g/%g/%d", f.Spectra.StartNM, f.Spectra.StepNM, len(f.Spectra.Values[0]))
	}
	return "?"
}

// near compares lists of numbers, to 1e-5 of each.
func near(a, b string) bool {
	x, y := strings.Split(a, ","), strings.Split(b, ",")
	if len(x) != len(y) {
		return false
	}
	for i := range x {
		u, err1 := strconv.ParseFloat(x[i], 64)
		v, err2 := strconv.ParseFloat(y[i], 64)
		if err1 != nil || err2 != nil || math.Abs(u-v) > 1e-5*(1+math.Abs(v)) {
			return false
		}
	}
	return true
}
