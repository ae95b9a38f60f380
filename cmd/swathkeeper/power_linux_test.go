package main

import (
	"context"
	"encoding/json"
	"errors"
	"io/fs"
	"math/rand/v2"
	"os"
	osexec "os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/station"
)

// feed publishes readings without a pause and keeps what the bus said is safe.
type feed struct {
	mu    sync.Mutex
	acked []string
	some  chan struct{} // told after every acknowledgement
	stop  context.CancelFunc
	done  chan struct{}
}

func (p *program) feed(good *protocol.Reading, seed uint64) *feed {
	ctx, cancel := context.WithCancel(p.t.Context())
	f := &feed{some: make(chan struct{}, 1), stop: cancel, done: make(chan struct{})}
	nc, js := p.dialWorker()
	go func() {
		defer close(f.done)
		defer nc.Close()
		rng := rand.New(rand.NewPCG(seed, 1))
		at := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
		for ctx.Err() == nil {
			at = at.Add(time.Minute)
			r := remeasured(good, at, rng)
			data, err := station.Pack(r)
			if err != nil {
				panic(err)
			}
			if _, err := js.Publish(ctx, protocol.ReadingSubject(r.Site, r.Printer), data, jetstream.WithMsgID(protocol.MsgID(r.Site, r.Printer, r.ID))); err != nil {
				return
			}
			f.mu.Lock()
			f.acked = append(f.acked, r.ID)
			f.mu.Unlock()
			select {
			case f.some <- struct{}{}:
			default:
			}
		}
	}()
	return f
}

func (f *feed) safe() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]string(nil), f.acked...)
}

// more waits for n more acknowledgements, or the end of the feed.
func (f *feed) more(n int) {
	for want := len(f.safe()) + n; len(f.safe()) < want; {
		select {
		case <-f.some:
		case <-f.done:
			return
		}
	}
}

// checkSafe starts a worker on a folder and wants exactly one verdict for each reading that was
// acknowledged, and at most one for any other.
func checkSafe(t *testing.T, what, dir string, safe []string) (missing int) {
	t.Helper()
	q := &program{t: t, dir: dir}
	w := q.startLogged()
	q.do("journal", "add", "note", "--site", "quay", "--printer", "heron", "--text", "the last input")
	verdicts := map[string]int{}
	for _, r := range q.records("--kind", "verdict") {
		if verdicts[r.Verdict.Reading]++; verdicts[r.Verdict.Reading] > 1 {
			t.Errorf("%s: reading %s has two verdicts", what, r.Verdict.Reading)
		}
	}
	for _, id := range safe {
		if verdicts[id] == 0 {
			missing++
		}
	}
	w.stop()
	t.Logf("%s: %d acknowledged, %d verdicts, %d missing", what, len(safe), len(verdicts), missing)
	return missing
}

// small is a chart of 60 patches of the open table, and a reading of it.
func (p *program) small() *protocol.Reading {
	p.t.Helper()
	var layout protocol.Chart
	if err := json.Unmarshal([]byte(p.do("chart", "add", "../../testdata/charts/FOGRA39L.txt", "--id", "offset-coated", "--json")), &layout); err != nil {
		p.t.Fatal(err)
	}
	r := *fogra(p.t, "FOGRA39L.txt", layout.ID+"."+layout.Edition)
	patches := *r.Patches
	patches.ID, patches.Lab, patches.Device = patches.ID[:60], patches.Lab[:60], nil
	r.Patches = &patches
	return &r
}

// TestSnapshotWhileWriting copies the data folder at random moments while readings come in, as one
// instant, and opens the copies: as they are, with a write torn in the middle, without the consumers'
// state, and without the server's index.
func TestSnapshotWhileWriting(t *testing.T) {
	t.Parallel()
	p := &program{t: t, dir: t.TempDir()}
	w := p.startLogged()
	f := p.feed(p.small(), 1)
	rng := rand.New(rand.NewPCG(2026, 11))
	type snap struct {
		dir  string
		safe []string
	}
	var snaps []snap
	for range 4 {
		f.more(20)
		for end := time.Now().Add(time.Duration(rng.IntN(5000)) * time.Microsecond); time.Now().Before(end); {
		}
		if err := w.Process.Signal(syscall.SIGSTOP); err != nil {
			t.Fatal(err)
		}
		stopped(t, w.Process.Pid)
		s := snap{dir: filepath.Join(t.TempDir(), "copy"), safe: f.safe()}
		if err := os.CopyFS(s.dir, os.DirFS(p.dir)); err != nil {
			t.Fatal(err)
		}
		_ = os.Remove(filepath.Join(s.dir, "endpoint.json"))
		if err := w.Process.Signal(syscall.SIGCONT); err != nil {
			t.Fatal(err)
		}
		snaps = append(snaps, s)
	}
	f.stop()
	<-f.done
	w.stop()

	damage := []struct {
		what string
		do   func(dir string)
	}{
		{"as it was", func(string) {}},
		{"a write torn in the middle", func(dir string) {
			for _, s := range []string{protocol.StreamInbox, protocol.StreamRecord} {
				tear(t, filepath.Join(dir, "bus/jetstream/$G/streams", s, "msgs"))
			}
		}},
		{"consumers without their state", func(dir string) {
			remove(t, filepath.Join(dir, "bus/jetstream/$G/streams/*/obs/*/o.dat"))
		}},
		{"streams without their index", func(dir string) {
			checkSafe(t, "before its index was removed", dir, nil) // the server writes it when it stops
			remove(t, filepath.Join(dir, "bus/jetstream/$G/streams/*/msgs/index.db"))
		}},
	}
	for i, s := range snaps {
		damage[i].do(s.dir)
		if n := checkSafe(t, damage[i].what, s.dir, s.safe); n > 0 {
			t.Errorf("%s: %d of %d acknowledged readings are missing", damage[i].what, n, len(s.safe))
		}
	}
}

