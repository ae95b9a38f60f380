package protocol_test

import (
	"encoding/base64"
	"encoding/json"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"math"
	"os"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"swathkeeper/protocol"
)

// change decodes an example, edits it, and gives what validation says.
func changed(t *testing.T, edit func(r *protocol.Reading)) error {
	t.Helper()
	r, err := protocol.DecodeReading(read(t, messages+"/reading.json"))
	if err != nil {
		t.Fatal(err)
	}
	edit(r)
	return r.Validate()
}

func filled(n int) *protocol.Patches {
	p := &protocol.Patches{}
	for i := range n {
		p.ID, p.Lab = append(p.ID, "P"+strconv.Itoa(i)), append(p.Lab, [3]float64{50, 0, 0})
	}
	return p
}

// Both sides of every limit that is too large for a file in testdata.
func TestLimits(t *testing.T) {
	density := func(n int) protocol.Numbers { return make(protocol.Numbers, n) }
	for _, c := range []struct {
		name        string
		edit        func(r *protocol.Reading)
		code, field string
	}{
		{"5000 patches", func(r *protocol.Reading) { r.Patches = filled(protocol.MaxPatches) }, "", ""},
		{"5001 patches", func(r *protocol.Reading) { r.Patches = filled(protocol.MaxPatches + 1) }, protocol.CodeOutOfRange, "patches.id"},
		{"100,000 samples", func(r *protocol.Reading) { r.Traces[0].Values = density(protocol.MaxSamples) }, "", ""},
		{"100,001 samples", func(r *protocol.Reading) { r.Traces[0].Values = density(protocol.MaxSamples + 1) }, protocol.CodeOutOfRange, "traces[0].values"},
		{"100,000 samples as f32", func(r *protocol.Reading) {
			r.Traces[0].Values, r.Traces[0].F32 = nil, protocol.PackF32(density(protocol.MaxSamples))
		}, "", ""},
		{"100,001 samples as f32", func(r *protocol.Reading) {
			r.Traces[0].Values, r.Traces[0].F32 = nil, protocol.PackF32(density(protocol.MaxSamples+1))
		}, protocol.CodeOutOfRange, "traces[0].f32"},
		{"a million samples as f32", func(r *protocol.Reading) {
			r.Traces[0].Values, r.Traces[0].F32 = nil, protocol.PackF32(density(1_000_000))
		}, protocol.CodeOutOfRange, "traces[0].f32"},
		{"note of 500 characters", func(r *protocol.Reading) { r.Note = strings.Repeat("ä", 500) }, "", ""},
		{"name of 200 bytes", func(r *protocol.Reading) { r.Patches.ID[0] = strings.Repeat("x", 200) }, "", ""},
		{"name not UTF-8", func(r *protocol.Reading) { r.Patches.ID[0] = "\xff" }, protocol.CodeBadValue, "patches.id[0]"},
		{"C1 control in a name", func(r *protocol.Reading) { r.Patches.ID[0] = "a\u009b2J" }, protocol.CodeBadValue, "patches.id[0]"},
		{"NaN made in a program", func(r *protocol.Reading) { r.Patches.Lab[2][1] = math.NaN() }, protocol.CodeOutOfRange, "patches.lab[2]"},
		{"infinite sample made in a program", func(r *protocol.Reading) { r.Traces[0].Values[3] = math.Inf(1) }, protocol.CodeOutOfRange, "traces[0].values[3]"},
		{"NaN start made in a program", func(r *protocol.Reading) { r.Traces[0].StartMM = math.NaN() }, protocol.CodeOutOfRange, "traces[0].start_mm"},
		{"year 9999", func(r *protocol.Reading) { r.TakenAt = time.Date(9999, 12, 31, 23, 0, 0, 0, time.UTC) }, protocol.CodeOutOfRange, "taken_at"},
	} {
		t.Run(c.name, func(t *testing.T) { refusedAs(t, changed(t, c.edit), c.code, c.field) })
	}
}

func TestSizeOfAMessage(t *testing.T) {
	if err := protocol.CheckSize(protocol.MaxMessage); err != nil {
		t.Errorf("exactly at the limit: %v", err)
	}
	refusedAs(t, protocol.CheckSize(protocol.MaxMessage+1), protocol.CodeTooLarge, "")

	data := read(t, messages+"/reading.json")
	padded := func(n int) []byte { return append(data[:len(data):len(data)], strings.Repeat(" ", n-len(data))...) }
	if _, err := protocol.DecodeReading(padded(protocol.MaxMessage)); err != nil {
		t.Errorf("exactly at the limit: %v", err)
	}
	_, err := protocol.DecodeReading(padded(protocol.MaxMessage + 1))
	refusedAs(t, err, protocol.CodeTooLarge, "")

	r, err := protocol.DecodeReading(data)
	if err != nil {
		t.Fatal(err)
	}
	r.Traces[0].Values = make(protocol.Numbers, 500_000)
	b, err := protocol.Encode(r)
	refusedAs(t, err, protocol.CodeTooLarge, "")
	if b != nil {
		t.Error("bytes beside an error")
	}
}

