package station

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A file that the ledger has no room for is not known: it is tried again, and not taken for one that
// was sent.
func TestSpoolWithoutRoom(t *testing.T) {
	t.Parallel()
	s, err := openSpool(t.TempDir(), time.Now())
	if err != nil {
		t.Fatal(err)
	}
	defer s.close()
	book := s.book
	if s.book, err = os.Open(book.Name()); err != nil { // it cannot be written to
		t.Fatal(err)
	}
	e := &entry{Digest: strings.Repeat("ab", 32), Data: []packed{{ID: "1", Body: []byte("{}")}}}
	if err := s.put(e); err == nil || s.has(e.Digest) {
		t.Errorf("put: %v, known %v", err, s.has(e.Digest))
	}
	_ = s.book.Close()
	s.book = book
	if err := s.put(e); err != nil || !s.has(e.Digest) {
		t.Errorf("put again: %v", err)
	}
}

// A damaged entry of the spool holds up nothing and is kept.
func TestSpoolDamaged(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	bad := filepath.Join(b.spool, "0123.entry")
	if err := os.WriteFile(bad, []byte(`{"digest":"x"`), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(b.spool, ledgerFile), []byte("2026-03-04T07:00:00Z taken abc\n2026-03-"), 0o600); err != nil {
		t.Fatal(err)
	}
	b.write(place+"/h.txt", measured(2))
	b.start()
	b.bus.until(t, "the good one", func() bool { return len(b.bus.order) == 1 })
	if _, err := os.Stat(bad + ".damaged"); err != nil {
		t.Error(err)
	}
}

// After a power cut the ledger may end in zeros, and an entry may be torn: the watch starts, says which
// file was not sent, and takes that file when it is put back.
func TestSpoolAfterAPowerCut(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.bus.away = true
	name := place + "/h.txt"
	b.write(name, measured(2))
	stop := b.start()
	b.log.until(t, "files wait in the spool")
	stop()
	entries, err := filepath.Glob(filepath.Join(b.spool, "*.entry"))
	if err != nil || len(entries) != 1 {
		t.Fatalf("%v %v", entries, err)
	}
	whole, err := os.ReadFile(entries[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(entries[0], append(whole[:len(whole)-20], make([]byte, 20)...), 0o600); err != nil {
		t.Fatal(err)
	}
	ledger, err := os.OpenFile(filepath.Join(b.spool, ledgerFile), os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	zeros := make([]byte, 100_000)
	if _, err := ledger.Write(append(zeros, time.Now().UTC().Format(time.RFC3339)+" taken beyond-the-zeros\n"...)); err != nil {
		t.Fatal(err)
	}
	if err := ledger.Close(); err != nil {
		t.Fatal(err)
	}
	b.bus.set(func() { b.bus.away = false })
	stop = b.start()
	done := filepath.Join(b.dir, DoneDir, name)
	b.log.until(t, "damaged and set aside", filepath.Base(entries[0]), done)
	if err := os.Rename(done, filepath.Join(b.dir, name)); err != nil {
		t.Fatal(err)
	}
	b.bus.until(t, "the file put back", func() bool { return len(b.bus.order) == 1 })
	stop()
	s, err := openSpool(b.spool, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	defer s.close()
	if !s.has("beyond-the-zeros") {
		t.Error("what the ledger says behind the zeros is lost")
	}
}
