package worker_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/doctor"
)

// TestSpoiltBaseline damages one baseline on the disk. Its readings are refused with its name, and hold
// the inbox only for a moment; other printers are judged.
func TestSpoiltBaseline(t *testing.T) {
	b := setup(t)
	b.note(protocol.BaselineLearn, "", "")
	for i := range 10 {
		b.send(b.reading(monday.Add(time.Duration(i) * -8 * time.Hour)))
	}
	b.note(protocol.BaselineAccept, "", "")
	if rec := b.send(b.reading(monday.Add(-time.Minute))); rec.Verdict == nil || rec.Verdict.Outcome == protocol.Learning {
		t.Fatalf("by a sound baseline: %s", rec.Text)
	}
	b.stop()
	blocks, err := filepath.Glob(filepath.Join(b.dir, "*", "*", "*", "streams", "OBJ_"+protocol.BucketBaselines, "msgs", "1.blk"))
	if more, _ := filepath.Glob(filepath.Join(b.dir, "*", "*", "*", "*", "streams", "OBJ_"+protocol.BucketBaselines, "msgs", "1.blk")); len(blocks) == 0 {
		blocks = more
	}
	if err != nil || len(blocks) != 1 {
		t.Fatalf("blocks %v, %v", blocks, err)
	}
	f, err := os.OpenFile(blocks[0], os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt([]byte(strings.Repeat("\xff", 64)), 200); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	b.start()
	for i := range 2 {
		begun := time.Now()
		rec := b.send(b.reading(monday.Add(-time.Duration(30+i) * time.Second)))
		if rec.Refusal == nil || rec.Refusal.Code != protocol.CodeNotJudged || !strings.Contains(rec.Refusal.Hint, "baseline ") {
			t.Errorf("by a damaged baseline: %s", rec.Text)
		}
		t.Logf("reading %d was held for %s", i+1, time.Since(begun).Round(time.Millisecond))
	}
	other := b.reading(monday.Add(-10 * time.Second))
	other.Printer = "plover"
	if rec := b.send(other); rec.Verdict == nil {
		t.Errorf("another printer: %s", rec.Text)
	}
	found := doctor.Baselines(t.Context(), b.w.JetStream(), monday)
	if doctor.Worst(found) != doctor.Fault || !strings.Contains(found[0].Text, "quay/heron") {
		t.Errorf("doctor says %+v", found)
	}
}