// stopped waits until a process has been stopped by its signal (proc(5): state T).
func stopped(t *testing.T, pid int) {
	t.Helper()
	var info syscall.WaitStatus
	if _, err := syscall.Wait4(pid, &info, syscall.WUNTRACED, nil); err != nil || !info.Stopped() {
		t.Fatalf("the worker did not stop: %v", err)
	}
}

// tear appends the first half of what the newest block ends with: a message whose writing the power
// cut.
func tear(t *testing.T, dir string) {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "*.blk"))
	if err != nil || len(names) == 0 {
		t.Fatalf("no blocks in %s", dir)
	}
	path := names[len(names)-1]
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, append(b, b[:min(len(b), 700)]...), 0o600); err != nil {
		t.Fatal(err)
	}
}

func remove(t *testing.T, pattern string) {
	t.Helper()
	names, err := filepath.Glob(pattern)
	if err != nil {
		t.Fatal(err)
	}
	if len(names) == 0 {
		t.Logf("nothing to remove: %s", pattern)
	}
	for _, n := range names {
		if err := os.Remove(n); err != nil && !errors.Is(err, fs.ErrNotExist) {
			t.Fatal(err)
		}
	}
}

// TestPowerCut keeps the data folder on a file system of its own, whose disk is a file, and copies
// that file while readings come in: the copy has what reached the disk and nothing that still stood
// in memory, as after a power cut. Nothing acknowledged may be missing from it. With --no-sync it may,
// and does as a rule: that is how this test is known to be able to fail.
func TestPowerCut(t *testing.T) {
	t.Parallel()
	if _, err := osexec.LookPath("mkfs.ext4"); err != nil || os.Geteuid() != 0 {
		t.Skip("needs mkfs.ext4 and the right to mount")
	}
	cut := func(name string, flags ...string) int {
		disk, at := filepath.Join(t.TempDir(), "disk"), t.TempDir()
		run := func(args ...string) error {
			out, err := osexec.Command(args[0], args[1:]...).CombinedOutput()
			if err != nil {
				t.Logf("%v: %v\n%s", args, err, out)
			}
			return err
		}
		if err := errors.Join(run("truncate", "-s", "96M", disk), run("mkfs.ext4", "-q", disk)); err != nil {
			t.Fatal(err)
		}
		if run("mount", "-o", "loop", disk, at) != nil {
			t.Skip("this user may not mount")
		}
		t.Cleanup(func() { _ = run("umount", "-l", at) })
		p := &program{t: t, dir: filepath.Join(at, "data")}
		w := p.startLogged(flags...)
		f := p.feed(p.small(), 2)
		f.more(60)
		if err := w.Process.Signal(syscall.SIGSTOP); err != nil {
			t.Fatal(err)
		}
		stopped(t, w.Process.Pid)
		safe := f.safe()
		after := disk + ".after"
		if err := run("cp", "--sparse=always", disk, after); err != nil {
			t.Fatal(err)
		}
		f.stop()
		w.kill()
		<-f.done
		back := t.TempDir()
		if err := run("mount", "-o", "loop", after, back); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = run("umount", "-l", back) })
		if _, err := os.Stat(filepath.Join(back, "data", "bus")); err != nil {
			t.Logf("%s: not even the folder reached the disk", name)
			return len(safe)
		}
		_ = os.Remove(filepath.Join(back, "data", "endpoint.json"))
		return checkSafe(t, name, filepath.Join(back, "data"), safe)
	}
	if n := cut("power cut"); n > 0 {
		t.Errorf("%d acknowledged readings are missing after a power cut", n)
	}
	if n := cut("power cut with --no-sync", "--no-sync"); n == 0 {
		t.Log("with --no-sync nothing was lost either, this time")
	}
}
