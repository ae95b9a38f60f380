package protocol_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"go.yaml.in/yaml/v3"

	"swathkeeper/protocol"
	"swathkeeper/protocol/schema"
)

// The channels are described in AsyncAPI 3. The document is held against the specification's own
// JSON Schema (testdata/reference/SOURCES.md says where it is from) and against the Go constants.
func TestAsyncAPI(t *testing.T) {
	var tree any
	if err := yaml.Unmarshal(read(t, "asyncapi.yaml"), &tree); err != nil {
		t.Fatal(err)
	}
	asJSON, err := json.Marshal(tree)
	if err != nil {
		t.Fatal(err)
	}

	spec, err := jsonschema.UnmarshalJSON(bytes.NewReader(read(t, "../testdata/reference/asyncapi-3.0.0.schema.json")))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("mem:///asyncapi.json", spec); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("mem:///asyncapi.json")
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(asJSON))
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Validate(doc); err != nil {
		t.Errorf("no AsyncAPI 3.0.0: %v", err)
	}
	// The check itself must be able to fail.
	if err := s.Validate(map[string]any{"asyncapi": "3.0.0", "info": map[string]any{"title": "x"}}); err == nil {
		t.Error("the specification's schema takes a document without a version")
	}

	var d struct {
		Info     struct{ Description string }
		Channels map[string]struct {
			Address    string
			Parameters map[string]struct {
				Enum []string
				Ref  string `json:"$ref"`
			}
			Messages map[string]struct {
				Ref string `json:"$ref"`
			}
		}
		Operations map[string]struct {
			Channel struct {
				Ref string `json:"$ref"`
			}
			Reply struct {
				Channel struct {
					Ref string `json:"$ref"`
				}
			}
		}
		Components struct {
			Messages map[string]struct {
				Name    string
				Payload struct {
					SchemaFormat string
					Schema       struct {
						Ref string `json:"$ref"`
					}
				}
			}
		}
	}
	if err := json.Unmarshal(asJSON, &d); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]string{
		"readings": protocol.ReadingSubject("{site}", "{printer}"),
		"notes":    protocol.NoteSubject("{site}", "{printer}"),
		"records":  protocol.RecordSubject("{site}", "{printer}", "{kind}", "{series}"),
		"charts":   "$KV." + protocol.BucketCharts + "." + protocol.ChartKey("{chart}", "{edition}"),
		"scans":    protocol.ScanSubject("{owner}", "{digest}", "{part}"),
		"status":   protocol.SubjectStatus,
		// The reply subject is the asker's own.
		"statusAnswers": "",
	} {
		c, ok := d.Channels[name]
		if !ok || c.Address != want {
			t.Errorf("channel %s has address %q, want %q", name, c.Address, want)
		}
		for p := range c.Parameters {
			if !strings.Contains(c.Address, "{"+p+"}") {
				t.Errorf("channel %s: parameter %s does not stand in the address", name, p)
			}
		}
		if n := strings.Count(c.Address, "{"); n != len(c.Parameters) {
			t.Errorf("channel %s: %d parameters for %d places", name, len(c.Parameters), n)
		}
	}
	if len(d.Channels) != 7 {
		t.Errorf("%d channels, the test knows 7", len(d.Channels))
	}
	kinds := []string{protocol.KindVerdict, protocol.KindAlert, protocol.KindRefusal, protocol.KindJournal, protocol.KindBaseline}
	if got := d.Channels["records"].Parameters["kind"].Enum; !slices.Equal(got, kinds) {
		t.Errorf("kinds of record %q, want %q", got, kinds)
	}
	for _, name := range []string{protocol.StreamInbox, protocol.StreamRecord, protocol.BucketBaselines, protocol.StreamScans, protocol.BucketActive, protocol.BucketCharts, protocol.BucketSent} {
		if !strings.Contains(d.Info.Description, name) {
			t.Errorf("the description does not name %s", name)
		}
	}
	names := map[string]string{"reading": protocol.SchemaReading, "note": protocol.SchemaNote, "record": protocol.SchemaRecord,
		"verdict": protocol.SchemaVerdict, "chart": protocol.SchemaChart, "baseline": protocol.SchemaBaseline}
	// What has no schema of its own is described in place.
	inPlace := []string{"report", "scanEnd", "scanPart", "statusRequest"}
	if got, want := slices.Sorted(maps.Keys(d.Components.Messages)), slices.Sorted(slices.Values(append(inPlace, schema.Names()...))); !slices.Equal(got, want) {
		t.Errorf("messages %q, schemas %q", got, want)
	}
	for key, m := range d.Components.Messages {
		if slices.Contains(inPlace, key) {
			if m.Payload.SchemaFormat != "" {
				t.Errorf("message %s has a schema of its own", key)
			}
			continue
		}
		if m.Name != names[key] {
			t.Errorf("message %s is called %q, want %q", key, m.Name, names[key])
		}
		file, ok := strings.CutPrefix(m.Payload.Schema.Ref, "./schema/")
		if _, err := schema.Files.ReadFile(file); !ok || err != nil || file != key+".schema.json" {
			t.Errorf("message %s refers to %q: %v", key, m.Payload.Schema.Ref, err)
		}
	}
	// References inside the document end somewhere.
	for name, c := range d.Channels {
		for key, m := range c.Messages {
			if m.Ref != "#/components/messages/"+key || d.Components.Messages[key].Name == "" {
				t.Errorf("channel %s: message %s refers to %q", name, key, m.Ref)
			}
		}
	}
	served := map[string]bool{}
	for name, o := range d.Operations {
		channel := strings.TrimPrefix(o.Channel.Ref, "#/channels/")
		if _, ok := d.Channels[channel]; !ok {
			t.Errorf("operation %s refers to %q", name, o.Channel.Ref)
		}
		served[channel] = true
		if reply := strings.TrimPrefix(o.Reply.Channel.Ref, "#/channels/"); reply != "" {
			served[reply] = true
			if _, ok := d.Channels[reply]; !ok {
				t.Errorf("operation %s is answered at %q", name, o.Reply.Channel.Ref)
			}
		}
	}
	if len(served) != len(d.Channels) {
		t.Errorf("operations serve %v, channels are %v", fmt.Sprint(slices.Sorted(maps.Keys(served))), slices.Sorted(maps.Keys(d.Channels)))
	}
}
