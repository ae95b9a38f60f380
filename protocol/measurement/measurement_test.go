package measurement

import (
	"bufio"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"swathkeeper/protocol"
)

// TestNumbersLikeStrconv: a number with a decimal point reads as strconv reads it, to the last bit.
func TestNumbersLikeStrconv(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.OneOf(
			rapid.StringMatching(`[+-]?[0-9]{1,20}(\.[0-9]{0,25})?([eE][+-]?[0-9]{1,2})?`),
			rapid.Map(rapid.Float64Range(-1e6, 1e6), func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }),
			rapid.Map(rapid.Float64(), func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }),
		).Draw(t, "text")
		want, err := strconv.ParseFloat(text, 64)
		if err != nil || math.IsInf(want, 0) || math.IsNaN(want) {
			t.Skip("no finite number")
		}
		got, missing, ok := Number([]byte(text))
		if !ok || missing || got != want {
			t.Fatalf("%q is %v (%v, %v), strconv says %v", text, got, missing, ok, want)
		}
		if comma := strings.Replace(text, ".", ",", 1); comma != text {
			v, kind := parseNumber([]byte(comma))
			if kind != isComma || v != want {
				t.Fatalf("%q is %v (%v)", comma, v, kind)
			}
		}
	})
}

func TestNotNumbers(t *testing.T) {
	for _, text := range []string{"abc", "1.2.3", "1,2,3", "1,234.5", "0x10", "1_000", "1e", "e5", ".", ",", "+", "--1", "inf", "-Infinity", "1e999", "١٢", "1 2", "1e5,2,3"} {
		if v, missing, ok := Number([]byte(text)); ok && !missing {
			t.Errorf("%q was read as %v", text, v)
		}
	}
	for _, text := range []string{"", "-", "--", "nan", "NaN", "n/a", "NULL", "-1.#IND"} {
		if _, missing, ok := Number([]byte(text)); !missing || !ok {
			t.Errorf("%q is not taken as missing", text)
		}
	}
}

// TestLinesLikeScanner: with LF and CR LF, lines are those of bufio; a lone CR ends a line too.
func TestLinesLikeScanner(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := strings.Join(rapid.SliceOf(rapid.SampledFrom([]string{"a", "bc", " ", "\n", "\r\n", "\r", "#"})).Draw(t, "parts"), "")
		// What bufio makes of it once every lone CR is an LF.
		plain := strings.ReplaceAll(strings.ReplaceAll(text, "\r\n", "\n"), "\r", "\n")
		s := bufio.NewScanner(strings.NewReader(plain))
		l := NewLines([]byte(text))
		for n := 1; ; n++ {
			got, ok := l.Next()
			if want := s.Scan(); ok != want {
				t.Fatalf("line %d of %q: %v, bufio %v", n, text, ok, want)
			}
			if !ok {
				return
			}
			if string(got) != s.Text() || l.Line() != n {
				t.Fatalf("line %d of %q is %q, bufio %q", l.Line(), text, got, s.Text())
			}
		}
	})
}

func TestDates(t *testing.T) {
	berlin := time.FixedZone("", 3600)
	for text, want := range map[string]string{
		"2026-03-04": "2026-03-04T00:00:00+01:00", "2026-03-04 07:12:09": "2026-03-04T07:12:09+01:00",
		"2026-03-04T07:12:09Z": "2026-03-04T07:12:09Z", "2013/10/29": "2013-10-29T00:00:00+01:00",
		"30.06.2004": "2004-06-30T00:00:00+01:00", "8/28/2006": "2006-08-28T00:00:00+01:00", "28/8/2006": "2006-08-28T00:00:00+01:00",
		"4/4/2026": "2026-04-04T00:00:00+01:00", "March 4, 2026": "2026-03-04T00:00:00+01:00", "4 Mar 2026": "2026-03-04T00:00:00+01:00",
		"12/31/2025 11:04:05 PM": "2025-12-31T23:04:05+01:00", "Wed Mar  4 07:12:09 2026": "2026-03-04T07:12:09+01:00",
	} {
		got, ok := parseDate(text, berlin)
		if !ok || got.Format(time.RFC3339) != want {
			t.Errorf("%s is %s (%v), want %s", text, got.Format(time.RFC3339), ok, want)
		}
	}
	for _, text := range []string{"3/4/2026", "December 2006", "yesterday", "", "2026-13-01", "0001-01-01", strings.Repeat("9", 1000)} {
		if got, ok := parseDate(text, berlin); ok {
			t.Errorf("%q was read as %v", text, got)
		}
	}
}

