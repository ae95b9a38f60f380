package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/station"
)

// dialWorker connects to a running worker as its own commands do.
func (p *program) dialWorker() (*nats.Conn, jetstream.JetStream) {
	p.t.Helper()
	ep, err := bus.ReadEndpoint(p.dir)
	if err != nil {
		p.t.Fatal(err)
	}
	nc, err := nats.Connect(ep.Address, nats.Token(ep.Token), nats.NoReconnect())
	if err != nil {
		p.t.Fatal(err)
	}
	js, err := jetstream.New(nc)
	if err != nil {
		p.t.Fatal(err)
	}
	return nc, js
}

// TestKillBetweenPublishAndVerdict kills the worker right after it has taken a reading, again and
// again, while a printer drifts out and comes back. Each reading must have exactly one record, and
// each transition of an alert must stand in exactly one.
func TestKillBetweenPublishAndVerdict(t *testing.T) {
	kills := 20
	if s := os.Getenv("TEST_KILLS"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil {
			t.Fatal(err)
		}
		kills = n
	}
	p := &program{t: t, dir: t.TempDir()}
	worker := p.start()
	out := p.do("chart", "add", "../../testdata/charts/FOGRA39L.txt", "--id", "offset-coated", "--json")
	var layout protocol.Chart
	if err := json.Unmarshal([]byte(out), &layout); err != nil {
		t.Fatal(err)
	}
	chart := layout.ID + "." + layout.Edition
	good, drifted := fogra(t, "FOGRA39L.txt", chart), fogra(t, "TR006.txt", chart)
	rng := rand.New(rand.NewPCG(2026, 5))
	at := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)

	sent := map[string]bool{}
	publish := func(js jetstream.JetStream, r *protocol.Reading) {
		t.Helper()
		data, err := station.Pack(r)
		if err != nil {
			t.Fatal(err)
		}
		if _, _, err := station.Publish(t.Context(), js, r, data); err != nil {
			t.Fatal(err)
		}
		sent[r.ID] = true
	}
	p.do("baseline", "learn", "--site", "quay", "--printer", "heron")
	nc, js := p.dialWorker()
	for range 10 {
		at = at.Add(8 * time.Hour)
		publish(js, remeasured(good, at, rng))
	}
	p.do("baseline", "accept", "--site", "quay", "--printer", "heron")

	for i := range kills {
		at = at.Add(8 * time.Hour)
		r := remeasured(good, at, rng)
		if i%8 >= 4 {
			r = remeasured(drifted, at, rng)
		}
		publish(js, r)
		// From at once to about two milliseconds later: before, in the middle of and after the
		// commit of the verdict.
		for end := time.Now().Add(time.Duration(rng.IntN(2000)) * time.Microsecond); time.Now().Before(end); {
		}
		nc.Close()
		if err := worker.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = worker.Wait()
		worker = p.start()
		nc, js = p.dialWorker()
	}
	defer nc.Close()
	p.do("journal", "add", "note", "--site", "quay", "--printer", "heron", "--text", "the last input")

	verdicts, inputs, transitions := map[string]int{}, map[uint64]int{}, transitionCount{}
	open := map[string]bool{}
	for _, r := range p.records() {
		inputs[r.InboxSeq]++
		if r.Verdict != nil {
			verdicts[r.Verdict.Reading]++
		}
		if r.Refusal != nil {
			t.Errorf("refused: %s", r.Text)
		}
		for _, c := range r.Changes {
			transitions.take(t, open, c)
		}
	}
	for id := range sent {
		if verdicts[id] != 1 {
			t.Errorf("reading %s has %d verdicts", id, verdicts[id])
		}
	}
	for seq, n := range inputs {
		if seq != 0 && n != 1 {
			t.Errorf("input %d has %d records", seq, n)
		}
	}
	for what, n := range transitions {
		if n != 1 {
			t.Errorf("transition %q stands in %d records", what, n)
		}
	}
	if kills >= 16 && len(transitions) < 2 {
		t.Errorf("only %d transitions: the test did not drive the alerts", len(transitions))
	}
	// The rows, which are made beside the records and not flushed with them, tell the same story.
	records := p.records()
	lines, err := csv.NewReader(strings.NewReader(p.do("history", "--csv"))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(lines) != len(records)+1 {
		t.Errorf("%d rows for %d records", len(lines)-1, len(records))
	}
	for i, r := range records[:min(len(records), len(lines)-1)] {
		if lines[i+1][12] != r.ID {
			t.Errorf("row %d is %s, record %s", i, lines[i+1][12], r.ID)
		}
	}
	t.Logf("%d kills, %d readings, %d transitions", kills, len(sent), len(transitions))
}

// transitionCount says how often each change of an alert stands in the records.
type transitionCount map[string]int

// take counts a change and holds it against what is open: nothing is raised twice, or ends without
// having been open.
func (n transitionCount) take(t *testing.T, open map[string]bool, c protocol.Change) {
	t.Helper()
	n[fmt.Sprintf("%s %s %s", c.Key, c.Change, c.Verdict)]++
	switch c.Change {
	case protocol.ChangeRaised:
		if open[c.Key] {
			t.Errorf("%s raised twice", c.Key)
		}
		open[c.Key] = true
	case protocol.ChangeCleared, protocol.ChangeAbsorbed, protocol.ChangeClosed:
		if !open[c.Key] {
			t.Errorf("%s %s without being open", c.Key, c.Change)
		}
		open[c.Key] = false
	}
}
