package worker_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"go.yaml.in/yaml/v3"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// contract is protocol/asyncapi.yaml: where messages travel, and how a worker's report looks.
type contract struct {
	addresses []*regexp.Regexp
	report    *jsonschema.Schema
}

func readContract(t *testing.T) *contract {
	t.Helper()
	b, err := os.ReadFile("../protocol/asyncapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var d struct {
		Channels   map[string]struct{ Address *string }
		Components struct{ Schemas map[string]any }
	}
	if err := yaml.Unmarshal(b, &d); err != nil {
		t.Fatal(err)
	}
	c := &contract{}
	for _, ch := range d.Channels {
		if ch.Address == nil {
			continue
		}
		// A place takes one token, or what stands for one in a subscription.
		at := regexp.MustCompile(`\\\{\w+\\\}`).ReplaceAllString(regexp.QuoteMeta(*ch.Address), `[^.]+`)
		c.addresses = append(c.addresses, regexp.MustCompile("^"+at+"$"))
	}
	raw, err := json.Marshal(d.Components.Schemas["report"])
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	// Every field that a report has must be described.
	closed := doc.(map[string]any)
	closed["additionalProperties"] = false
	comp := jsonschema.NewCompiler()
	comp.AssertFormat()
	if err := comp.AddResource("mem:///report.json", closed); err != nil {
		t.Fatal(err)
	}
	if c.report, err = comp.Compile("mem:///report.json"); err != nil {
		t.Fatal(err)
	}
	return c
}

func (c *contract) knows(subject string) bool {
	for _, a := range c.addresses {
		if a.MatchString(subject) {
			return true
		}
	}
	return false
}

// notOurs are subjects of NATS itself, and of what is no part of the contract.
var notOurs = regexp.MustCompile(`^(\$(JS|SRV|SYS|O|KV\.SWK_(ACTIVE|SENT))\.|_INBOX|swk\.row\.)`)

// TestEverySubjectIsDescribed listens to everything while a worker works, and holds each subject and
// the report against the description of the protocol.
func TestEverySubjectIsDescribed(t *testing.T) {
	c := readContract(t)
	b := watched(t, &lines{})
	nc := b.w.Conn()
	var mu sync.Mutex
	seen := map[string]int{}
	end, done := "swk.reading."+uuid.NewString(), make(chan struct{})
	if _, err := nc.Subscribe(">", func(m *nats.Msg) {
		if m.Subject == end {
			close(done)
			return
		}
		mu.Lock()
		defer mu.Unlock()
		seen[m.Subject]++
	}); err != nil {
		t.Fatal(err)
	}
	if err := nc.Flush(); err != nil {
		t.Fatal(err)
	}
	r := b.reading(monday)
	b.send(r)
	b.put(protocol.ReadingSubject("quay", "heron"), []byte("{"), "odd")
	b.note(protocol.BaselineLearn, "", "")
	picture := []byte("a picture")
	digest := sha256.Sum256(picture)
	if err := bus.PutScan(t.Context(), b.w.JetStream(), hex.EncodeToString(digest[:]), bytes.NewReader(picture)); err != nil {
		t.Fatal(err)
	}
	m, err := nc.Request(protocol.SubjectStatus, nil, time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(m.Data))
	if err != nil {
		t.Fatal(err)
	}
	if err := c.report.Validate(doc); err != nil {
		t.Errorf("the report is another than described: %v", err)
	}
	if err := nc.Flush(); err != nil {
		t.Fatal(err)
	}
	// What comes last has been seen when it is seen, by the same subscription.
	if err := nc.Publish(end, nil); err != nil {
		t.Fatal(err)
	}
	<-done
	mu.Lock()
	defer mu.Unlock()
	kinds := map[string]bool{}
	for s := range seen {
		if !notOurs.MatchString(s) && !c.knows(s) {
			t.Errorf("something is published on %s, which asyncapi.yaml does not describe", s)
		}
		kinds[strings.Join(strings.Split(s, ".")[:2], ".")] = true
	}
	for _, want := range []string{"swk.reading", "swk.note", "swk.record", "swk.scan", "swk.status"} {
		if !kinds[want] {
			t.Errorf("nothing was seen on %s: the test looks at nothing", want)
		}
	}
}

// TestEverySubjectInTheCodeIsDescribed reads the sources: each text that begins as a subject of ours
// does must be one that is described, or the beginning of one.
func TestEverySubjectInTheCodeIsDescribed(t *testing.T) {
	c := readContract(t)
	found := 0
	for _, dir := range []string{"../cmd", "../worker", "../protocol"} {
		err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
			if err != nil {
				return err
			}
			ast.Inspect(file, func(n ast.Node) bool {
				lit, ok := n.(*ast.BasicLit)
				if !ok || lit.Kind != token.STRING {
					return true
				}
				text, err := strconv.Unquote(lit.Value)
				if err != nil || !regexp.MustCompile(`^swk\.[a-z]+[^ ]*$`).MatchString(text) || notOurs.MatchString(text) {
					return true
				}
				found++
				if !c.describes(text) {
					t.Errorf("%s: %q is not described in asyncapi.yaml", path, text)
				}
				return true
			})
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if found < 8 {
		t.Errorf("only %d subjects were found in the sources", found)
	}
	if c.describes("swk.verdict.") || c.knows("swk.status.now") {
		t.Error("the test takes what is not described")
	}
}

// describes reports whether a text is a subject that is described, the beginning of one, or a
// subscription to some.
func (c *contract) describes(text string) bool {
	text = strings.TrimSuffix(text, ">")
	for n := range 5 {
		if c.knows(text + strings.TrimPrefix(strings.Repeat(".x", n), map[bool]string{true: ".", false: ""}[strings.HasSuffix(text, ".")])) {
			return true
		}
	}
	return false
}
