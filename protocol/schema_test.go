package protocol_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/protocol/schema"
)

// node is a part of a JSON Schema, and the file it stands in.
type node struct {
	file string
	m    map[string]any
}

func loadSchema(t testing.TB, file string) node {
	t.Helper()
	data, err := schema.Files.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	n := node{file: file}
	if err := json.Unmarshal(data, &n.m); err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	return n
}

// resolve follows $ref, within a file and to another.
func (n node) resolve(t testing.TB) node {
	t.Helper()
	for {
		ref, ok := n.m["$ref"].(string)
		if !ok {
			return n
		}
		file, pointer, _ := strings.Cut(ref, "#")
		if file == "" {
			file = n.file
		}
		n = loadSchema(t, file)
		for _, step := range strings.Split(strings.TrimPrefix(pointer, "/"), "/") {
			if step == "" {
				continue
			}
			next, ok := n.m[step].(map[string]any)
			if !ok {
				t.Fatalf("%s: there is no %s", ref, step)
			}
			n = node{n.file, next}
		}
	}
}

func (n node) child(key string) (node, bool) {
	m, ok := n.m[key].(map[string]any)
	return node{n.file, m}, ok
}

// Every JSON field of the Go types is in the schema and the other way round, with the same type;
// what the schema requires is written always.
func TestTypesAndSchemasAgree(t *testing.T) {
	types := map[string]reflect.Type{
		"reading":  reflect.TypeFor[protocol.Reading](),
		"chart":    reflect.TypeFor[protocol.Chart](),
		"note":     reflect.TypeFor[protocol.Note](),
		"verdict":  reflect.TypeFor[protocol.Verdict](),
		"record":   reflect.TypeFor[protocol.Record](),
		"baseline": reflect.TypeFor[protocol.Baseline](),
	}
	if got, want := slices.Sorted(maps.Keys(types)), slices.Sorted(slices.Values(schema.Names())); !slices.Equal(got, want) {
		t.Fatalf("types %v, schemas %v", got, want)
	}
	for _, name := range schema.Names() {
		// What the worker writes is complete; of what others send, only what is needed is required.
		written := name == "verdict" || name == "record" || name == "baseline"
		compare(t, name, types[name], loadSchema(t, name+".schema.json"), written)
	}
}

func compare(t *testing.T, at string, typ reflect.Type, n node, written bool) {
	t.Helper()
	n = n.resolve(t)
	if typ.Kind() == reflect.Pointer {
		typ = typ.Elem()
	}
	if typ == reflect.TypeFor[protocol.Chart]() {
		written = false // others write layouts
	}
	kind, _ := n.m["type"].(string)
	wants := func(want string) bool {
		if kind != want {
			t.Errorf("%s: Go writes %s, the schema says %q", at, want, kind)
		}
		return kind == want
	}
	switch {
	case typ == reflect.TypeFor[json.RawMessage]():
		if kind != "" {
			t.Errorf("%s: opaque in Go, %s in the schema", at, kind)
		}
		return
	case typ == reflect.TypeFor[time.Time]():
		if wants("string") && n.m["format"] != "date-time" {
			t.Errorf("%s: a time, but the schema does not say date-time", at)
		}
		return
	case typ == reflect.TypeFor[[]byte]():
		if wants("string") && n.m["contentEncoding"] != "base64" {
			t.Errorf("%s: bytes, but the schema does not say base64", at)
		}
		return
	}
	switch typ.Kind() {
	case reflect.String:
		if schemaConst, ok := n.m["const"].(string); ok && strings.HasPrefix(schemaConst, "swathkeeper.") {
			return
		}
		wants("string")
	case reflect.Bool:
		wants("boolean")
	case reflect.Float64:
		wants("number")
	case reflect.Int, reflect.Int64, reflect.Uint64:
		wants("integer")
	case reflect.Slice, reflect.Array:
		if items, ok := n.child("items"); wants("array") && ok {
			compare(t, at+"[]", typ.Elem(), items, written)
		} else {
			t.Errorf("%s: the schema does not say what the list holds", at)
		}
	case reflect.Map:
		if values, ok := n.child("additionalProperties"); wants("object") && ok {
			compare(t, at+"{}", typ.Elem(), values, written)
		}
	case reflect.Struct:
		if wants("object") {
			compareFields(t, at, typ, n, written)
		}
	default:
		t.Errorf("%s: the test does not know %s", at, typ)
	}
}

