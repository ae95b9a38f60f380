package protocol_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"swathkeeper/protocol"
	"swathkeeper/protocol/schema/schemacheck"
)

// fuzzDecoder checks what must hold for any bytes: no panic; a refusal of a known code and no
// result, or else a message that its schema takes too and that comes back the same when it is
// written and read again.
func fuzzDecoder(f *testing.F, kind string) {
	for _, pattern := range []string{kind + "*.json", "refused/" + kind + "-*.json"} {
		files, err := filepath.Glob(filepath.Join(messages, pattern))
		if err != nil || len(files) == 0 {
			f.Fatalf("nothing to start from: %s, %v", pattern, err)
		}
		for _, file := range files {
			data, err := os.ReadFile(file)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(data)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) { checkAnyMessage(t, kind, data) })
}

type fatal interface {
	Helper()
	Fatalf(format string, args ...any)
}

func checkAnyMessage(t fatal, kind string, data []byte) (taken bool) {
	t.Helper()
	decode := decoders[kind]
	v, err := decode(data)
	if err != nil {
		var r *protocol.Refusal
		switch {
		case v != nil:
			t.Fatalf("a result beside the error %v", err)
		case !errors.As(err, &r):
			t.Fatalf("no refusal: %v", err)
		case protocol.Codes()[r.Code] == "" || r.Hint == "" || len(r.Hint) > 1000 || len(r.Field) > 1000:
			t.Fatalf("refused as %+v", r)
		}
		if _, err := protocol.Encode(r); err != nil {
			t.Fatalf("the refusal cannot be recorded: %v", err)
		}
		return false
	}
	first, err := protocol.Encode(v)
	if err != nil {
		if len(data) > protocol.MaxMessage/2 { // numbers may grow when they are written out
			return true
		}
		t.Fatalf("taken, and cannot be written: %v", err)
	}
	again, err := decode(first)
	if err != nil {
		t.Fatalf("taken, and refused once written: %v\n%s", err, first)
	}
	second, err := protocol.Encode(again)
	if err != nil || !bytes.Equal(first, second) {
		t.Fatalf("changes each time it is written (%v):\n%s\n%s", err, first, second)
	}
	if err := schemacheck.Check(kind, data); err != nil {
		t.Fatalf("taken, but not by the schema: %v\n%s", err, data)
	}
	return true
}

func FuzzDecodeReading(f *testing.F) { fuzzDecoder(f, "reading") }
func FuzzDecodeChart(f *testing.F)   { fuzzDecoder(f, "chart") }
func FuzzDecodeNote(f *testing.F)    { fuzzDecoder(f, "note") }

// TestMutatedMessages changes the examples as JSON trees, where bytes changed at random rarely get
// past the first bracket: values of other kinds, from other places, missing, or doubled.
func TestMutatedMessages(t *testing.T) {
	var trees []any
	var kinds []string
	for _, kind := range []string{"reading", "chart", "note"} {
		for _, file := range examples(t, kind+"*.json") {
			if strings.HasSuffix(file, "-odd.json") {
				continue // its numbers are beyond what a tree of Go values holds
			}
			var tree any
			if err := json.Unmarshal(read(t, file), &tree); err != nil {
				t.Fatal(err)
			}
			trees, kinds = append(trees, tree), append(kinds, kind)
		}
	}
	pool := []any{nil, "", " ", "x", "quay", "quay.street", "M1", "srgb", "density", "lightness", "2026-03-04T07:12:09+01:00", "0001-01-01T00:00:00Z", "AAAAAA==",
		strings.Repeat("x", 201), strings.Repeat("ä", 501), "\x07", 0, 1, -1, 2, 0.5, 50, 101, 256, 1e5 + 1, 1e300, true, false,
		[]any{}, []any{nil}, []any{[]any{}}, []any{1, 2, 3}, []any{[]any{1, 2, 3}}, map[string]any{}, map[string]any{"x": nil}}
	taken, refused := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		for range 40 {
			i := rapid.IntRange(0, len(trees)-1).Draw(t, "example")
			tree := clone(trees[i])
			for range rapid.IntRange(1, 2).Draw(t, "changes") {
				all := places(tree, nil)
				at := all[rapid.IntRange(0, len(all)-1).Draw(t, "place")]
				switch rapid.IntRange(0, 3).Draw(t, "change") {
				case 0:
					at.remove()
				case 1:
					at.set(clone(all[rapid.IntRange(0, len(all)-1).Draw(t, "from")].get()))
				default:
					at.set(clone(rapid.SampledFrom(pool).Draw(t, "value")))
				}
			}
			data, err := json.Marshal(tree)
			if err != nil {
				t.Fatal(err)
			}
			if checkAnyMessage(t, kinds[i], data) {
				taken++
			} else {
				refused++
			}
		}
	})
	t.Logf("%d taken, %d refused", taken, refused)
	if taken == 0 || refused == 0 {
		t.Errorf("%d taken, %d refused: the test shows nothing", taken, refused)
	}
}

// place is one value in a JSON tree: the member key of an object or the element i of a list.
type place struct {
	in  any
	key string
	i   int
}

func (p place) get() any {
	if m, ok := p.in.(map[string]any); ok {
		return m[p.key]
	}
	return p.in.([]any)[p.i]
}

func (p place) set(v any) {
	if m, ok := p.in.(map[string]any); ok {
		m[p.key] = v
		return
	}
	p.in.([]any)[p.i] = v
}

func (p place) remove() {
	if m, ok := p.in.(map[string]any); ok && len(m) > 1 {
		delete(m, p.key)
		return
	}
	p.set([]any{})
}

func places(tree any, to []place) []place {
	switch v := tree.(type) {
	case map[string]any:
		for _, key := range slices.Sorted(maps.Keys(v)) {
			to = places(v[key], append(to, place{in: v, key: key}))
		}
	case []any:
		for i := range v {
			to = places(v[i], append(to, place{in: v, i: i}))
		}
	}
	return to
}

func clone(tree any) any {
	switch v := tree.(type) {
	case map[string]any:
		out := map[string]any{}
		for k, x := range v {
			out[k] = clone(x)
		}
		return out
	case []any:
		out := make([]any, len(v))
		for i, x := range v {
			out[i] = clone(x)
		}
		return out
	}
	return tree
}