// TestLab checks the local arithmetic against worked examples of XYZ and Lab, whose sources stand
// in testdata/reference/SOURCES.md.
func TestLab(t *testing.T) {
	f, err := os.Open("../../testdata/reference/xyz-lab-lch.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	n := 0
	var header []string
	for s := bufio.NewScanner(f); s.Scan(); {
		if strings.HasPrefix(s.Text(), "#") || s.Text() == "" {
			continue
		}
		cells := strings.Split(s.Text(), ",")
		if header == nil {
			header = cells
			continue
		}
		v := map[string]float64{}
		for i, h := range header {
			if i < len(cells) {
				v[h], _ = strconv.ParseFloat(cells[i], 64)
			}
		}
		var xyz, white, want [3]float64
		for i, k := range []string{"X", "Y", "Z"} {
			xyz[i], white[i] = v[k], v[k+"n"]
			want[i] = v[[]string{"L", "a", "b"}[i]]
		}
		if white[1] == 0 {
			continue
		}
		if got := lab(xyz, white); distance(got, want) > 0.001 {
			t.Errorf("%v under %v is %v, want %v", xyz, white, got, want)
		}
		n++
	}
	if n == 0 {
		t.Errorf("no example in a file with the fields %q", header)
	}
}

// TestWhites checks the white points against ASTM E308's, as testdata/reference/whitepoints.json
// quotes them.
func TestWhites(t *testing.T) {
	data, err := os.ReadFile("../../testdata/reference/whitepoints.json")
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Published []struct {
			White, Observer, Source string
			X, Y, Z                 float64
		}
	}
	if err := json.Unmarshal(data, &doc); err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, p := range doc.Published {
		if !strings.Contains(p.Source, "E308") {
			continue
		}
		n++
		if got, want := whites[p.White+"/"+p.Observer], [3]float64{p.X, p.Y, p.Z}; got != want {
			t.Errorf("%s/%s is %v, want %v", p.White, p.Observer, got, want)
		}
	}
	if n != len(whites)-1 { // all but D50 at 10 degrees
		t.Errorf("%d of %d whites checked", n, len(whites))
	}
}

// TestWrongStart: spectra whose file states the wrong first wavelength fit Lab at another; then Lab
// counts. The arithmetic stands in for real weights, which this package does not have.
func TestWrongStart(t *testing.T) {
	integrate := func(start, step float64, rows [][]float64) ([][3]float64, error) {
		out := make([][3]float64, len(rows))
		for i, row := range rows {
			var sum, weight float64
			for k, v := range row {
				w := math.Exp(-math.Pow((start+step*float64(k)-555)/40, 2))
				sum, weight = sum+w*v, weight+w
			}
			y := 100 * sum / weight
			out[i] = [3]float64{0.96422 * y, y, 0.82521 * y}
		}
		return out, nil
	}
	f := &File{Name: "x", ID: []string{"1", "2", "3"}}
	rows := make([][]float64, 3)
	for i := range rows {
		for k := range 36 {
			rows[i] = append(rows[i], 0.5+0.4*math.Sin(float64(k*(i+2))/9))
		}
	}
	right, err := integrate(400, 10, rows)
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range right {
		f.Lab = append(f.Lab, lab(v, whites["D50/2"]))
	}
	f.Spectra = spectraOf(380, 10, rows)
	f.Condition = Condition{Illuminant: "D50", Observer: "2"}
	if err := f.Check("factor", Options{SpectraXYZ: integrate}); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(f.SpectraFault, "only if they start at 400 nm, but the file says 380") || len(f.Warnings) != 1 {
		t.Errorf("fault %q, warnings %q", f.SpectraFault, f.Warnings)
	}
	if p, err := f.Patches(); err != nil || p.Lab == nil || p.Spectra != nil {
		t.Errorf("a reading takes %+v, %v", p, err)
	}
	f.Spectra.StartNM, f.SpectraFault, f.Warnings = 400, "", nil
	if err := f.Check("factor", Options{SpectraXYZ: integrate}); err != nil || f.SpectraFault != "" || len(f.Warnings) != 0 {
		t.Errorf("right start: %v, %q, %q", err, f.SpectraFault, f.Warnings)
	}
}

func spectraOf(start, step float64, rows [][]float64) *protocol.Spectra {
	return &protocol.Spectra{StartNM: start, StepNM: step, Values: rows}
}

// TestFactsComeBack: what is taken from a header, written as a header writes it, is taken the same.
func TestFactsComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := strings.Join(rapid.SliceOfN(rapid.OneOf(
			rapid.SampledFrom([]string{"D50", "D", "5", "0", "65", "A", "F1", "2", "10", "deg", "ree", "no", "ne", "uv", "pol", "white", "na", " ", "'", "\"", ",", ";", "=", "#", ".", "\t", "ä", "1931"}),
			rapid.StringN(0, 3, 6)), 0, 30).Draw(t, "parts"), "")
		take := func(illuminant, observer, filter, backing string) Condition {
			f := &File{}
			f.Fact(Keyword{Name: "ILLUMINANT", Value: illuminant})
			f.Fact(Keyword{Name: "OBSERVER", Value: observer})
			f.Fact(Keyword{Name: "FILTER", Value: filter})
			f.Fact(Keyword{Name: "SAMPLE_BACKING", Value: backing})
			return f.Condition
		}
		first := take(text, text, text, text)
		second := take(first.Illuminant, ObserverText(first.Observer), first.Filter, first.Backing)
		if first != second {
			t.Fatalf("%q: %+v, then %+v", text, first, second)
		}
	})
}
