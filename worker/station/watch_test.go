package station

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"swathkeeper/protocol"
)

// measured is a small measurement file; n makes its content one of its own.
func measured(n int) string {
	return fmt.Sprintf(`CGATS.17
CREATED "2026-03-04T07:%02d:%02d+01:00"
NUMBER_OF_FIELDS 8
BEGIN_DATA_FORMAT
SAMPLE_ID CMYK_C CMYK_M CMYK_Y CMYK_K LAB_L LAB_A LAB_B
END_DATA_FORMAT
NUMBER_OF_SETS 2
BEGIN_DATA
A1 0 0 0 0 93.%03d 0.1 -2.0
A2 100 0 0 0 52.%03d -30.0 -40.0
END_DATA
`, n/60%60, n%60, n%1000, n/7%1000)
}

// inbox is a bus for one watch: it stores what comes under each id once, and can be away.
type inbox struct {
	mu     sync.Mutex
	away   bool
	deny   string // printer that may not be sent
	stored map[string]int
	order  []string
	tries  int
	change chan struct{}
	lost   func(id string) bool // the answer to this attempt is lost
}

func newInbox() *inbox { return &inbox{stored: map[string]int{}, change: make(chan struct{})} }

var errAway = errors.New("the bus is away")

func (b *inbox) publish(_ context.Context, site, printer, id string, data []byte) (uint64, bool, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	defer func() { close(b.change); b.change = make(chan struct{}) }()
	b.tries++
	if b.away {
		return 0, false, errAway
	}
	if printer == b.deny {
		return 0, false, fmt.Errorf("readings of %s/%s: %w", site, printer, ErrDenied)
	}
	r, err := protocol.DecodeReading(data)
	if err != nil || r.ID != id || r.Printer != printer {
		return 0, false, fmt.Errorf("published a reading that is none: %v", err)
	}
	_, twice := b.stored[id]
	b.stored[id]++
	if !twice {
		b.order = append(b.order, printer+"/"+id)
	}
	if b.lost != nil && b.lost(id) {
		return 0, false, errAway
	}
	return uint64(len(b.order)), twice, nil
}

func (b *inbox) set(f func()) { b.mu.Lock(); f(); b.mu.Unlock() }

// attempts is how often something was sent, and inOrder what was stored: the watch may still be at work.
func (b *inbox) attempts() (n int) { b.set(func() { n = b.tries }); return n }

func (b *inbox) inOrder() (keys []string) {
	b.set(func() { keys = slices.Clone(b.order) })
	return keys
}

// until waits for what the inbox is told to become.
func (b *inbox) until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	limit := time.After(time.Minute)
	for {
		b.mu.Lock()
		good, change := ok(), b.change
		b.mu.Unlock()
		if good {
			return
		}
		select {
		case <-change:
		case <-limit:
			t.Fatalf("waited in vain: %s (%d stored, %d attempts)", what, len(b.inOrder()), b.attempts())
		}
	}
}

// logLines lets a test wait for a message of the log.
type logLines struct {
	mu     sync.Mutex
	text   bytes.Buffer
	change chan struct{}
}

func (l *logLines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.text.Write(p)
	close(l.change)
	l.change = make(chan struct{})
	return len(p), nil
}

func (l *logLines) until(t *testing.T, parts ...string) {
	t.Helper()
	limit := time.After(time.Minute)
	for {
		l.mu.Lock()
		text, change := l.text.String(), l.change
		l.mu.Unlock()
		for line := range strings.Lines(text) {
			all := true
			for _, p := range parts {
				all = all && strings.Contains(line, p)
			}
			if all {
				return
			}
		}
		select {
		case <-change:
		case <-limit:
			t.Fatalf("the log does not say %q:\n%s", parts, text)
		}
	}
}

type bench struct {
	t          *testing.T
	dir, spool string
	bus        *inbox
	log        *logLines
	opt        func(*WatchOptions)
}

func newBench(t *testing.T) *bench {
	return &bench{t: t, dir: t.TempDir(), spool: t.TempDir(), bus: newInbox(), log: &logLines{change: make(chan struct{})}}
}

