package worker_test

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/history"
)

// inParts starts a worker whose inbox is divided into n.
func inParts(n int) func(*worker.Options) {
	return func(o *worker.Options) {
		o.Limits = bus.DefaultLimits()
		o.Limits.Partitions = n
	}
}

// The worker must know into which part of the inbox the server puts a printer, or its timers would run
// where nobody judges. The server's own mapping of subjects is what it is held against.
func TestPartsAreTheServers(t *testing.T) {
	for _, n := range []int{2, 3, 8, 64} {
		tr, err := server.NewSubjectTransform("swk.*.*.*", fmt.Sprintf("%d.{{partition(%d,2,3)}}.swk.{{wildcard(1)}}.{{wildcard(2)}}.{{wildcard(3)}}", n, n))
		if err != nil {
			t.Fatal(err)
		}
		for i := range 300 {
			site, printer := fmt.Sprintf("site-%d", i%7), fmt.Sprintf("p%d", i)
			for _, sent := range []string{protocol.ReadingSubject(site, printer), protocol.NoteSubject(site, printer)} {
				stored, err := tr.Match(sent)
				if err != nil {
					t.Fatal(err)
				}
				if want := fmt.Sprintf("%d.%d.%s", n, bus.PartOf(site, printer, n), sent); stored != want {
					t.Fatalf("the server stores %s as %s, the worker looks for it as %s", sent, stored, want)
				}
				if plain := protocol.PlainInput(stored); plain != sent {
					t.Fatalf("%s is read as %s", stored, plain)
				}
			}
		}
	}
}

// orderly holds the records of a store against its inbox: each input one record, a printer's in order.
func orderly(t *testing.T, b *bench, inputs int) {
	t.Helper()
	last, seen := map[string]uint64{}, map[uint64]bool{}
	err := history.Read(t.Context(), b.w.JetStream(), history.Query{}, func(e history.Entry) error {
		r := e.Record
		if r.InboxSeq == 0 {
			return nil
		}
		if seen[r.InboxSeq] {
			t.Errorf("input %d has two records", r.InboxSeq)
		}
		if r.InboxSeq <= last[r.Printer] {
			t.Errorf("%s: input %d was recorded after %d", r.Printer, r.InboxSeq, last[r.Printer])
		}
		seen[r.InboxSeq], last[r.Printer] = true, r.InboxSeq
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(seen) != inputs {
		t.Errorf("%d of %d inputs have a record", len(seen), inputs)
	}
}

// Dividing an inbox in which readings wait loses none and judges none twice, and keeps the order of
// every printer: what came before is judged first.
func TestDividedAnew(t *testing.T) {
	b := setup(t)
	at := monday
	var waiting []message
	more := func(n int) {
		for i := range n {
			at = at.Add(time.Minute)
			r := b.reading(at)
			r.Printer = fmt.Sprintf("p%d", i%7)
			data, err := json.Marshal(r)
			if err != nil {
				t.Fatal(err)
			}
			waiting = append(waiting, message{protocol.ReadingSubject("quay", r.Printer), data})
		}
	}
	sent := 0
	for _, n := range []int{1, 4, 1, 6, 4} {
		b.stop()
		// Into the old division, ...
		more(20)
		fill(b, waiting)
		sent, waiting = sent+len(waiting), nil
		b.change = inParts(n)
		b.start()
		// ... and at once into the new one, while the old one is judged.
		more(20)
		for _, m := range waiting {
			if _, err := b.w.JetStream().Publish(t.Context(), m.subject, m.data); err != nil {
				t.Fatal(err)
			}
		}
		sent, waiting = sent+len(waiting), nil
		for seq := range uint64(sent) {
			b.wait(seq + 1)
		}
		orderly(t, b, sent)
		d, err := bus.ReadDivision(t.Context(), b.w.JetStream())
		if err != nil || d.Count() != n {
			t.Fatalf("divided into %d, want %d; %v", d.Count(), n, err)
		}
	}
	for seq, r := range b.seen {
		if r.Verdict == nil {
			t.Errorf("input %d: %s", seq, r.Text)
		}
	}
}

// While a worker judges what an earlier division left, its report tells of that as of any other judging.
func TestReportTellsOfAnEarlierDivision(t *testing.T) {
	b := setup(t)
	b.stop()
	var waiting []message
	for i := range 3 {
		data, err := json.Marshal(b.reading(monday.Add(time.Duration(i) * time.Hour)))
		if err != nil {
			t.Fatal(err)
		}
		waiting = append(waiting, message{protocol.ReadingSubject("quay", "heron"), data})
	}
	fill(b, waiting)
	b.change = inParts(4)
	inHand, goOn := make(chan struct{}), make(chan struct{})
	first := true
	b.onRecord = func(*protocol.Record) {
		if first {
			first = false
			close(inHand)
			<-goOn
		}
	}
	b.start()
	<-inHand
	r := b.w.Report(t.Context())
	close(goOn)
	if r.Waiting == 0 || r.PartsHere != 1 || r.PartsElsewhere != 0 || r.LastRecord.IsZero() {
		t.Errorf("%d wait, %d parts are judged here, %d elsewhere, the last record is of %v", r.Waiting, r.PartsHere, r.PartsElsewhere, r.LastRecord)
	}
	for seq := range uint64(len(waiting)) {
		b.wait(seq + 1)
	}
}

// While inputs of an earlier division wait, the inbox is not divided once more: their order could not
// be kept.
func TestNotDividedTwice(t *testing.T) {
	b := setup(t)
	b.stop()
	data, err := json.Marshal(b.reading(monday))
	if err != nil {
		t.Fatal(err)
	}
	fill(b, []message{{protocol.ReadingSubject("quay", "heron"), data}})
	divide := func(n int) error {
		_, js, done := openFolder(b)
		defer done()
		l := bus.DefaultLimits()
		l.Partitions = n
		return bus.Provision(t.Context(), js, l)
	}
	if err := divide(4); err != nil {
		t.Fatal(err)
	}
	if err := divide(8); err == nil {
		t.Error("divided twice over a reading that waits")
	}
	if err := divide(65); err == nil {
		t.Error("divided into more parts than are allowed")
	}
	// A worker that is told to divide it again cannot yet, but it is the one who judges what waits.
	b.change = inParts(8)
	b.start()
	b.wait(1)
	if d, err := bus.ReadDivision(t.Context(), b.w.JetStream()); err != nil || d.Count() != 4 {
		t.Errorf("while a reading waited it was divided into %d, %v", d.Count(), err)
	}
	b.stop()
	b.start()
	if d, err := bus.ReadDivision(t.Context(), b.w.JetStream()); err != nil || d.Count() != 8 {
		t.Errorf("once nothing waits a worker divides it into %d, %v", d.Count(), err)
	}
	b.stop()
	b.change = nil
	if err := divide(2); err != nil {
		t.Errorf("once nothing waits: %v", err)
	}
}
