package worker_test

import (
	"testing"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/retention"
)

// A printer whose newest record is damaged on the disk is not taken for a new one: what the record before it
// remembers counts, for the printer and for the series.
func TestDamagedNewestRecord(t *testing.T) {
	b := setup(t)
	b.note(protocol.BaselineLearn, "", "")
	for i := range 3 {
		b.send(b.reading(monday.Add(time.Duration(i-20) * 8 * time.Hour)))
	}
	b.stop()
	spoil(t, b.dir, protocol.StreamRecord, -700)
	b.start()
	// What is old is removed all the same.
	if _, err := retention.Look(t.Context(), b.w.JetStream(), retention.DefaultPolicy(), time.Now().Add(3000*24*time.Hour)); err != nil {
		t.Errorf("what is old: %v", err)
	}
	rec := b.note(protocol.BaselineAccept, "", "")
	if rec.Baseline == nil || rec.Baseline.Count != 2 {
		t.Fatalf("after the damage: %s", rec.Text)
	}
	if rec := b.send(b.reading(monday)); rec.Verdict == nil || rec.Verdict.Baseline.Count != 2 {
		t.Errorf("the next reading: %s", rec.Text)
	}
}
