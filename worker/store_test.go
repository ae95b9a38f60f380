package worker_test

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol"
)

// A data folder as the first release with this format left it: a printer with a baseline of ten
// readings and two more, the second of them beyond the stop limit; and what must be known of it.
const (
	oldStore = "../testdata/store/2026-11.tar.gz"
	oldFacts = "../testdata/store/2026-11.json"
)

var makeStore = flag.Bool("make-store", false, "write the data folder of this release into testdata/store; only for a release that changes the format")

type storeFacts struct {
	Baseline string   `json:"baseline"` // its id
	Series   string   `json:"series"`
	Records  int      `json:"records"`
	LastSeq  uint64   `json:"last_inbox_seq"`
	Readings []string `json:"readings"`
}

// TestOldStoreOpens opens the data folder of an earlier release and goes on with it: the baseline is
// judged by, what was judged is not judged again, and history reads it all.
func TestOldStoreOpens(t *testing.T) {
	if *makeStore {
		writeStore(t)
	}
	var facts storeFacts
	data, err := os.ReadFile(oldFacts)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, &facts); err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, dir: t.TempDir(), clock: &fixedClock{now: monday.Add(13 * 24 * time.Hour)}, seen: map[uint64]*protocol.Record{}, chart: tinyChart()}
	unpack(t, oldStore, b.dir)
	b.start()
	if n := countRecords(t, b); n != uint64(facts.Records) {
		t.Errorf("%d records, want %d", n, facts.Records)
	}
	s, err := b.w.JetStream().Stream(t.Context(), protocol.StreamRecord)
	if err != nil {
		t.Fatal(err)
	}
	for seq := uint64(1); seq <= uint64(facts.Records); seq++ {
		m, err := s.GetMsg(t.Context(), seq)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := protocol.DecodeRecord(m.Data); err != nil {
			t.Errorf("record %d: %v", seq, err)
		}
	}
	rec := b.send(b.reading(monday.Add(13 * 24 * time.Hour)))
	if rec.Verdict == nil || rec.Series != facts.Series || rec.Verdict.Baseline.ID != facts.Baseline || rec.Verdict.Outcome == protocol.Learning {
		t.Fatalf("the next reading: %s, baseline %+v, want %s", rec.Text, rec.Verdict, facts.Baseline)
	}
	if rec.InboxSeq != facts.LastSeq+1 {
		t.Errorf("its input is %d, want %d", rec.InboxSeq, facts.LastSeq+1)
	}
	// The last reading of the old release once more, past the stream's own memory of ids.
	again := b.reading(monday.Add(12 * 24 * time.Hour))
	again.ID = facts.Readings[len(facts.Readings)-1]
	if rec := b.send(again); rec.Refusal == nil || rec.Refusal.Code != protocol.CodeDuplicateReading {
		t.Errorf("a reading that the old release judged: %s", rec.Text)
	}
	if rec := b.note(protocol.BaselineLearn, "", ""); rec.Refusal != nil {
		t.Errorf("learning on: %s", rec.Text)
	}
}

func writeStore(t *testing.T) {
	b := setup(t)
	b.clock.now = monday.Add(13 * 24 * time.Hour)
	b.note(protocol.BaselineLearn, "", "")
	var facts storeFacts
	for i := range 10 {
		r := b.reading(monday.Add(time.Duration(i) * 26 * time.Hour))
		for k := range r.Patches.Lab {
			r.Patches.Lab[k][0] += 0.05 * float64((i*7+k*3)%5-2)
		}
		facts.Readings = append(facts.Readings, r.ID)
		if rec := b.send(r); rec.Verdict == nil {
			t.Fatal(rec.Text)
		}
	}
	rec := b.note(protocol.BaselineAccept, "", "")
	if rec.Baseline == nil {
		t.Fatal(rec.Text)
	}
	for i := range 2 {
		r := b.reading(monday.Add(time.Duration(11*24+i) * time.Hour))
		if i == 1 {
			for k := range r.Patches.Lab {
				r.Patches.Lab[k][1] += 6
			}
		}
		facts.Readings = append(facts.Readings, r.ID)
		rec := b.send(r)
		if rec.Verdict == nil || rec.Verdict.Baseline.ID == "" {
			t.Fatal(rec.Text)
		}
		facts.Baseline, facts.Series, facts.LastSeq = rec.Verdict.Baseline.ID, rec.Series, rec.InboxSeq
	}
	facts.Records = int(countRecords(t, b))
	b.stop()
	if err := os.MkdirAll(filepath.Dir(oldStore), 0o755); err != nil {
		t.Fatal(err)
	}
	text, err := json.MarshalIndent(facts, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(os.WriteFile(oldFacts, append(text, '\n'), 0o644), os.WriteFile(oldStore, pack(t, b.dir), 0o644)); err != nil {
		t.Fatal(err)
	}
}

func pack(t *testing.T, dir string) []byte {
	t.Helper()
	var buf bytes.Buffer
	z, err := gzip.NewWriterLevel(&buf, gzip.BestCompression)
	if err != nil {
		t.Fatal(err)
	}
	w := tar.NewWriter(z)
	err = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() || strings.HasSuffix(path, ".lock") || d.Name() == "lock" {
			return err
		}
		rel, err := filepath.Rel(dir, path)
		if err != nil {
			return err
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		if err := w.WriteHeader(&tar.Header{Name: filepath.ToSlash(rel), Mode: 0o600, Size: int64(len(data))}); err != nil {
			return err
		}
		_, err = w.Write(data)
		return err
	})
	if err := errors.Join(err, w.Close(), z.Close()); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

func unpack(t *testing.T, file, dir string) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	r := tar.NewReader(z)
	for {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, filepath.FromSlash(h.Name))
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}