// Messages made to be expensive are refused without much memory: the bound is far below what would
// hurt a worker that may use 512 MB.
func TestHostileSizes(t *testing.T) {
	head := `{"schema":"swathkeeper.reading/1","id":"0198c5a4-7b1e-7c3a-9f0e-2a6d1c4b8e11","taken_at":"2026-03-04T07:12:09+01:00","site":"quay","printer":"heron","chart":"c","condition":{"media":"m","preset":"p","stage":"pressed"},"instrument":{"kind":"scanner"},`
	fill := func(open, item, last string) []byte {
		n := (protocol.MaxMessage - len(head) - len(open) - len(last) - 10) / len(item)
		return []byte(head + open + strings.Repeat(item, n) + last)
	}
	for name, data := range map[string][]byte{
		"empty rows":     fill(`"patches":{"id":["A"],"device":[`, `[],`, `[]]}}`),
		"empty names":    fill(`"patches":{"id":[`, `"",`, `""]}}`),
		"empty traces":   fill(`"traces":[`, `{},`, `{}]}`),
		"zeros":          fill(`"traces":[{"strip":"a","channel":"C","start_mm":0,"pitch_um":80,"unit":"density","values":[`, `0,`, `0]}]}`),
		"deep":           fill(`"patches":{"id":["A"],"lab":`, `[`, ``),
		"deep unknown":   fill(`"x":`, `{"x":`, ``),
		"commas":         fill(`"patches":{"id":["A"],"lab":[`, `,`, `]}}`),
		"long number":    fill(`"patches":{"id":["A"],"lab":[[`, `9`, `,0,0]]}}`),
		"many inks":      []byte(head + `"lots":{"ink":{` + manyInks(60_000) + `}}}`),
		"quotes in text": fill(`"patches":{"id":["`, `\"`, `"]}}`),
	} {
		t.Run(name, func(t *testing.T) {
			if len(data) > protocol.MaxMessage {
				t.Fatalf("%d bytes: the test itself is too large", len(data))
			}
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			r, err := protocol.DecodeReading(data)
			runtime.ReadMemStats(&after)
			if err == nil || r != nil {
				t.Fatal("taken")
			}
			if took := after.TotalAlloc - before.TotalAlloc; took > 64<<20 {
				t.Errorf("refusing it took %d MB: %v", took>>20, err)
			} else {
				t.Logf("%.1f MB: %.100v", float64(took)/(1<<20), err)
			}
		})
	}
}

func manyInks(n int) string {
	var b strings.Builder
	for i := range n {
		if i > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, `"%d":""`, i)
	}
	return b.String()
}

// Numbers are read exactly as strconv reads them (which is tested against published hard cases),
// whichever way the fast path takes.
func TestNumbersAreExact(t *testing.T) {
	one := func(t interface{ Fatalf(string, ...any) }, text string) {
		var n protocol.Numbers
		err := json.Unmarshal([]byte("["+text+"]"), &n)
		want, wantErr := strconv.ParseFloat(text, 64)
		if (err == nil) != (wantErr == nil) {
			t.Fatalf("%s: %v, strconv says %v", text, err, wantErr)
		}
		if err == nil && (len(n) != 1 || math.Float64bits(n[0]) != math.Float64bits(want)) {
			t.Fatalf("%s: %v, want %v", text, n, want)
		}
	}
	for _, text := range []string{"0", "-0", "0.0", "-0.0", "1", "0.1", "0.3", "999999999999999", "9999999999999999", "0.000000000000001", "0.0000000000000001",
		"123456789012345.6", "9007199254740993", "1e22", "1e23", "1E-5", "1e+5", "2.2250738585072011e-308", "4.9e-324", "1e-400", "1.7976931348623157e308", "1e309", "-1e309", "100000000000000000000"} {
		one(t, text)
	}
	rapid.Check(t, func(t *rapid.T) {
		one(t, rapid.StringMatching(`-?(0|[1-9][0-9]{0,18})(\.[0-9]{1,20})?([eE][+-]?[0-9]{1,3})?`).Draw(t, "number"))
	})
}

