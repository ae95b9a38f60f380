package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/station"
)

// howMany reads the length of a long form from the environment.
func howMany(t *testing.T, variable string, short int) int {
	t.Helper()
	s := os.Getenv(variable)
	if s == "" {
		return short
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 {
		t.Fatalf("%s=%s: give a number", variable, s)
	}
	return n
}

// thinned is a chart of every fourth patch of the open table, and a reading of it from each of two
// tables: good and drifted.
func thinned(t *testing.T) (file string, good, drifted *protocol.Reading) {
	t.Helper()
	pick := func(name string) *protocol.Reading {
		r := *fogra(t, name, "thinned.e1")
		p := protocol.Patches{}
		for i := 0; i < len(r.Patches.ID); i += 4 {
			p.ID = append(p.ID, r.Patches.ID[i])
			p.Lab = append(p.Lab, r.Patches.Lab[i])
			p.Device = append(p.Device, r.Patches.Device[i])
		}
		r.Patches = &p
		return &r
	}
	good, drifted = pick("FOGRA39L.txt"), pick("TR006.txt")
	c := protocol.Chart{Schema: protocol.SchemaChart, ID: "thinned", Edition: "e1", Channels: []string{"C", "M", "Y", "K"}, Driven: protocol.DrivenInk}
	for i, id := range good.Patches.ID {
		c.Patches = append(c.Patches, protocol.Patch{ID: id, Device: good.Patches.Device[i]})
	}
	b, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	file = filepath.Join(t.TempDir(), "thinned.json")
	if err := os.WriteFile(file, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return file, good, drifted
}

// load sends readings of two printers at a steady rate, each until the bus has said that it is safe,
// and lets the printers drift out and come back.
type load struct {
	mu    sync.Mutex
	sent  map[string]*jetstream.PubAck // what was acknowledged, and how
	tries int
	err   error
	more  chan struct{}
	stop  context.CancelFunc
	done  chan struct{}
}

var loadPrinters = []string{"heron", "plover"}

func startLoad(t *testing.T, js jetstream.JetStream, rate int, good, drifted *protocol.Reading) *load {
	ctx, cancel := context.WithCancel(t.Context())
	l := &load{sent: map[string]*jetstream.PubAck{}, more: make(chan struct{}, 1), stop: cancel, done: make(chan struct{})}
	t.Cleanup(func() { cancel(); <-l.done })
	go func() {
		defer close(l.done)
		rng := rand.New(rand.NewPCG(2026, 50))
		at := time.Date(2024, 1, 2, 7, 0, 0, 0, time.UTC)
		pace := time.NewTicker(time.Second / time.Duration(rate))
		defer pace.Stop()
		for i := 0; ctx.Err() == nil; i++ {
			select {
			case <-ctx.Done():
				return
			case <-pace.C:
			}
			at = at.Add(30 * time.Minute)
			from := good
			if i/24%2 == 1 {
				from = drifted
			}
			r := remeasured(from, at, rng)
			r.Printer = loadPrinters[i%2]
			if err := l.send(ctx, js, r); err != nil && ctx.Err() == nil {
				l.err = err
				return
			}
		}
	}()
	return l
}

// send tries until the reading is safe; it ends a reading that was begun even when the load is
// stopped.
func (l *load) send(ctx context.Context, js jetstream.JetStream, r *protocol.Reading) error {
	data, err := station.Pack(r)
	if err != nil {
		return err
	}
	limit := time.Now().Add(2 * time.Minute)
	for {
		l.tries++
		try, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
		ack, err := js.Publish(try, protocol.ReadingSubject(r.Site, r.Printer), data, jetstream.WithMsgID(protocol.MsgID(r.Site, r.Printer, r.ID)))
		cancel()
		if err == nil {
			l.mu.Lock()
			l.sent[r.ID] = ack
			l.mu.Unlock()
			select {
			case l.more <- struct{}{}:
			default:
			}
			return nil
		}
		if time.Now().After(limit) {
			return fmt.Errorf("reading %s was not taken in two minutes: %w", r.ID, err)
		}
		rest := time.NewTimer(20 * time.Millisecond) // a station does not hammer
		<-rest.C
	}
}

func (l *load) count() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.sent)
}

// await waits until n more readings are safe.
func (l *load) await(t *testing.T, n int) {
	t.Helper()
	limit := time.After(2 * time.Minute)
	for want := l.count() + n; l.count() < want; {
		select {
		case <-l.more:
		case <-l.done:
			t.Fatalf("the load ended: %v", l.err)
		case <-limit:
			t.Fatalf("%d of %d readings in two minutes", l.count(), want)
		}
	}
}

// end stops the load.
func (l *load) end(t *testing.T) {
	t.Helper()
	l.stop()
	<-l.done
	if l.err != nil {
		t.Fatal(l.err)
	}
}

// chatHits counts what a webhook was told, by the message's id.
type chatHits struct {
	url string
	mu  sync.Mutex
	n   map[string]int
}

func countChat(t *testing.T) *chatHits {
	h := &chatHits{n: map[string]int{}}
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var m struct{ ID, Kind string }
		b, err := io.ReadAll(r.Body)
		if err == nil {
			err = json.Unmarshal(b, &m)
		}
		if err != nil {
			w.WriteHeader(http.StatusInternalServerError)
			return
		}
		if m.Kind == "change" {
			h.mu.Lock()
			h.n[m.ID]++
			h.mu.Unlock()
		}
		w.WriteHeader(http.StatusNoContent)
	}))
	t.Cleanup(s.Close)
	h.url = s.URL
	return h
}

