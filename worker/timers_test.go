package worker_test

import (
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/alert"
	"swathkeeper/worker/handclock"
)

// A timer goes off while no record can be stored, because the stream is full: what it had to say comes as
// soon as there is room. A silent station brings no input that would.
func TestTimerOutlastsAFullStream(t *testing.T) {
	clock := handclock.New(monday)
	b := setupWith(t, func(o *worker.Options) {
		o.Clock = clock
		o.Alert.Expect = []alert.Expect{{Site: "quay", Printer: "heron", Every: 2 * time.Hour}}
	})
	b.send(b.reading(monday))
	records, err := b.w.JetStream().Stream(t.Context(), protocol.StreamRecord)
	if err != nil {
		t.Fatal(err)
	}
	conf := records.CachedInfo().Config
	room := conf.MaxBytes
	limit := func(bytes int64) {
		t.Helper()
		conf.MaxBytes = bytes
		if _, err := b.w.JetStream().UpdateStream(t.Context(), conf); err != nil {
			t.Fatal(err)
		}
	}
	limit(1)
	// asked waits until the timers look at the clock for a time.
	asked := func(at time.Time) {
		t.Helper()
		timeout := time.After(time.Minute)
		for {
			select {
			case got := <-clock.Asked():
				if got.Equal(at) {
					return
				}
			case <-timeout:
				t.Fatalf("nobody waits for %s", at)
			}
		}
	}
	due := monday.Add(2 * time.Hour)
	asked(due)
	clock.Set(due)
	asked(due.Add(10 * time.Second)) // it has failed, and is tried again then
	limit(room)
	clock.Set(due.Add(10 * time.Second))
	rec := b.timer()
	if len(rec.Changes) != 1 || rec.Changes[0].Advice != protocol.AdviceSilent {
		t.Errorf("the timer's record: %s", rec.Text)
	}
}

// A reminder is not forgotten with an input that is refused after its printer had to be read anew.
func TestReminderOutlastsARefusal(t *testing.T) {
	clock := handclock.New(monday)
	b := setupWith(t, func(o *worker.Options) {
		o.Clock = clock
		o.Alert.Expect = []alert.Expect{{Site: "quay", Printer: "heron", Every: 2 * time.Hour}}
	})
	first := b.send(b.reading(monday))
	// Another worker of the printer records something: this one must read it anew.
	last, err := b.w.JetStream().Stream(t.Context(), protocol.StreamRecord)
	if err != nil {
		t.Fatal(err)
	}
	m, err := last.GetLastMsgForSubject(t.Context(), protocol.PrinterRecords("quay", "heron"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.w.JetStream().Publish(t.Context(), m.Subject, m.Data, jetstream.WithMsgID("another")); err != nil {
		t.Fatal(err)
	}
	if rec := b.put(protocol.ReadingSubject("quay", "heron"), []byte("no reading"), ""); rec.Refusal == nil || rec.InboxSeq == first.InboxSeq {
		t.Fatalf("not refused: %s", rec.Text)
	}
	clock.Set(monday.Add(2 * time.Hour))
	if rec := b.timer(); len(rec.Changes) != 1 || rec.Changes[0].Advice != protocol.AdviceSilent {
		t.Errorf("the timer's record: %s", rec.Text)
	}
}

// timer waits for the next record of a timer.
func (b *bench) timer() *protocol.Record {
	b.t.Helper()
	timeout := time.After(time.Minute)
	for {
		select {
		case rec := <-b.records:
			if rec.InboxSeq == 0 {
				return rec
			}
		case <-timeout:
			b.t.Fatal("no timer's record")
		}
	}
}
