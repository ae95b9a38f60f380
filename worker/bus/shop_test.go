package bus_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// logBook keeps a log's lines and lets a test wait for one.
type logBook struct {
	mu    sync.Mutex
	lines []map[string]any
	more  chan struct{}
}

func newLogBook() *logBook { return &logBook{more: make(chan struct{})} }

func (l *logBook) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	sc := bufio.NewScanner(bytes.NewReader(p))
	for sc.Scan() {
		var m map[string]any
		if json.Unmarshal(sc.Bytes(), &m) == nil {
			l.lines = append(l.lines, m)
		}
	}
	close(l.more)
	l.more = make(chan struct{})
	return len(p), nil
}

// wait gives the first line from line number from on that ok takes.
func (l *logBook) wait(t *testing.T, from int, what string, ok func(map[string]any) bool) map[string]any {
	t.Helper()
	limit := time.After(time.Minute)
	for {
		l.mu.Lock()
		lines, more := l.lines, l.more
		l.mu.Unlock()
		for ; from < len(lines); from++ {
			if ok(lines[from]) {
				return lines[from]
			}
		}
		select {
		case <-more:
		case <-limit:
			t.Fatalf("the log does not tell of: %s", what)
		}
	}
}

func (l *logBook) all() []map[string]any {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.lines)
}

func (l *logBook) len() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.lines)
}

type shop struct {
	dir  string
	log  *logBook
	bus  *bus.Embedded
	js   jetstream.JetStream // as an administrator
	conn *nats.Conn
}

func openShop(t *testing.T, listen string, prepare func(dir string)) *shop {
	t.Helper()
	s := &shop{dir: t.TempDir(), log: newLogBook()}
	if prepare != nil {
		prepare(s.dir)
	}
	var err error
	limits := bus.Limits{Inbox: 64 << 20, Record: 64 << 20, Baselines: 16 << 20, Scans: 16 << 20, Replicas: 1}
	s.bus, err = bus.StartEmbedded(t.Context(), bus.EmbeddedOptions{Dir: s.dir, Listen: listen, MaxStore: limits.Total(), Log: zerolog.New(s.log)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.bus.Stop)
	s.conn, s.js, err = bus.Connect(t.Context(), bus.ConnectOptions{Name: "admin", Embedded: s.bus, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.conn.Close)
	if err := bus.Provision(t.Context(), s.js, limits); err != nil {
		t.Fatal(err)
	}
	return s
}

// grant gives a name its key and returns the file of its private half.
func grant(t *testing.T, dir string, g bus.Grant) string {
	t.Helper()
	key, seed, err := bus.NewKey()
	if err != nil {
		t.Fatal(err)
	}
	g.Key = key
	if _, err := bus.PutGrant(t.Context(), dir, g); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), g.Name+".nk")
	if err := os.WriteFile(file, seed, 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// enter connects as the holder of a key.
func (s *shop) enter(t *testing.T, seed string, denied func(error)) (*nats.Conn, jetstream.JetStream, error) {
	nc, js, err := bus.Connect(t.Context(), bus.ConnectOptions{
		Name: "test", URL: s.bus.Endpoint.Address, NKey: seed, Fingerprint: s.bus.Endpoint.Fingerprint, Log: zerolog.Nop(), Denied: denied,
	})
	if err == nil {
		t.Cleanup(nc.Close)
	}
	return nc, js, err
}

func reading(printer string) *protocol.Reading {
	return &protocol.Reading{
		Schema: protocol.SchemaReading, ID: "0198c5a4-7b1e-7c3a-9f0e-2a6d1c4b8e11", TakenAt: time.Date(2026, 3, 4, 7, 12, 9, 0, time.UTC),
		Site: "quay", Printer: printer, Chart: "pennant-cmyk",
		Condition:  protocol.Condition{Media: "pennant-knit", Preset: "deep", Stage: protocol.StagePressed},
		Instrument: protocol.Instrument{Kind: protocol.KindSpectrophotometer},
		Patches:    &protocol.Patches{ID: []string{"A1"}, Lab: protocol.Triples{{52, -3, 4}}},
	}
}
