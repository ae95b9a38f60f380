package archive_test

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/archive"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/history"
	"swathkeeper/worker/station"
)

// start runs a worker on a folder; records are what it stores.
func start(t *testing.T, dir string) (*worker.Worker, chan *protocol.Record) {
	t.Helper()
	records := make(chan *protocol.Record, 1000)
	w, err := worker.New(worker.Options{DataDir: dir, NoSync: true, Log: zerolog.Nop(), OnRecord: func(r *protocol.Record) { records <- r }})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = w.Stop(t.Context()) })
	return w, records
}

// raw opens the bus of a folder that no worker runs on.
func raw(t *testing.T, dir string) (*nats.Conn, jetstream.JetStream, func()) {
	t.Helper()
	e, err := bus.StartEmbedded(t.Context(), bus.EmbeddedOptions{Dir: dir, MaxStore: bus.DefaultLimits().Total(), Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	nc, js, err := bus.Connect(t.Context(), bus.ConnectOptions{Embedded: e, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	return nc, js, func() { nc.Close(); e.Stop() }
}

func note(t *testing.T, js jetstream.JetStream, printer string) uint64 {
	t.Helper()
	n := &protocol.Note{Schema: protocol.SchemaNote, ID: uuid.NewString(), At: time.Now(), Site: "quay", Printer: printer, Text: "made up", Journal: &protocol.JournalNote{What: protocol.DidNote}}
	seq, err := station.PublishNote(t.Context(), js, n)
	if err != nil {
		t.Fatal(err)
	}
	return seq
}

func wait(t *testing.T, records chan *protocol.Record, seq uint64) *protocol.Record {
	t.Helper()
	for {
		select {
		case r := <-records:
			if r.InboxSeq == seq {
				return r
			}
			if r.InboxSeq > seq {
				t.Fatalf("input %d was passed over", seq)
			}
		case <-time.After(time.Minute):
			t.Fatalf("input %d has no record", seq)
		}
	}
}

// inputs counts the records of each input.
func inputs(t *testing.T, js jetstream.JetStream) map[uint64]int {
	t.Helper()
	out := map[uint64]int{}
	if err := history.Read(t.Context(), js, history.Query{}, func(e history.Entry) error { out[e.Record.InboxSeq]++; return nil }); err != nil {
		t.Fatal(err)
	}
	return out
}

// exported fills a store, exports it, and gives the file and the folder it came from. Two inputs in
// it are not judged yet.
func exported(t *testing.T) (path, dir string) {
	t.Helper()
	dir = t.TempDir()
	w, records := start(t, dir)
	for i := range 12 {
		wait(t, records, note(t, w.JetStream(), []string{"heron", "plover"}[i%2]))
	}
	if err := w.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, bus.GrantsFile), []byte(`{"grants":[]}`), 0o600); err != nil {
		t.Fatal(err)
	}
	nc, js, done := raw(t, dir)
	defer done()
	note(t, js, "heron")
	note(t, js, "heron")
	stores, err := bus.OpenStores(t.Context(), js)
	if err != nil {
		t.Fatal(err)
	}
	defer stores.Close()
	if _, err := stores.PutBaseline(t.Context(), bytes.Repeat([]byte("a baseline"), 50_000)); err != nil {
		t.Fatal(err)
	}
	path = filepath.Join(t.TempDir(), "export.zip")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	m, err := archive.Export(t.Context(), nc, js, filepath.Join(dir, bus.GrantsFile), "test", f)
	if err := errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
	if m.Judged != 12 {
		t.Errorf("judged up to %d, want 12", m.Judged)
	}
	return path, dir
}

func imported(t *testing.T, path, dir string) error {
	t.Helper()
	a, err := archive.Open(path)
	if err != nil {
		return err
	}
	defer a.Close()
	nc, js, done := raw(t, dir)
	defer done()
	return a.Import(t.Context(), nc, js, bus.DefaultLimits(), filepath.Join(dir, bus.GrantsFile))
}

// After a move everything is there; what was judged is not judged again, what was not is, and what
// comes next is judged too.
func TestMove(t *testing.T) {
	path, from := exported(t)
	to := t.TempDir()
	if err := imported(t, path, to); err != nil {
		t.Fatal(err)
	}
	w, records := start(t, to)
	for seq := uint64(13); seq <= 14; seq++ {
		if r := wait(t, records, seq); r.Kind != protocol.KindJournal {
			t.Errorf("input %d became %s: %s", seq, r.Kind, r.Text)
		}
	}
	next := note(t, w.JetStream(), "plover")
	if next != 15 {
		t.Errorf("the next input is %d: the inbox must go on above the highest that was recorded", next)
	}
	wait(t, records, next)
	for seq, n := range inputs(t, w.JetStream()) {
		if n != 1 {
			t.Errorf("input %d has %d records", seq, n)
		}
	}
	if n := len(inputs(t, w.JetStream())); n != 15 {
		t.Errorf("%d inputs have records, want 15", n)
	}
	// The same messages, with their sequences and times, in every stream that was moved.
	_, before, done := raw(t, from)
	defer done()
	for _, s := range []string{protocol.StreamInbox, "OBJ_" + protocol.BucketBaselines} {
		a, b := messages(t, before, s), messages(t, w.JetStream(), s)
		for k, v := range a {
			if b[k] != v {
				t.Errorf("%s: %s is %s there and %s here", s, k, v, b[k])
			}
		}
	}
	if data, err := os.ReadFile(filepath.Join(to, bus.GrantsFile)); err != nil || string(data) != `{"grants":[]}` {
		t.Errorf("grants: %q, %v", data, err)
	}
}

func messages(t *testing.T, js jetstream.JetStream, stream string) map[string]string {
	t.Helper()
	out := map[string]string{}
	if err := bus.ReadDirect(t.Context(), js, stream, ">", 0, time.Time{}, func(m bus.Message) error {
		out[fmt.Sprint(m.Seq)] = fmt.Sprintf("%s %s %d", m.Subject, m.Time, len(m.Data))
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return out
}

// TestMoveForgetsWorkers exports the store of a worker that still runs. Where it is imported, a worker of
// the same name must not find that it crashed: it never ran there.
func TestMoveForgetsWorkers(t *testing.T) {
	from, to := t.TempDir(), t.TempDir()
	w, records := start(t, from)
	wait(t, records, note(t, w.JetStream(), "heron"))
	path := filepath.Join(t.TempDir(), "export.zip")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	_, err = archive.Export(t.Context(), w.Conn(), w.JetStream(), "", "test", f)
	if err := errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
	keys, err := bus.Keys(t.Context(), w.JetStream(), protocol.BucketSent)
	if err != nil || len(keys) == 0 || !strings.HasPrefix(keys[0], bus.PresencePrefix) {
		t.Fatalf("the worker that was exported has left no sign of life: %v, %v", keys, err)
	}
	if err := w.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := imported(t, path, to); err != nil {
		t.Fatal(err)
	}
	nc, js, done := raw(t, to)
	defer done()
	defer nc.Close()
	if keys, err := bus.Keys(t.Context(), js, protocol.BucketSent); err != nil || len(keys) != 0 {
		t.Errorf("signs of life came along: %v, %v", keys, err)
	}
}

// TestMoveDivided moves an inbox that is divided into three, of which one part is far behind the others.
func TestMoveDivided(t *testing.T) {
	from, to := t.TempDir(), t.TempDir()
	limits := bus.DefaultLimits()
	limits.Partitions = 3
	run := func(dir string) (*worker.Worker, chan *protocol.Record) {
		records := make(chan *protocol.Record, 1000)
		w, err := worker.New(worker.Options{DataDir: dir, NoSync: true, Limits: limits, Log: zerolog.Nop(), OnRecord: func(r *protocol.Record) { records <- r }})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Start(t.Context()); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = w.Stop(t.Context()) })
		return w, records
	}
	// One printer for each part.
	var printers []string
	for i, seen := 0, map[int]bool{}; len(printers) < 3; i++ {
		name := fmt.Sprintf("heron-%d", i)
		if p := bus.PartOf("quay", name, 3); !seen[p] {
			seen[p], printers = true, append(printers, name)
		}
	}
	got := map[uint64]int{}
	collect := func(records chan *protocol.Record, n int) {
		t.Helper()
		for range n {
			select {
			case r := <-records:
				got[r.InboxSeq]++
			case <-time.After(time.Minute):
				t.Fatalf("only %d inputs have records", len(got))
			}
		}
	}
	w, records := run(from)
	for i := range 12 {
		note(t, w.JetStream(), printers[i%3])
	}
	collect(records, 12)
	// A record is stored before the bus hears that its input is done with.
	for limit := time.Now().Add(time.Minute); w.Report(t.Context()).Waiting > 0; {
		if time.Now().After(limit) {
			t.Fatal("inputs wait that have their records")
		}
	}
	if err := w.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	// What waits is all of one part.
	nc, js, done := raw(t, from)
	for range 4 {
		note(t, js, printers[1])
	}
	path := filepath.Join(t.TempDir(), "export.zip")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	_, err = archive.Export(t.Context(), nc, js, "", "test", f)
	done()
	if err := errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
	if err := imported(t, path, to); err != nil {
		t.Fatal(err)
	}
	_, js, done = raw(t, to)
	d, err := bus.ReadDivision(t.Context(), js)
	if err != nil || d.Count() != 3 {
		t.Errorf("the inbox came as %d parts: %v", d.Count(), err)
	}
	for _, p := range d.Parts {
		want := uint64(0)
		if p.Number == bus.PartOf("quay", printers[1], 3) {
			want = 4
		}
		if q, err := d.Queue(t.Context(), js, p); err != nil || q.Waiting != want {
			t.Errorf("in part %d %d wait, want %d: %v", p.Number, q.Waiting, want, err)
		}
	}
	done()
	w, records = run(to)
	for i := range 6 {
		note(t, w.JetStream(), printers[i%3])
	}
	collect(records, 10)
	for seq := uint64(1); seq <= 22; seq++ {
		if got[seq] != 1 {
			t.Errorf("input %d was judged %d times", seq, got[seq])
		}
	}
	for seq, n := range inputs(t, w.JetStream()) {
		if n != 1 {
			t.Errorf("input %d has %d records", seq, n)
		}
	}
}

// Where something is, nothing is imported; and a failed import leaves nothing behind.
func TestNotMixed(t *testing.T) {
	path, from := exported(t)
	if err := imported(t, path, from); !errors.Is(err, archive.ErrNotEmpty) {
		t.Errorf("into its own folder: %v", err)
	}
}

// A file that is not whole, or not what its manifest says, is refused before anything is made.
func TestDamaged(t *testing.T) {
	path, _ := exported(t)
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(data, []byte("SWK_RECORD.snapshot")) + 200
	for name, change := range map[string]func() []byte{
		"cut short": func() []byte { return data[:len(data)/2] },
		"a bit":     func() []byte { d := bytes.Clone(data); d[at] ^= 1; return d },
		"empty":     func() []byte { return nil },
		"no part": func() []byte {
			return rezip(t, path, func(n string, b []byte) []byte { return leave(n, "SWK_INBOX.snapshot", b) })
		},
		"no manifest": func() []byte {
			return rezip(t, path, func(n string, b []byte) []byte { return leave(n, "manifest.json", b) })
		},
		"another part": func() []byte {
			return rezip(t, path, func(n string, b []byte) []byte {
				if n == "SWK_INBOX.snapshot" {
					return append(b, 0)
				}
				return b
			})
		},
		"another kind": func() []byte {
			return rezip(t, path, func(n string, b []byte) []byte {
				return bytes.ReplaceAll(b, []byte("swathkeeper.export/1"), []byte("swathkeeper.export/9"))
			})
		},
		"an inbox behind": func() []byte {
			return rezip(t, path, func(n string, b []byte) []byte {
				return bytes.ReplaceAll(b, []byte(`"judged": 12`), []byte(`"judged": 99`))
			})
		},
	} {
		bad := filepath.Join(t.TempDir(), "bad.zip")
		if err := os.WriteFile(bad, change(), 0o600); err != nil {
			t.Fatal(err)
		}
		dir := t.TempDir()
		err := imported(t, bad, dir)
		if err == nil {
			t.Errorf("%s: it was imported", name)
			continue
		}
		if _, err := os.Stat(filepath.Join(dir, "bus")); err == nil {
			t.Errorf("%s: something was made", name)
		}
		if strings.Contains(err.Error(), "panic") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func leave(name, without string, b []byte) []byte {
	if name == without {
		return nil
	}
	return b
}

// rezip makes another archive of one; a part that becomes nil is left out.
func rezip(t *testing.T, path string, change func(name string, b []byte) []byte) []byte {
	t.Helper()
	r, err := zip.OpenReader(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var out bytes.Buffer
	w := zip.NewWriter(&out)
	for _, f := range r.File {
		rc, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(rc)
		if err := errors.Join(err, rc.Close()); err != nil {
			t.Fatal(err)
		}
		if b = change(f.Name, b); b == nil {
			continue
		}
		to, err := w.Create(f.Name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := to.Write(b); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}
