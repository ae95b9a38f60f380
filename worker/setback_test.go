package worker_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"swathkeeper/protocol"
)

// An inbox that lost its end, or was brought back from an older copy, gives the places out a second time.
// What comes then is judged, not taken for what was judged before.
func TestInboxSetBack(t *testing.T) {
	b := setup(t)
	first := b.reading(monday)
	b.send(first)
	at := func(n int) time.Time { return monday.Add(time.Duration(n) * time.Minute) }
	for n := 1; n < 8; n++ {
		b.send(b.reading(at(n)))
	}
	b.stop()
	b.loseInbox()
	b.start()
	for n := 8; n < 12; n++ {
		if rec := b.send(b.reading(at(n))); rec.Kind != protocol.KindVerdict || rec.InboxSeq > 8 {
			t.Errorf("reading %d: %s at place %d; the inbox was to begin anew", n, rec.Kind, rec.InboxSeq)
		}
	}
	// What was judged before is still known.
	if rec := b.send(first); rec.Refusal == nil || rec.Refusal.Code != protocol.CodeDuplicateReading {
		t.Errorf("a reading of before, again: %s %+v", rec.Kind, rec.Refusal)
	}
	// And a message that comes again has its record.
	b.stop()
	clear(b.seen)
	b.start()
	if rec := b.send(b.reading(at(12))); rec.Kind != protocol.KindVerdict {
		t.Errorf("after another start: %s", rec.Kind)
	}
}

// A refused input may stand at the very place of one that was refused before the inbox was set back: it has
// a record of its own.
func TestRefusedAfterSetBack(t *testing.T) {
	b := setup(t)
	subject := protocol.ReadingSubject("quay", "heron")
	b.send(b.reading(monday))
	b.put(subject, []byte("not a reading"), "")
	b.send(b.reading(monday.Add(time.Minute)))
	b.stop()
	b.loseInbox()
	b.start()
	b.send(b.reading(monday.Add(2 * time.Minute)))
	if rec := b.put(subject, []byte("nor is this"), ""); rec.Refusal == nil || rec.InboxSeq != 2 {
		t.Errorf("input %d: %s", rec.InboxSeq, rec.Kind)
	}
}

// loseInbox takes away all messages of the inbox of a worker that does not run.
func (b *bench) loseInbox() {
	b.t.Helper()
	blocks, err := filepath.Glob(filepath.Join(b.dir, "bus", "jetstream", "*", "streams", protocol.StreamInbox, "msgs", "*"))
	if err != nil || len(blocks) == 0 {
		b.t.Fatalf("no blocks of the inbox: %v, %v", blocks, err)
	}
	for _, path := range blocks {
		if err := os.Remove(path); err != nil {
			b.t.Fatal(err)
		}
	}
	clear(b.seen)
}