// Samples gives back what PackF32 took, for any length around the buffer's.
func TestF32RoundTrip(t *testing.T) {
	for _, n := range []int{0, 1, 2, 3, 191, 192, 193, 383, 384, 385, 2700} {
		v := make([]float64, n)
		for i := range v {
			v[i] = float64(float32(math.Sin(float64(i))))
		}
		tr := protocol.Trace{F32: protocol.PackF32(v)}
		got, err := tr.Samples()
		if err != nil || len(got) != n {
			t.Fatalf("%d samples: %d, %v", n, len(got), err)
		}
		for i := range v {
			if got[i] != v[i] {
				t.Fatalf("sample %d of %d: %g, want %g", i, n, got[i], v[i])
			}
		}
	}
	// A pad in the middle, where one buffer ends, must not pass for an end.
	cut := strings.Repeat("AAAA", 255) + "AA==" + "AAAA"
	if v, err := (&protocol.Trace{F32: cut}).Samples(); err == nil || v != nil {
		t.Errorf("padding inside: %d samples, %v", len(v), err)
	}
	if raw, err := base64.StdEncoding.DecodeString(protocol.PackF32([]float64{1})); err != nil || string(raw) != "\x00\x00\x80\x3f" {
		t.Errorf("1 is % x, want 00 00 80 3f, little-endian IEEE 754", raw)
	}
}

// Codes are named by their constants alone, so that the list of codes is complete.
func TestCodesAreConstants(t *testing.T) {
	files, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	declared := map[string]string{}
	for _, f := range files {
		if !strings.HasSuffix(f.Name(), ".go") || strings.HasSuffix(f.Name(), "_test.go") {
			continue
		}
		tree, err := parser.ParseFile(token.NewFileSet(), f.Name(), nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(tree, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.CallExpr:
				if id, ok := n.Fun.(*ast.Ident); ok && id.Name == "refuse" {
					if lit, ok := n.Args[0].(*ast.BasicLit); ok {
						t.Errorf("%s: refuse(%s) with a literal", f.Name(), lit.Value)
					}
				}
			case *ast.ValueSpec:
				if strings.HasPrefix(n.Names[0].Name, "Code") && len(n.Values) == 1 {
					if lit, ok := n.Values[0].(*ast.BasicLit); ok {
						declared[n.Names[0].Name], _ = strconv.Unquote(lit.Value)
					}
				}
			}
			return true
		})
	}
	all := protocol.Codes()
	for name, word := range declared {
		if all[word] == "" {
			t.Errorf("%s (%s) is not in Codes", name, word)
		}
		delete(all, word)
	}
	for word := range all {
		t.Errorf("Codes has %s, which is no constant", word)
	}
}

// A refusal record must be writable whatever came in.
func TestEncodeTakesTextThatIsNotUTF8(t *testing.T) {
	b, err := protocol.Encode(&protocol.Refusal{Code: protocol.CodeBadSubject, Hint: "x", Subject: "swk.\xff\xfe", Payload: []byte{0xff, 0}})
	if err != nil {
		t.Fatal(err)
	}
	if want := `{"code":"bad_subject","hint":"x","payload":"/wA=","subject":"swk.` + "\ufffd\ufffd" + `"}`; string(b) != want {
		t.Errorf("%s, want %s", b, want)
	}
	if b, err := protocol.Encode(&protocol.Colour{MeanDE00: math.NaN()}); err == nil || b != nil {
		t.Errorf("NaN was written: %s", b)
	}
}

// Lists that must be there are written as lists, never as null; and encoding/json, which other
// packages may use, writes the same document.
func TestEncodeWritesLists(t *testing.T) {
	b, err := protocol.Encode(&protocol.Banding{})
	if err != nil || string(b) != `{"channels":[]}` {
		t.Errorf("%s, %v", b, err)
	}
	for _, file := range examples(t, "*.json") {
		v, err := decoders[kindOf(file)](read(t, file))
		if err != nil {
			t.Fatal(err)
		}
		ours, err := protocol.Encode(v)
		if err != nil {
			t.Fatal(err)
		}
		theirs, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		if string(ours) != string(theirs) {
			t.Errorf("%s:\nEncode        %s\nencoding/json %s", file, ours, theirs)
		}
	}
}

// TestScaleOfXYZ: X, Y, Z on the scale where the perfect white has Y = 1 are refused, and it is said
// what to do; a chart of darks on the right scale is taken.
func TestScaleOfXYZ(t *testing.T) {
	of := func(white float64) func(r *protocol.Reading) {
		return func(r *protocol.Reading) {
			n := len(r.Patches.ID)
			r.Patches.Lab, r.Patches.Spectra, r.Patches.RGB = nil, nil, nil
			r.Patches.XYZ = nil
			for i := range n {
				y := white * (0.02 + 0.9*float64(i)/float64(n))
				r.Patches.XYZ = append(r.Patches.XYZ, [3]float64{0.96 * y, y, 0.82 * y})
			}
		}
	}
	err := changed(t, of(1))
	if err == nil || !strings.Contains(err.Error(), "Y = 100") || !strings.Contains(err.Error(), "patches.xyz") {
		t.Errorf("X, Y, Z of 0 to 1: %v", err)
	}
	for _, white := range []float64{100, 8} {
		if err := changed(t, of(white)); err != nil {
			t.Errorf("the lightest patch near Y = %g: %v", white, err)
		}
	}
}