// start runs a watch; stop ends it and gives its error.
func (b *bench) start() (stop func() error) {
	b.t.Helper()
	ctx, cancel := context.WithCancel(b.t.Context())
	o := WatchOptions{
		Dirs: []string{b.dir}, Spool: b.spool, Quiet: 30 * time.Millisecond, Patience: 300 * time.Millisecond, Rescan: 200 * time.Millisecond,
		Fill:    Fill{Chart: "pennant-cmyk"},
		Publish: b.bus.publish, IsAway: func(err error) bool { return errors.Is(err, errAway) }, Log: zerolog.New(b.log),
	}
	if b.opt != nil {
		b.opt(&o)
	}
	done := make(chan error, 1)
	go func() { done <- Watch(ctx, o) }()
	stop = sync.OnceValue(func() error { cancel(); return <-done })
	b.t.Cleanup(func() {
		if err := stop(); err != nil {
			b.t.Error(err)
		}
	})
	return stop
}

func (b *bench) write(rel, text string) string {
	b.t.Helper()
	path := filepath.Join(b.dir, rel)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		b.t.Fatal(err)
	}
	return path
}

func (b *bench) has(rel string) bool {
	_, err := os.Stat(filepath.Join(b.dir, rel))
	return err == nil
}

const place = "quay/heron/pennant-knit/deep/pressed"

func TestWatchTakesFinishedFiles(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.write(place+"/before.txt", measured(1)) // there before the watch
	b.start()
	b.bus.until(t, "the file from before", func() bool { return len(b.bus.order) == 1 })

	// One is written slowly, and is complete to look at before its end comes.
	slow, err := os.Create(filepath.Join(b.dir, place, "slow.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := slow.WriteString(jsonReading(t, 2) + "\n"); err != nil {
		t.Fatal(err)
	}
	// Another is saved under another name first, a third is renamed into place.
	b.write(place+"/third.txt.part", measured(3))
	b.write(place+"/after.txt", measured(4))
	b.bus.until(t, "the file beside", func() bool { return len(b.bus.order) == 2 })
	b.write(place+"/after-2.txt", measured(5))
	b.bus.until(t, "the next file beside", func() bool { return len(b.bus.order) == 3 })
	if runtime.GOOS == "linux" && !b.has(place+"/slow.jsonl") {
		t.Error("a file that is still open for writing was taken")
	}
	if !b.has(place + "/third.txt.part") {
		t.Error("a file with a name for unfinished files was taken")
	}
	if _, err := slow.WriteString(jsonReading(t, 6) + "\n"); err != nil {
		t.Fatal(err)
	}
	if err := slow.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(b.dir, place, "third.txt.part"), filepath.Join(b.dir, place, "third.txt")); err != nil {
		t.Fatal(err)
	}
	b.bus.until(t, "all", func() bool { return len(b.bus.order) == 6 })
	b.log.until(t, `"message":"sent"`, "third.txt")
	for _, f := range []string{"before.txt", "slow.jsonl", "third.txt", "after.txt", "after-2.txt"} {
		if !b.has("done/" + place + "/" + f) {
			t.Errorf("%s is not in done", f)
		}
	}
	sent, err := os.ReadFile(filepath.Join(b.dir, "done", SentFile))
	if err != nil || strings.Count(string(sent), "\n") < 5 || !strings.Contains(string(sent), "quay/heron") {
		t.Errorf("list of what was sent: %v\n%s", err, sent)
	}
}

