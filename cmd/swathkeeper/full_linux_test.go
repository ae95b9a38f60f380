package main

import (
	"bufio"
	"encoding/json"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
	"golang.org/x/sys/unix"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/station"
)

// logged is a running worker whose log can be waited for.
type logged struct {
	*exec.Cmd
	t     *testing.T
	lines chan string
	seen  []string
}

// startLogged starts the worker and returns when it watches.
func (p *program) startLogged(args ...string) *logged {
	p.t.Helper()
	l := p.launch(args...)
	l.await(`"message":"watching"`)
	return l
}

// launch starts the worker.
func (p *program) launch(args ...string) *logged {
	p.t.Helper()
	l := &logged{t: p.t, lines: make(chan string, 10_000)}
	l.Cmd = p.command(append([]string{"run", "--listen", "127.0.0.1:0", "--health", "127.0.0.1:0", "--zone", "UTC"}, args...)...)
	errs, err := l.StderrPipe()
	if err != nil {
		p.t.Fatal(err)
	}
	if err := l.Start(); err != nil {
		p.t.Fatal(err)
	}
	p.t.Cleanup(func() {
		_ = l.Process.Kill()
		_ = l.Wait()
	})
	go func() {
		defer close(l.lines)
		sc := bufio.NewScanner(errs)
		sc.Buffer(nil, 1<<20)
		for sc.Scan() {
			l.lines <- sc.Text()
		}
		_, _ = io.Copy(io.Discard, errs)
	}()
	return l
}

// await gives the next line of the log that holds a text.
func (l *logged) await(text string) string {
	l.t.Helper()
	limit := time.After(time.Minute)
	for {
		select {
		case line, ok := <-l.lines:
			l.seen = append(l.seen, line)
			if strings.Contains(line, text) {
				return line
			}
			if !ok {
				l.t.Fatalf("the worker ended; its log has no %s:\n%s", text, strings.Join(l.seen, "\n"))
			}
		case <-limit:
			l.t.Fatalf("the log has no %s:\n%s", text, strings.Join(l.seen, "\n"))
		}
	}
}

// kill ends the worker as a power cut or an empty memory would.
func (l *logged) kill() {
	l.t.Helper()
	if err := l.Process.Kill(); err != nil {
		l.t.Fatal(err)
	}
	_ = l.Wait()
}

// stop ends the worker as people do.
func (l *logged) stop() {
	l.t.Helper()
	if err := l.Process.Signal(unix.SIGTERM); err != nil {
		l.t.Fatal(err)
	}
	if err := l.Wait(); err != nil {
		l.t.Fatal(err)
	}
}

// TestFullDisk takes the room for the store away from a running worker and gives it back, by a limit
// on the size of its files (setrlimit(2): a write beyond it fails with EFBIG) and, where this may
// mount, by filling a small file system (ENOSPC). Readings wait, the worker says so, nothing else
// stops; afterwards everything goes on without a restart, and each reading has one verdict.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	t.Run("limit on files", func(t *testing.T) {
		p := &program{t: t, dir: t.TempDir()}
		// There is room on the disk all the while, so the store is opened again every few seconds.
		testFullDisk(t, p, false,
			func(pid int) {
				largest := int64(0)
				for _, f := range blockFiles(t, p.dir) {
					largest = max(largest, f.Size())
				}
				setLimit(t, pid, uint64(largest+40_000))
			},
			func(pid int) { setLimit(t, pid, unix.RLIM_INFINITY) })
	})
	t.Run("small file system", func(t *testing.T) {
		dir := t.TempDir()
		smallDisk(t, dir, "24m")
		p := &program{t: t, dir: filepath.Join(dir, "data")}
		filler := filepath.Join(dir, "filler")
		testFullDisk(t, p, true,
			func(int) {
				fillUp(t, filler)
			},
			func(int) {
				if err := os.Remove(filler); err != nil {
					t.Fatal(err)
				}
			})
	})
}

// smallDisk mounts a file system of a size at dir.
func smallDisk(t *testing.T, dir, size string) {
	t.Helper()
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size="+size); err != nil {
		t.Skipf("this user may not mount: %v", err)
	}
	t.Cleanup(func() { _ = unix.Unmount(dir, unix.MNT_DETACH) })
}

// fillUp writes a file until the file system is full.
func fillUp(t *testing.T, name string) {
	t.Helper()
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := io.CopyN(f, zeros{}, 1<<30); err == nil {
		t.Fatal("the file system is not full")
	}
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) { clear(p); return len(p), nil }