func compareFields(t *testing.T, at string, typ reflect.Type, n node, written bool) {
	t.Helper()
	props, _ := n.child("properties")
	required := map[string]bool{}
	list, _ := n.m["required"].([]any)
	for _, r := range list {
		required[fmt.Sprint(r)] = true
	}
	inGo := map[string]bool{}
	for _, f := range reflect.VisibleFields(typ) {
		if !f.IsExported() {
			continue // never written
		}
		name, opts, _ := strings.Cut(f.Tag.Get("json"), ",")
		if name == "" {
			t.Errorf("%s: field %s has no JSON name", at, f.Name)
			continue
		}
		inGo[name] = true
		optional := strings.Contains(opts, "omit")
		switch {
		case opts == "omitempty" && f.Type.Kind() != reflect.Slice && f.Type.Kind() != reflect.Map:
			// encoding/json and json/v2 differ in what is empty, except for lists; omitzero is the same.
			t.Errorf("%s.%s: use omitzero", at, name)
		case optional && required[name]:
			t.Errorf("%s.%s: the schema requires it, Go may leave it out", at, name)
		case written && !optional && !required[name]:
			t.Errorf("%s.%s: Go always writes it, the schema does not say so", at, name)
		}
		prop, ok := props.child(name)
		if !ok {
			t.Errorf("%s.%s: not in the schema", at, name)
			continue
		}
		compare(t, at+"."+name, f.Type, prop, written)
	}
	for name := range props.m {
		if !inGo[name] {
			t.Errorf("%s.%s: in the schema, not in Go", at, name)
		}
	}
	for name := range required {
		if !inGo[name] {
			t.Errorf("%s: requires %s, which is no field", at, name)
		}
	}
}

// The words of the contract are the same in Go and in the schemas.
func TestWordsAgree(t *testing.T) {
	words := func(file string, path ...string) []string {
		n := loadSchema(t, file+".schema.json")
		for _, p := range path {
			n, _ = n.resolve(t).child(p)
		}
		list, ok := n.resolve(t).m["enum"].([]any)
		if !ok {
			list, _ = n.resolve(t).m["examples"].([]any)
		}
		var out []string
		for _, w := range list {
			if s := fmt.Sprint(w); s != "" { // "" stands for absent
				out = append(out, s)
			}
		}
		return out
	}
	for _, c := range []struct {
		name      string
		got, want []string
	}{
		{"stage", words("common", "$defs", "condition", "properties", "stage"), []string{protocol.StageTransfer, protocol.StagePressed, protocol.StageDirect}},
		{"path", words("common", "$defs", "condition", "properties", "path"), []string{protocol.PathDevice, protocol.PathManaged}},
		{"kind of instrument", words("common", "$defs", "instrument", "properties", "kind"), []string{protocol.KindSpectrophotometer, protocol.KindScanner, protocol.KindColorimeter, protocol.KindDensitometer}},
		{"unit", words("reading", "$defs", "trace", "properties", "unit"), []string{protocol.UnitDensity, protocol.UnitLightness}},
		{"driven", words("chart", "properties", "driven"), []string{protocol.DrivenInk, protocol.DrivenRGB}},
		{"journal", words("note", "properties", "journal", "properties", "what"), []string{protocol.DidClean, protocol.DidInk, protocol.DidProfile, protocol.DidPress, protocol.DidMedia, protocol.DidService, protocol.DidNote}},
		{"baseline note", words("note", "properties", "baseline", "properties", "do"), []string{protocol.BaselineLearn, protocol.BaselineAccept, protocol.BaselineRetire}},
		{"outcome", words("verdict", "properties", "outcome"), []string{protocol.Steady, protocol.LevelNote, protocol.LevelAct, protocol.LevelStop, protocol.Learning, protocol.Unusable}},
		{"level", words("common", "$defs", "level"), []string{protocol.LevelNote, protocol.LevelAct, protocol.LevelStop}},
		{"advice", words("common", "$defs", "advice"), protocol.Advices()},
		{"grade", words("common", "$defs", "grade"), []string{protocol.GradeNone, protocol.GradeTentative, protocol.GradeProvisional, protocol.GradeFull}},
		{"kind of record", words("record", "properties", "kind"), []string{protocol.KindVerdict, protocol.KindAlert, protocol.KindRefusal, protocol.KindJournal, protocol.KindBaseline}},
		{"change", words("record", "$defs", "change", "properties", "change"), []string{protocol.ChangeRaised, protocol.ChangeWorse, protocol.ChangeBetter, protocol.ChangeReminder, protocol.ChangeCleared, protocol.ChangeHeld, protocol.ChangeClosed, protocol.ChangeAbsorbed}},
		{"journal outcome", words("record", "$defs", "outcome", "properties", "outcome"), []string{protocol.Helped, protocol.NoChange, protocol.Worse}},
		{"code", words("record", "$defs", "refusal", "properties", "code"), slices.Collect(maps.Keys(protocol.Codes()))},
	} {
		slices.Sort(c.got)
		slices.Sort(c.want)
		if !slices.Equal(c.got, c.want) {
			t.Errorf("%s: schema %q, Go %q", c.name, c.got, c.want)
		}
	}
	for name, want := range map[string]string{"reading": protocol.SchemaReading, "chart": protocol.SchemaChart, "note": protocol.SchemaNote,
		"verdict": protocol.SchemaVerdict, "record": protocol.SchemaRecord, "baseline": protocol.SchemaBaseline} {
		n := loadSchema(t, name+".schema.json")
		props, _ := n.child("properties")
		s, _ := props.child("schema")
		if s.m["const"] != want {
			t.Errorf("%s: schema says %v, Go %s", name, s.m["const"], want)
		}
	}
}