func jsonReading(t *testing.T, n int) string {
	t.Helper()
	r := &protocol.Reading{
		Schema: protocol.SchemaReading, ID: fmt.Sprintf("0198c5a4-7b1e-7c3a-9f0e-%012d", n), TakenAt: time.Date(2026, 3, 4, 8, n/60, n%60, 0, time.UTC),
		Site: "quay", Printer: "heron", Chart: "pennant-cmyk",
		Condition:  protocol.Condition{Media: "pennant-knit", Preset: "deep", Stage: protocol.StagePressed},
		Instrument: protocol.Instrument{Kind: protocol.KindSpectrophotometer},
		Patches:    &protocol.Patches{ID: []string{"A1"}, Lab: protocol.Triples{{52, -3, float64(n)}}},
	}
	data, err := Pack(r)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// What a file cannot know comes from sidecar, folder file, folder names and the start, nearest
// first.
func TestFillFor(t *testing.T) {
	t.Parallel()
	root := t.TempDir()
	put := func(rel, text string) {
		path := filepath.Join(root, rel)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	put("folder.toml", "chart = 'pennant-cmyk'\nstage = 'transfer'\n")
	put("quay/heron/folder.toml", "stage = 'pressed'\nmode = 'M1'\n")
	put("quay/heron/x.toml", "mode = 'M2'\n")
	put("quay/plover/y.txt.toml", "printer = 'dunlin'\nprint = '000412'\n")
	put("quay/plover/bad.toml", "colour = 'red'\n")
	put("quay/plover/broken.toml", "stage = \n")
	for _, c := range []struct {
		rel  string
		base Fill
		want Fill
		err  string
	}{
		{rel: "a.txt", base: Fill{Site: "quay"}, want: Fill{Site: "quay", Chart: "pennant-cmyk", Stage: "transfer"}},
		{rel: "quay/heron/x.txt", want: Fill{Site: "quay", Printer: "heron", Chart: "pennant-cmyk", Stage: "pressed", Mode: "M2"}},
		{rel: "quay/heron/z.txt", want: Fill{Site: "quay", Printer: "heron", Chart: "pennant-cmyk", Stage: "pressed", Mode: "M1"}},
		{rel: "quay/plover/y.txt", want: Fill{Site: "quay", Printer: "dunlin", Chart: "pennant-cmyk", Stage: "transfer", Print: "000412"}},
		{rel: "heron/pressed/y.txt", base: Fill{Site: "quay", Media: "pennant-knit", Preset: "deep"},
			want: Fill{Site: "quay", Printer: "heron", Media: "pennant-knit", Preset: "deep", Stage: "transfer", Chart: "pennant-cmyk"}},
		{rel: "quay/heron/pennant-knit/deep/pressed/y.txt", want: Fill{Site: "quay", Printer: "heron", Media: "pennant-knit", Preset: "deep", Stage: "pressed", Chart: "pennant-cmyk", Mode: "M1"}},
		{rel: "quay/heron/pennant-knit/deep/ironed/y.txt", err: `"ironed" stands where the stage belongs`},
		{rel: "Quay/y.txt", err: `"Quay" stands where the site belongs`},
		{rel: "quay/heron/pennant-knit/deep/pressed/more/y.txt", err: "goes deeper"},
		{rel: "quay/plover/bad.txt", err: "colour is not known here"},
		{rel: "quay/plover/broken.txt", err: "broken.toml"},
	} {
		got, err := fillFor(root, filepath.FromSlash(c.rel), c.base)
		if c.err != "" {
			if err == nil || !strings.Contains(err.Error(), c.err) {
				t.Errorf("%s: error %v, want %q", c.rel, err, c.err)
			}
			continue
		}
		if err != nil || got != c.want {
			t.Errorf("%s: %+v, %v; want %+v", c.rel, got, err, c.want)
		}
	}
}

// kinds are how pictures begin that programs of scanners save unless told otherwise.
var kinds = map[string]string{"photo.jpg": "\xff\xd8\xff\xe0\x00\x10JFIF\x00", "large.tif": "II+\x00\x08\x00", "small.bmp": "BM\x36\x00\x0c", "scan.pdf": "%PDF-1.7\n"}

// Whoever saves a picture of another kind is told what to save, and not that it is no text.
func TestOtherPicturesAreNamed(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	for name, begins := range kinds {
		path := b.write(name, begins+strings.Repeat("\x00\x01", 40))
		_, err := ReadWithPictures(t.Context(), path, Fill{}, &Pictures{Layouts: &Layouts{}})
		if err == nil || !strings.Contains(err.Error(), "TIFF") {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, text := range []string{"BM heron, Monday\nid,L,a,b\n", "BM", "RIFF", ""} {
		if IsPicture([]byte(text)) {
			t.Errorf("%q is no picture", text)
		}
	}
}

// A sidecar that comes late is waited for, and goes with its file.
func TestWatchWaitsForASidecar(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.opt = func(o *WatchOptions) { o.Patience = 10 * time.Minute } // longer than any machine takes to write it
	b.write("quay/heron/late.txt", measured(3))
	b.start()
	b.log.until(t, "not readable yet", "late.txt")
	b.write("quay/heron/late.toml", "media = 'pennant-knit'\npreset = 'deep'\nstage = 'pressed'\n")
	b.bus.until(t, "the file whose sidecar came late", func() bool { return len(b.bus.order) == 1 })
	b.log.until(t, `"message":"sent"`, "late.txt")
	if !b.has("done/quay/heron/late.toml") {
		t.Error("the sidecar did not go with its file")
	}
}

// Files that cannot be taken are moved aside with a note.
func TestWatchRefuses(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.write(place+"/letter.txt", "Dear printer,\n")
	b.write(place+"/empty.txt", "")
	b.write("quay/heron/nothing-known.txt", measured(1))
	b.write("nowhere.txt", measured(1))
	b.write("quay/plover/pennant-knit/deep/pressed/other.json", jsonReading(t, 1)) // it says heron
	b.write(place+"/cut.txt", measured(2)[:200])
	picture := b.write(place+"/scan.png", "\x89PNG\r\n\x1a\n")
	for name, begins := range kinds {
		b.write(place+"/"+name, begins+strings.Repeat("\x00\x01", 40))
	}
	b.start()
	for rel, why := range map[string]string{
		place + "/letter.txt":                              "",
		place + "/empty.txt":                               "the file is empty",
		"quay/heron/nothing-known.txt":                     "condition.media",
		"nowhere.txt":                                      "sidecar",
		"quay/plover/pennant-knit/deep/pressed/other.json": "the file says printer heron",
		place + "/cut.txt":                                 "",
		place + "/scan.png":                                "picture",
		place + "/photo.jpg":                               "picture",
		place + "/large.tif":                               "picture",
		place + "/small.bmp":                               "picture",
		place + "/scan.pdf":                                "PDF",
	} {
		b.log.until(t, `"message":"refused"`, filepath.Base(rel))
		note, err := os.ReadFile(filepath.Join(b.dir, "refused", rel+".why.txt"))
		if err != nil || !strings.Contains(string(note), why) || !b.has("refused/"+rel) || b.has(rel) {
			t.Errorf("%s: %v\n%s", rel, err, note)
		}
	}
	if _, err := os.Stat(picture); err == nil {
		t.Error("the picture was not moved")
	}
	if n := b.bus.attempts(); n != 0 {
		t.Errorf("%d attempts to send what was refused", n)
	}
}

// A pile that waits out an outage is sent once, in the order of its readings' times; what is left
// when the watch ends is sent by the next one.
func TestWatchOutageAndRestart(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.bus.away = true
	const n = 40
	for _, i := range rand.New(rand.NewPCG(1, 2)).Perm(n) {
		b.write(fmt.Sprintf("%s/%03d.txt", place, i), measured(i))
	}
	stop := b.start()
	b.log.until(t, "files wait in the spool", fmt.Sprintf(`"files":%d`, n))
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	if len(b.bus.inOrder()) != 0 || b.has(place+"/000.txt") || !b.has("done/"+place+"/000.txt") {
		t.Fatal("not all was taken into the spool")
	}
	lost := map[string]bool{}
	b.bus.set(func() {
		b.bus.away = false
		// The answer to every third first attempt is lost: it is sent again under the same id.
		b.bus.lost = func(id string) bool {
			first := !lost[id]
			lost[id] = true
			return first && len(lost)%3 == 0
		}
	})
	stop = b.start()
	b.bus.until(t, "all", func() bool { return len(b.bus.order) == n })
	order := b.bus.inOrder()
	for i, key := range order[1:] {
		if a, b := strings.TrimPrefix(order[i], "heron/"), strings.TrimPrefix(key, "heron/"); a[:13] > b[:13] { // a version 7 UUID begins with its time
			t.Fatalf("%s was sent before %s", a, b)
		}
	}
	// The same files come again, one of them under another name and one elsewhere.
	tries := b.bus.attempts()
	b.write(place+"/000.txt", measured(0))
	b.write(place+"/copy.txt", measured(1))
	b.write("quay/plover/pennant-knit/deep/pressed/000.txt", measured(0))
	b.bus.until(t, "the other printer's", func() bool { return len(b.bus.order) == n+1 })
	b.log.until(t, "taken before", "copy.txt")
	b.log.until(t, "taken before", "000.txt")
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	// And once more after a restart.
	b.write(place+"/000.txt", measured(0))
	b.write(place+"/new.txt", measured(n+1))
	b.start()
	b.bus.until(t, "the new one", func() bool { return len(b.bus.order) == n+2 })
	b.log.until(t, `"message":"sent"`, "new.txt")
	if got := b.bus.attempts() - tries; got > 4 { // plover's, new.txt's and the retries of answers lost
		t.Errorf("%d attempts for two new files", got)
	}
	if !b.has("done/" + place + "/000-2.txt") {
		t.Error("a file of a known name took another's place in done")
	}
}

// A watch that is killed between two steps goes on where it stopped: whatever of entry, ledger and
// move was done, every reading is stored, and none is sent under two ids.
func TestWatchKilledBetweenSteps(t *testing.T) {
	t.Parallel()
	for _, step := range []string{"spooled, not in the ledger, not moved", "spooled, not moved", "moved", "some sent"} {
		t.Run(step, func(t *testing.T) {
			t.Parallel()
			b := newBench(t)
			b.bus.away = true
			text := jsonReading(t, 1) + "\n" + jsonReading(t, 2) + "\n" + jsonReading(t, 3) + "\n"
			src := b.write(place+"/many.jsonl", text)
			stop := b.start()
			b.log.until(t, "files wait in the spool")
			if step == "some sent" {
				b.bus.set(func() {
					b.bus.away = false
					b.bus.lost = func(id string) bool { b.bus.away = strings.HasSuffix(id, "2"); return false }
				})
				b.bus.until(t, "two of three", func() bool { return b.bus.away })
				b.log.until(t, `"message":"sent"`, "000000000002")
			}
			if err := stop(); err != nil {
				t.Fatal(err)
			}
			done := filepath.Join(b.dir, "done", place, "many.jsonl")
			if strings.Contains(step, "not moved") {
				if err := os.Rename(done, src); err != nil {
					t.Fatal(err)
				}
			}
			if strings.Contains(step, "not in the ledger") {
				if err := os.Remove(filepath.Join(b.spool, ledgerFile)); err != nil {
					t.Fatal(err)
				}
			}
			b.bus.set(func() { b.bus.away, b.bus.lost = false, nil })
			b.start()
			b.bus.until(t, "all three", func() bool { return len(b.bus.order) == 3 })
			b.log.until(t, `"message":"sent"`, "000000000003")
			if strings.Contains(step, "not moved") {
				b.log.until(t, "taken before")
			}
			b.bus.set(func() {
				for id, n := range b.bus.stored {
					if n != 1 {
						t.Errorf("%s was sent %d times", id, n)
					}
				}
			})
			if !b.has("done/" + place + "/many.jsonl") {
				t.Error("the file is not in done")
			}
		})
	}
}

// What this station may not send goes back to its owner, the rest is sent; put back after a grant,
// it is sent too.
func TestWatchDenied(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.bus.deny = "plover"
	other := "quay/plover/pennant-knit/deep/pressed/p.txt"
	b.write(other, measured(1))
	b.write(place+"/h.txt", measured(2))
	b.start()
	b.bus.until(t, "the one allowed", func() bool { return len(b.bus.order) == 1 })
	b.log.until(t, `"message":"refused"`, "p.txt")
	note, err := os.ReadFile(filepath.Join(b.dir, "refused", other+".why.txt"))
	if err != nil || !strings.Contains(string(note), "may not send") {
		t.Fatalf("%v\n%s", err, note)
	}
	b.bus.set(func() { b.bus.deny = "" })
	if err := os.Rename(filepath.Join(b.dir, "refused", other), filepath.Join(b.dir, other)); err != nil {
		t.Fatal(err)
	}
	b.bus.until(t, "the one put back", func() bool { return len(b.bus.order) == 2 })
}

func TestWatchStartsOnlyWhereItCan(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	o := WatchOptions{Spool: b.spool, Log: zerolog.Nop()}
	for what, dirs := range map[string][]string{
		"name at least one folder": nil,
		"no such file":             {filepath.Join(b.dir, "nowhere")},
		"is no folder":             {b.write("file", "x")},
		"lie in each other":        {b.dir, filepath.Join(b.dir, "done")},
	} {
		o.Dirs = dirs
		if len(dirs) == 2 {
			if err := os.MkdirAll(dirs[1], 0o755); err != nil {
				t.Fatal(err)
			}
		}
		if err := Watch(t.Context(), o); err == nil || !strings.Contains(err.Error(), what) {
			t.Errorf("%s: %v", what, err)
		}
	}
	b.start()
	b.write(place+"/h.txt", measured(2))
	b.bus.until(t, "the watch", func() bool { return len(b.bus.order) == 1 })
	o.Dirs = []string{t.TempDir()}
	if err := Watch(t.Context(), o); err == nil || !strings.Contains(err.Error(), "in use by another watch") {
		t.Errorf("second watch on a spool: %v", err)
	}
}

// A file that the system tells of is taken once it is quiet, not only when the folders are looked through.
func TestWatchNeedsNoRescan(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.opt = func(o *WatchOptions) { o.Rescan = time.Hour }
	b.write(place+"/before.txt", measured(1))
	b.start()
	b.bus.until(t, "the file from before", func() bool { return len(b.bus.order) == 1 })
	b.write(place+"/after.txt", measured(2))
	b.bus.until(t, "the file that came after", func() bool { return len(b.bus.order) == 2 })
}
