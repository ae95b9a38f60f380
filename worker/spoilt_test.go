package worker_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/doctor"
)

// spoil damages the first block of a stream on the disk of a worker that is stopped, at a place that is
// counted from its end where it is below 0.
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
	if at < 0 {
		st, err := f.Stat()
		if err != nil {
			t.Fatal(err)
		}
		at += st.Size()
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

// TestDoctorFindsDamage damages records and a layout on the disk of a worker that is stopped. The server
// passes over them without a word, and says that they are not there when asked for them.
func TestDoctorFindsDamage(t *testing.T) {
	for _, c := range []struct {
		stream string
		at     int64
		word   string
	}{
		{protocol.StreamRecord, 200, "1 of the newest 20 messages of SWK_RECORD"},   // the first
		{protocol.StreamRecord, 10000, "1 of the newest 20 messages of SWK_RECORD"}, // one in the middle
		{protocol.StreamRecord, -700, "the newest record of quay/heron is damaged"},
		{protocol.StreamInbox, 300, "1 of the newest 20 messages of SWK_INBOX"}, // a reading
		{"KV_" + protocol.BucketCharts, 200, "is damaged: the store has it"},    // the layout
	} {
		t.Run(c.stream, func(t *testing.T) {
			b := setup(t)
			for i := range 20 {
				b.send(b.reading(monday.Add(time.Duration(i) * -8 * time.Hour)))
			}
			if f := doctor.Damage(t.Context(), b.w.JetStream()); doctor.Worst(f) != doctor.Fine {
				t.Errorf("before: %+v", f)
			}
			b.stop()
			spoil(t, b.dir, c.stream, c.at)
			b.start()
			found := append(doctor.Damage(t.Context(), b.w.JetStream()), doctor.Store(t.Context(), b.w.JetStream())...)
			if !slices.ContainsFunc(found, func(f doctor.Finding) bool {
				return f.Verdict == doctor.Fault && strings.Contains(f.Text, c.word) && strings.Contains(f.Next, "from a copy")
			}) {
				t.Errorf("doctor does not say %q: %+v", c.word, found)
			}
		})
	}
}

// TestChartsBesideABadOne lists the layouts that can be read although one before them cannot.
func TestChartsBesideABadOne(t *testing.T) {
	b := setup(t)
	kv, err := b.w.JetStream().KeyValue(t.Context(), protocol.BucketCharts)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := kv.Put(t.Context(), "a-bad.one", []byte("{")); err != nil {
		t.Fatal(err)
	}
	if _, err := kv.Put(t.Context(), "a-gone.one", []byte("{")); err != nil {
		t.Fatal(err)
	}
	if err := kv.Delete(t.Context(), "a-gone.one"); err != nil {
		t.Fatal(err)
	}
	stores, err := bus.OpenStores(t.Context(), b.w.JetStream())
	if err != nil {
		t.Fatal(err)
	}
	defer stores.Close()
	charts, err := stores.Charts(t.Context())
	if len(charts) != 1 || err == nil || !strings.Contains(err.Error(), "chart a-bad.one") || strings.Contains(err.Error(), "a-gone") {
		t.Errorf("%d layouts, %v", len(charts), err)
	}
}