// checkAll holds the records against what was sent: one verdict for each reading, one record for each
// input, each transition in one record, in order; and what chat was told against the records.
func (l *load) checkAll(t *testing.T, records []*protocol.Record, hits *chatHits, kills int) {
	t.Helper()
	verdicts, inputs, transitions := map[string]int{}, map[uint64]int{}, transitionCount{}
	open := map[string]bool{}
	newest := map[string]uint64{}
	told := map[string]bool{}
	for _, r := range records {
		if r.InboxSeq > 0 {
			inputs[r.InboxSeq]++
			if r.InboxSeq < newest[r.Printer] {
				t.Errorf("%s: input %d has its record after input %d", r.Printer, r.InboxSeq, newest[r.Printer])
			}
			newest[r.Printer] = r.InboxSeq
		}
		if r.Verdict != nil {
			verdicts[r.Verdict.Reading]++
		}
		if r.Refusal != nil {
			t.Errorf("refused: %s", r.Text)
		}
		for i, c := range r.Changes {
			transitions.take(t, open, c)
			told[fmt.Sprintf("%s.%d", r.ID, i)] = true
		}
	}
	for id, ack := range l.sent {
		if verdicts[id] != 1 {
			t.Errorf("reading %s has %d verdicts; the bus stored it as input %d, said twice: %t; that input has %d records", id, verdicts[id], ack.Sequence, ack.Duplicate, inputs[ack.Sequence])
		}
	}
	for seq, n := range inputs {
		if n != 1 {
			t.Errorf("input %d has %d records", seq, n)
		}
	}
	for what, n := range transitions {
		if n != 1 {
			t.Errorf("transition %q stands in %d records", what, n)
		}
	}
	hits.mu.Lock()
	defer hits.mu.Unlock()
	twice := 0
	for id, n := range hits.n {
		if !told[id] {
			t.Errorf("chat was told %s, which no record holds", id)
		}
		twice += n - 1
	}
	if twice > kills {
		t.Errorf("%d messages told again after %d kills", twice, kills)
	}
	t.Logf("%d kills, %d readings (%d attempts), %d records, %d transitions, %d told to chat and %d of them again",
		kills, len(l.sent), l.tries, len(records), len(transitions), len(hits.n), twice)
	if len(transitions) < 2 {
		t.Error("the load did not drive the alerts")
	}
}

// wait waits until chat was told of every alert that was raised.
func (h *chatHits) wait(t *testing.T, records []*protocol.Record) {
	t.Helper()
	// What a killed worker had in hand comes again after half a minute, and the rest waits behind it.
	limit := time.Now().Add(3 * time.Minute)
	for _, r := range records {
		for i, c := range r.Changes {
			if c.Change != protocol.ChangeRaised {
				continue
			}
			id := fmt.Sprintf("%s.%d", r.ID, i)
			for h.count(id) == 0 {
				if time.Now().After(limit) {
					t.Fatalf("chat was never told %s %s (record %s)", c.Key, c.Change, r.ID)
				}
				pause := time.NewTimer(50 * time.Millisecond)
				<-pause.C
			}
		}
	}
}

func (h *chatHits) count(id string) int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.n[id]
}

// TestKillsUnderLoad kills the worker at random moments under a load of 50 readings a second.
// TEST_KILLS=200 is the long form.
func TestKillsUnderLoad(t *testing.T) {
	t.Parallel()
	kills := howMany(t, "TEST_KILLS", 6)
	p := &program{t: t, dir: t.TempDir()}
	hits := countChat(t)
	file, good, drifted := thinned(t)
	w := p.startLogged("--chat", hits.url, "--chat-inside")
	p.do("chart", "add", file)
	teach(t, p, good)
	nc, js := dialPatiently(t, p.dir)
	defer nc.Close()
	l := startLoad(t, js, 50, good, drifted)
	rng := rand.New(rand.NewPCG(2026, 200))
	for range kills {
		l.await(t, 1+rng.IntN(60))
		for end := time.Now().Add(time.Duration(rng.IntN(20_000)) * time.Microsecond); time.Now().Before(end); {
		}
		w.kill()
		w = p.startLogged("--chat", hits.url, "--chat-inside")
	}
	l.await(t, 30)
	l.end(t)
	for _, printer := range loadPrinters {
		p.do("journal", "add", "note", "--site", "quay", "--printer", printer, "--text", "the last input")
	}
	records := p.records()
	hits.wait(t, records)
	l.checkAll(t, records, hits, kills)
}

// teach gives both printers a baseline.
func teach(t *testing.T, p *program, good *protocol.Reading, args ...string) {
	t.Helper()
	rng := rand.New(rand.NewPCG(2026, 1))
	for _, printer := range loadPrinters {
		of := append([]string{"--site", "quay", "--printer", printer}, args...)
		p.do(append([]string{"baseline", "learn"}, of...)...)
		var list []*protocol.Reading
		at := time.Date(2023, 12, 28, 7, 0, 0, 0, time.UTC)
		for i := range 10 {
			r := remeasured(good, at.Add(time.Duration(i)*8*time.Hour), rng)
			r.Printer = printer
			list = append(list, r)
		}
		p.do(append([]string{"send", writeReadings(t, "good.jsonl", list...)}, args...)...)
		p.do(append([]string{"baseline", "accept"}, of...)...)
	}
}
