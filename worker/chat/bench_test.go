package chat

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/bus/bustest"
)

func TestMain(m *testing.M) {
	if os.Getenv(childDir) != "" {
		child()
	}
	bustest.Main(m)
}

// bench is an embedded bus with the streams and stores on it, all of one test's own.
type bench struct {
	t   *testing.T
	js  jetstream.JetStream
	nc  *nats.Conn
	log *syncBuffer
	n   int
}

func newBench(t *testing.T) *bench {
	t.Helper()
	ctx := t.Context()
	e, err := bus.StartEmbedded(ctx, bus.EmbeddedOptions{Dir: t.TempDir(), MaxStore: bus.DefaultLimits().Total(), Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(e.Stop)
	nc, js, err := bus.Connect(ctx, bus.ConnectOptions{Embedded: e, Name: t.Name(), Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	if err := bus.Provision(ctx, js, bus.DefaultLimits()); err != nil {
		t.Fatal(err)
	}
	return &bench{t: t, js: js, nc: nc, log: &syncBuffer{}}
}

// start runs chat for the test's length.
func (b *bench) start(o Options) *Chat {
	b.t.Helper()
	o.Log = zerolog.New(b.log)
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	c, err := New(b.js, o)
	if err != nil {
		b.t.Fatal(err)
	}
	if err := c.Start(b.t.Context()); err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(func() { b.stop(c) })
	return c
}

func (b *bench) stop(c *Chat) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if err := c.Stop(ctx); err != nil {
		b.t.Error(err)
	}
}

// record stores a record with the given changes, as the worker would.
func (b *bench) record(printer string, open []protocol.Alert, changes ...protocol.Change) *protocol.Record {
	b.t.Helper()
	return b.store(&protocol.Record{Printer: printer, Open: open, Changes: changes})
}

// verdict stores the record of a verdict that changes nothing; heron has an alert open.
func (b *bench) verdict(printer, outcome string) {
	b.t.Helper()
	r := &protocol.Record{Printer: printer, Verdict: &protocol.Verdict{Outcome: outcome}}
	if printer == "heron" {
		r.Open = []protocol.Alert{{Key: "quay/heron/clean_head/C", Advice: protocol.AdviceClean, Channel: "C", Level: protocol.LevelAct, Since: morning}}
	}
	b.store(r)
}

func (b *bench) store(r *protocol.Record) *protocol.Record {
	b.t.Helper()
	b.n++
	*r = protocol.Record{
		Schema: protocol.SchemaRecord, ID: protocol.DerivedID(b.t.Name(), fmt.Sprint(b.n)), Kind: protocol.KindVerdict,
		At: morning.Add(time.Duration(b.n) * time.Minute), Site: "quay", Printer: r.Printer, Series: "aaaaaaaaaaaa", Text: "x",
		Changes: r.Changes, Open: r.Open, Verdict: r.Verdict,
	}
	if len(r.Changes) > 0 {
		r.Kind = protocol.KindAlert
	}
	data, err := protocol.Encode(r)
	if err != nil {
		b.t.Fatal(err)
	}
	if _, err := b.js.Publish(b.t.Context(), protocol.RecordSubject(r.Site, r.Printer, r.Kind, r.Series), data); err != nil {
		b.t.Fatal(err)
	}
	return r
}

var morning = time.Date(2026, 3, 4, 7, 0, 0, 0, time.UTC)

// raised is an ordinary change, told apart by its number.
func raised(n int) protocol.Change {
	return protocol.Change{
		Key: "quay/heron/clean_head/C", Advice: protocol.AdviceClean, Channel: "C", Level: protocol.LevelAct,
		Change: protocol.ChangeRaised, Reason: "confirmed", Since: morning, Why: fmt.Sprintf("Message number %d", n),
		Steps: []string{"look"}, Cautions: []string{"mind the carriage"},
	}
}

func at(c protocol.Change, level string) protocol.Change { c.Level = level; return c }

// jumpClock never waits: whoever waits for a time makes it so.
type jumpClock struct {
	mu  sync.Mutex
	now time.Time
}

func newJumpClock() *jumpClock { return &jumpClock{now: morning} }

func (c *jumpClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *jumpClock) Until(t time.Time) <-chan time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if t.After(c.now) {
		c.now = t
	}
	ch := make(chan time.Time, 1)
	ch <- c.now
	return ch
}

// request is what the service in the test was sent.
type request struct {
	path   string
	header http.Header
	body   []byte
}

// service is an HTTP server that answers as a chat service would: what the script says, one answer
// a request, and 200 when it has run out.
type fakeService struct {
	*httptest.Server
	got    chan request
	script chan http.HandlerFunc
}

func newFakeService(t *testing.T, script ...http.HandlerFunc) *fakeService {
	s := &fakeService{got: make(chan request, 1000), script: make(chan http.HandlerFunc, 1000)}
	for _, f := range script {
		s.script <- f
	}
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		s.got <- request{r.Method + " " + r.URL.Path, r.Header, body}
		select {
		case f := <-s.script:
			f(w, r)
		default:
			w.WriteHeader(http.StatusOK)
		}
	}))
	t.Cleanup(func() { s.CloseClientConnections(); s.Close() })
	return s
}

func answer(status int, body string, header ...string) http.HandlerFunc {
	return func(w http.ResponseWriter, _ *http.Request) {
		for i := 0; i+1 < len(header); i += 2 {
			w.Header().Set(header[i], header[i+1])
		}
		w.WriteHeader(status)
		_, _ = io.WriteString(w, body)
	}
}

// next waits for the next request.
func (s *fakeService) next(t *testing.T) request {
	t.Helper()
	select {
	case r := <-s.got:
		return r
	case <-time.After(time.Minute):
		t.Fatal("nothing was sent")
	}
	return request{}
}

func (s *fakeService) message(t *testing.T) Message {
	t.Helper()
	var m Message
	if err := json.Unmarshal(s.next(t).body, &m); err != nil {
		t.Fatal(err)
	}
	return m
}

// none checks that nothing more was sent.
func (s *fakeService) none(t *testing.T) {
	t.Helper()
	select {
	case r := <-s.got:
		t.Fatalf("sent without need: %s", r.body)
	default:
	}
}

type syncBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *syncBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *syncBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}
