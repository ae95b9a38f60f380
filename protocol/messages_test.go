package protocol_test

import (
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"swathkeeper/protocol"
	"swathkeeper/protocol/schema/schemacheck"
)

// The messages in testdata/messages are named after their kind, up to the first dash. Those in
// refused must be refused, as expected.tsv beside them says.
const messages = "../testdata/messages"

// decoders give what the package makes of each kind of message that has a decoder of its own.
var decoders = map[string]func([]byte) (any, error){
	"reading":  func(b []byte) (any, error) { return result(protocol.DecodeReading(b)) },
	"chart":    func(b []byte) (any, error) { return result(protocol.DecodeChart(b)) },
	"note":     func(b []byte) (any, error) { return result(protocol.DecodeNote(b)) },
	"record":   func(b []byte) (any, error) { return result(protocol.DecodeRecord(b)) },
	"baseline": func(b []byte) (any, error) { return result(protocol.DecodeBaseline(b)) },
	"verdict":  func(b []byte) (any, error) { return result(protocol.DecodeVerdict(b)) },
}

// result keeps a nil pointer from hiding in an interface.
func result[T any](v *T, err error) (any, error) {
	if v == nil {
		return nil, err
	}
	return v, err
}

func kindOf(file string) string {
	kind, _, _ := strings.Cut(strings.TrimSuffix(filepath.Base(file), ".json"), "-")
	return kind
}

func read(t testing.TB, file string) []byte {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func examples(t testing.TB, pattern string) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(messages, pattern))
	if err != nil || len(files) == 0 {
		t.Fatalf("no examples %s: %v", pattern, err)
	}
	return files
}

// Every example decodes, fits its schema, and survives writing and reading again, in text that fits
// the schema too.
func TestExamplesAreTaken(t *testing.T) {
	seen := map[string]bool{}
	for _, file := range examples(t, "*.json") {
		kind := kindOf(file)
		seen[kind] = true
		t.Run(filepath.Base(file), func(t *testing.T) {
			data := read(t, file)
			if err := schemacheck.Check(kind, data); err != nil {
				t.Errorf("does not fit its schema: %v", err)
			}
			v, err := decoders[kind](data)
			if err != nil {
				t.Fatal(err)
			}
			again, err := protocol.Encode(v)
			if err != nil {
				t.Fatal(err)
			}
			if err := schemacheck.Check(kind, again); err != nil {
				t.Errorf("what Encode writes does not fit the schema: %v\n%s", err, again)
			}
			v2, err := decoders[kind](again)
			if err != nil {
				t.Fatalf("what Encode wrote is refused: %v\n%s", err, again)
			}
			if third, err := protocol.Encode(v2); err != nil || string(third) != string(again) {
				t.Errorf("a second round gives other bytes (%v):\n%s\n%s", err, again, third)
			}
		})
	}
	for kind := range decoders {
		if !seen[kind] {
			t.Errorf("there is no example of a %s", kind)
		}
	}
}

type refused struct {
	file, code, field, schema string
}

func refusals(t testing.TB) []refused {
	t.Helper()
	var all []refused
	listed := map[string]bool{}
	for line := range strings.Lines(string(read(t, messages+"/refused/expected.tsv"))) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		f := strings.Split(strings.TrimRight(line, "\n"), "\t")
		if len(f) != 4 {
			t.Fatalf("expected.tsv: %q has %d columns, needs 4", line, len(f))
		}
		all = append(all, refused{f[0], f[1], f[2], f[3]})
		listed[f[0]] = true
	}
	for _, file := range examples(t, "refused/*.json") {
		if !listed[strings.TrimSuffix(filepath.Base(file), ".json")] {
			t.Errorf("%s is not in expected.tsv", file)
		}
	}
	return all
}

