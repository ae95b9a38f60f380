package worker_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/doctor"
)

// spoil damages the first block of a stream on the disk of a worker that is stopped.
func spoil(t *testing.T, dir, stream string, at int64) {
	t.Helper()
	found := ""
	err := filepath.WalkDir(dir, func(path string, _ fs.DirEntry, err error) error {
		if strings.HasSuffix(path, filepath.Join("streams", stream, "msgs", "1.blk")) {
			found = path
		}
		return err
	})
	if err != nil || found == "" {
		t.Fatalf("no block of %s: %v", stream, err)
	}
	f, err := os.OpenFile(found, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt([]byte(strings.Repeat("\xff", 64)), at); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestDoctorMissesAStream deletes a stream of a store that holds readings: nobody is told to start a worker,
// which would make an empty one, and a worker that starts all the same says so loudly.
func TestDoctorMissesAStream(t *testing.T) {
	b := setup(t)
	b.send(b.reading(monday))
	if err := b.w.JetStream().DeleteStream(t.Context(), "OBJ_"+protocol.BucketBaselines); err != nil {
		t.Fatal(err)
	}
	found := doctor.Bus(t.Context(), b.w.JetStream(), true)
	if len(found) != 1 || found[0].Verdict != doctor.Fault || !strings.Contains(found[0].Next, "from a copy") || strings.Contains(found[0].Next, "start the worker") {
		t.Errorf("doctor says %+v", found)
	}
	b.stop()
	log := &lines{}
	b.change = func(o *worker.Options) { o.Log = zerolog.New(log) }
	b.start()
	b.stop() // the log is complete
	if !strings.Contains(log.text(), "this store has lost a part") {
		t.Errorf("the worker's log:\n%s", log.text())
	}
}

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
	spoil(t, b.dir, "OBJ_"+protocol.BucketBaselines, 200)
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