func setLimit(t *testing.T, pid int, soft uint64) {
	t.Helper()
	l := unix.Rlimit{Cur: soft, Max: unix.RLIM_INFINITY}
	if err := unix.Prlimit(pid, unix.RLIMIT_FSIZE, &l, nil); err != nil {
		t.Fatal(err)
	}
}

// blockFiles lists the files that hold the messages of a data folder.
func blockFiles(t *testing.T, dir string) []os.FileInfo {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "bus", "jetstream", "*", "streams", "*", "msgs", "*.blk"))
	if err != nil || len(names) == 0 {
		t.Fatalf("no blocks in %s: %v", dir, err)
	}
	var out []os.FileInfo
	for _, n := range names {
		st, err := os.Stat(n)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, st)
	}
	return out
}

// testFullDisk fills and empties; stays says that the store stays closed until emptied.
func testFullDisk(t *testing.T, p *program, stays bool, fill, empty func(pid int)) {
	w := p.startLogged()
	var layout protocol.Chart
	if err := json.Unmarshal([]byte(p.do("chart", "add", "../../testdata/charts/FOGRA39L.txt", "--id", "offset-coated", "--json")), &layout); err != nil {
		t.Fatal(err)
	}
	good := fogra(t, "FOGRA39L.txt", layout.ID+"."+layout.Edition)
	rng := rand.New(rand.NewPCG(10, 3))
	at := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	var all []*protocol.Reading
	for i := range 30 {
		all = append(all, remeasured(good, at.Add(time.Duration(i)*time.Hour), rng))
	}
	nc, js := p.dialWorker()
	defer func() { nc.Close() }()
	publish := func(r *protocol.Reading) error {
		data, err := station.Pack(r)
		if err != nil {
			t.Fatal(err)
		}
		_, err = js.Publish(t.Context(), protocol.ReadingSubject(r.Site, r.Printer), data, jetstream.WithMsgID(protocol.MsgID(r.Site, r.Printer, r.ID)), jetstream.WithRetryAttempts(0))
		return err
	}
	for _, r := range all[:3] {
		if err := publish(r); err != nil {
			t.Fatal(err)
		}
	}
	p.do("journal", "add", "note", "--site", "quay", "--printer", "heron", "--text", "these have their records")
	fill(w.Process.Pid)
	refused := 0
	for _, r := range all[3:] {
		if publish(r) != nil {
			if refused++; refused == 2 {
				break
			}
		}
	}
	if refused == 0 {
		t.Fatal("every reading was taken: the disk did not fill")
	}
	w.await("the store cannot be written")
	if status, _ := p.probe("/healthz"); status != 200 {
		t.Errorf("/healthz with a full disk: %d; a restart makes no room", status)
	}
	if stays {
		if status, body := p.probe("/readyz"); status != 503 || !strings.Contains(body, "the store cannot be written") {
			t.Errorf("/readyz with a full disk: %d\n%s", status, body)
		}
		if out, status := p.try("doctor"); status != 1 || !strings.Contains(out, "make room on the disk") {
			t.Errorf("doctor with a full disk: status %d\n%s", status, out)
		}
		if got := len(p.records()); got < 4 {
			t.Errorf("%d records can be read with a full disk", got)
		}
	}
	empty(w.Process.Pid)
	limit := time.Now().Add(2 * time.Minute)
	if stays {
		w.await("the store is open again")
	}
	nc.Close()
	nc, js = dialPatiently(t, p.dir)
	// As a station does: each once more under its own id, until it is taken.
	for _, r := range all {
		for err := publish(r); err != nil; err = publish(r) {
			if time.Now().After(limit) {
				t.Fatalf("after there was room again: %v", err)
			}
		}
	}
	p.do("journal", "add", "note", "--site", "quay", "--printer", "heron", "--text", "the last input")
	verdicts := map[string]int{}
	for _, r := range p.records("--kind", "verdict") {
		verdicts[r.Verdict.Reading]++
	}
	for i, r := range all {
		if verdicts[r.ID] != 1 {
			t.Errorf("reading %d has %d verdicts", i+1, verdicts[r.ID])
		}
	}
}

// dialPatiently connects to a worker that is just coming back.
func dialPatiently(t *testing.T, dir string) (*nats.Conn, jetstream.JetStream) {
	t.Helper()
	nc, js, err := bus.Connect(t.Context(), bus.ConnectOptions{Name: "test", Follow: dir, Patient: true, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	return nc, js
}