// Every rule has a message that breaks it and nothing else, and is refused by code and field. The
// schema agrees where it can.
func TestRefusedMessages(t *testing.T) {
	for _, want := range refusals(t) {
		t.Run(want.file, func(t *testing.T) {
			kind := kindOf(want.file)
			data := read(t, filepath.Join(messages, "refused", want.file+".json"))
			v, err := decoders[kind](data)
			if v != nil {
				t.Fatalf("taken as %+v, or given beside the error %v", v, err)
			}
			var got *protocol.Refusal
			if !errors.As(err, &got) {
				t.Fatalf("the error is no refusal: %v", err)
			}
			if got.Code != want.code || got.Field != want.field {
				t.Errorf("refused as %s at %q, want %s at %q (%s)", got.Code, got.Field, want.code, want.field, got.Hint)
			}
			checkHint(t, got)

			err = schemacheck.Check(kind, data)
			switch {
			case want.schema == "yes" && err == nil:
				t.Error("the schema takes it")
			case want.schema == "no" && err != nil:
				t.Errorf("the schema says more than expected.tsv knows: %v", err)
			}
		})
	}
}

func checkHint(t *testing.T, r *protocol.Refusal) {
	t.Helper()
	if _, ok := protocol.Codes()[r.Code]; !ok {
		t.Errorf("code %q is not among Codes", r.Code)
	}
	if len(r.Hint) < 10 || len(r.Hint) > 300 || strings.HasSuffix(r.Hint, ".") {
		t.Errorf("hint %q is not one short sentence without a full stop", r.Hint)
	}
	for _, word := range []string{"json:", "jsontext:", "Go ", "unmarshal", "strconv", "protocol."} {
		if strings.Contains(r.Hint, word) {
			t.Errorf("hint %q speaks of the program's inside (%s)", r.Hint, word)
		}
	}
}

// A decoded example is what the file says, field by field, for the one that sets every field.
func TestReadingHoldsWhatWasSent(t *testing.T) {
	r, err := protocol.DecodeReading(read(t, messages+"/reading.json"))
	if err != nil {
		t.Fatal(err)
	}
	if got, want := r.Patches.Lab, (protocol.Triples{{91.2, 0.4, -3.1}, {52.1, -31, -44.4}, {47.9, 71.2, 2.1}, {88, -6.2, 89.4}}); !reflect.DeepEqual(got, want) {
		t.Errorf("lab %v, want %v", got, want)
	}
	if got, want := r.Patches.ID, []string{"A1", "A2", "A3", "A4"}; !reflect.DeepEqual(got, want) {
		t.Errorf("ids %q, want %q", got, want)
	}
	if _, offset := r.TakenAt.Zone(); offset != 3600 {
		t.Errorf("the shop's offset is %d s, want 3600", offset)
	}
	tr := r.Traces[0]
	if tr.StartMM != 18 || tr.PitchUM != 84.667 || len(tr.Values) != 8 || tr.Values[5] != 0.598 {
		t.Errorf("trace %+v", tr)
	}
	c, err := protocol.DecodeChart(read(t, messages+"/chart.json"))
	if err != nil {
		t.Fatal(err)
	}
	if err := c.CheckReading(r); err != nil {
		t.Errorf("the reading is of this chart: %v", err)
	}
}

func TestOddReading(t *testing.T) {
	r, err := protocol.DecodeReading(read(t, messages+"/reading-odd.json"))
	if err != nil {
		t.Fatal(err)
	}
	if want := []string{"Ä 1", "A22", `"x"`}; !reflect.DeepEqual(r.Patches.ID, want) {
		t.Errorf("ids %q, want %q", r.Patches.ID, want)
	}
	if want := (protocol.Triples{{91.2, 0, 0}, {52.123456789012345678901234567890, 1, -4.44}, {0, 0, 0}}); !reflect.DeepEqual(r.Patches.Lab, want) {
		t.Errorf("lab %v, want %v", r.Patches.Lab, want)
	}
	if want := (protocol.Matrix{{0}, {50.25}, {100}}); !reflect.DeepEqual(r.Patches.Device, want) {
		t.Errorf("device %v, want %v", r.Patches.Device, want)
	}
	if want := "0198c5a4-7b1e-7c3a-9f0e-2a6d1c4b8e18"; r.ID != want {
		t.Errorf("id %s, want it in lower case, %s", r.ID, want)
	}
}
