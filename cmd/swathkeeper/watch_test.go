package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus/bustest"
)

// logOf follows a process's log and lets a test wait for a line.
type logOf struct {
	mu     sync.Mutex
	lines  []string
	change chan struct{}
}

// follow starts a command and follows its standard error.
func (p *program) follow(c *exec.Cmd) *logOf {
	p.t.Helper()
	errs, err := c.StderrPipe()
	if err != nil {
		p.t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		p.t.Fatal(err)
	}
	l := &logOf{change: make(chan struct{})}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		sc := bufio.NewScanner(errs)
		sc.Buffer(nil, 1<<20)
		for sc.Scan() {
			l.mu.Lock()
			l.lines = append(l.lines, sc.Text())
			close(l.change)
			l.change = make(chan struct{})
			l.mu.Unlock()
		}
	}()
	p.t.Cleanup(func() {
		_ = c.Process.Kill()
		<-ended
		_ = c.Wait()
	})
	return l
}

// until waits until ok takes the lines so far.
func (l *logOf) until(t *testing.T, limit time.Duration, what string, ok func(lines []string) bool) {
	t.Helper()
	end := time.After(limit)
	for {
		l.mu.Lock()
		good, change := ok(l.lines), l.change
		l.mu.Unlock()
		if good {
			return
		}
		select {
		case <-change:
		case <-end:
			l.mu.Lock()
			defer l.mu.Unlock()
			t.Fatalf("waited in vain: %s\n%s", what, strings.Join(l.lines[max(0, len(l.lines)-30):], "\n"))
		}
	}
}

func saying(parts ...string) func([]string) bool {
	return func(lines []string) bool { return counted(lines, parts...) > 0 }
}

func counted(lines []string, parts ...string) int {
	n := 0
next:
	for _, line := range lines {
		for _, p := range parts {
			if !strings.Contains(line, p) {
				continue next
			}
		}
		n++
	}
	return n
}

// addChart makes the device values of a file known, and gives id and edition.
func (p *program) addChart(devices string) string {
	p.t.Helper()
	var layout protocol.Chart
	if err := json.Unmarshal([]byte(p.do("chart", "add", devices, "--id", "pennant-cmyk", "--json")), &layout); err != nil {
		p.t.Fatal(err)
	}
	return layout.ID + "." + layout.Edition
}

// eventually looks until something is so that nobody tells of.
func eventually(t *testing.T, limit time.Duration, what string, ok func() bool) {
	t.Helper()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(limit); !ok(); <-tick.C {
		if time.Now().After(end) {
			t.Fatalf("waited in vain: %s", what)
		}
	}
}

// sheet is a small measurement; n makes it one of its own.
func sheet(n int) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "CGATS.17\nCREATED \"2026-03-04T%02d:%02d:%02dZ\"\nNUMBER_OF_FIELDS 8\nBEGIN_DATA_FORMAT\nSAMPLE_ID CMYK_C CMYK_M CMYK_Y CMYK_K LAB_L LAB_A LAB_B\nEND_DATA_FORMAT\nNUMBER_OF_SETS 6\nBEGIN_DATA\n", 7+n/3600, n/60%60, n%60)
	for i, d := range [][4]int{{0, 0, 0, 0}, {100, 0, 0, 0}, {0, 100, 0, 0}, {0, 0, 100, 0}, {0, 0, 0, 100}, {50, 40, 40, 0}} {
		fmt.Fprintf(&b, "A%d %d %d %d %d %d.%03d 1.5 -2.25\n", i+1, d[0], d[1], d[2], d[3], 93-12*i, n%1000)
	}
	b.WriteString("END_DATA\n")
	return b.Bytes()
}

// TestTwoStationsAndAnOutage: two stations, each with its own key, many files dropped within a
// second, the bus killed in the middle and away for a while, one of the stations killed as well:
// one verdict for every file, none twice. TEST_FULL=1 makes it 1,000 files and 10 s.
func TestTwoStationsAndAnOutage(t *testing.T) {
	t.Parallel()
	files, away := 60, time.Duration(0) // for each station; away until both have noticed
	if os.Getenv("TEST_FULL") != "" {
		files, away = 500, 10*time.Second
	}
	p := &program{t: t, dir: t.TempDir()}
	listen := bustest.FreePort(t)
	keys := t.TempDir()
	printers := []string{"heron", "plover"}
	for i, name := range printers {
		p.do("station", "grant", fmt.Sprintf("bench-%d", i+1), "--site", "quay", "--printer", name, "--out", filepath.Join(keys, name+".nk"))
	}
	devices := filepath.Join(t.TempDir(), "devices.txt")
	if err := os.WriteFile(devices, sheet(0), 0o600); err != nil {
		t.Fatal(err)
	}
	run := p.command("run", "--listen", listen, "--zone", "UTC")
	p.follow(run).until(t, time.Minute, "the worker", saying(`"message":"watching"`))
	chart := p.addChart(devices)

	type bench struct {
		dir string
		cmd *exec.Cmd
		log *logOf
	}
	var benches []*bench
	begin := func(b *bench, printer, spool string) {
		b.cmd = (&program{t: t, dir: spool}).command("watch", "--nats", "nats://"+listen, "--nkey", filepath.Join(keys, printer+".nk"),
			"--site", "quay", "--media", "pennant-knit", "--preset", "deep", "--stage", "pressed", "--chart", chart,
			"--spool", spool, "--quiet", "200ms", "--rescan", "1s", b.dir)
		b.log = p.follow(b.cmd)
		b.log.until(t, time.Minute, "the watch", saying(`"message":"watching"`))
	}
	spools := []string{t.TempDir(), t.TempDir()}
	for i, printer := range printers {
		b := &bench{dir: t.TempDir()}
		begin(b, printer, spools[i])
		benches = append(benches, b)
	}
	drop := func(from, to int) {
		for n := from; n < to; n++ {
			for i, b := range benches {
				dir := filepath.Join(b.dir, printers[i])
				if err := os.MkdirAll(dir, 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("sheet-%04d.txt", n)), sheet(n), 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	start := time.Now()
	drop(0, files-5)
	dropped := time.Since(start)
	// In the middle: some have gone through, and more are to come; the last five come while the bus
	// is away, so that both stations notice in any case.
	benches[0].log.until(t, time.Minute, "the first are sent", func(l []string) bool { return counted(l, `"message":"sent"`) >= files/4 })
	_ = run.Process.Kill()
	_ = run.Wait()
	down := time.Now()
	drop(files-5, files)
	_ = benches[1].cmd.Process.Kill()
	_ = benches[1].cmd.Wait()
	begin(benches[1], printers[1], spools[1])
	for i, b := range benches {
		b.log.until(t, time.Minute, printers[i]+" notices", saying("files wait in the spool"))
	}
	time.Sleep(time.Until(down.Add(away))) // the length of the outage itself; nothing is waited for
	sentBefore := 0
	for _, b := range benches {
		b.log.mu.Lock()
		sentBefore += counted(b.log.lines, `"message":"sent"`)
		b.log.mu.Unlock()
	}
	run = p.command("run", "--listen", listen, "--zone", "UTC")
	worker := p.follow(run)
	worker.until(t, time.Minute, "the worker comes back", saying(`"message":"watching"`))
	outage := time.Since(down)
	for i := range benches {
		// Entries go just after the last line of the log, so the folder itself is looked at.
		eventually(t, 3*time.Minute, "the spool is empty", func() bool {
			left, _ := filepath.Glob(filepath.Join(spools[i], "*.entry"))
			done, _ := filepath.Glob(filepath.Join(benches[i].dir, "done", printers[i], "sheet-*.txt"))
			return len(left) == 0 && len(done) == files
		})
	}
	caughtUp := time.Since(start)
	// A note is answered after everything that stands before it in the inbox.
	seen := map[string]int{}
	total := 0
	for _, printer := range printers {
		p.do("journal", "add", "note", "--site", "quay", "--printer", printer, "--text", "in between")
		for _, r := range p.records("--printer", printer) {
			switch {
			case r.Kind == protocol.KindVerdict:
				total++
				seen[r.Verdict.Reading]++
				if r.Verdict.Outcome == protocol.Unusable {
					t.Errorf("unusable: %s", r.Text)
				}
			case r.Kind != protocol.KindJournal:
				t.Errorf("%s: %s", r.Kind, r.Text)
			}
		}
	}
	if total != 2*files || len(seen) != 2*files {
		t.Errorf("%d verdicts of %d readings for %d files", total, len(seen), 2*files)
	}
	t.Logf("%d files dropped in %.2f s, 10 more while the bus was away; it was away for %.1f s after %d were sent; all sent %.1f s after the first drop; %d verdicts, none twice",
		2*files-10, dropped.Seconds(), outage.Seconds(), sentBefore, caughtUp.Seconds(), total)
}

// A station with a key of its own can do nothing but send its printers' readings, with the real
// program: every other command fails, and the worker's log names who tried what.
func TestStationKeyEndToEnd(t *testing.T) {
	t.Parallel()
	p := &program{t: t, dir: t.TempDir()}
	listen := bustest.FreePort(t)
	key := filepath.Join(t.TempDir(), "bench-1.nk")
	p.do("station", "grant", "bench-1", "--site", "quay", "--printer", "heron", "--out", key)
	if st, err := os.Stat(key); err != nil || st.Mode().Perm() != 0o600 {
		t.Fatalf("key file: %v %v", st.Mode(), err)
	}
	if out, status := p.try("station", "grant", "other", "--site", "quay", "--printer", "heron", "--out", key); status == 0 || !strings.Contains(out, "there already") {
		t.Errorf("a key was overwritten: %s", out)
	}
	log := p.follow(p.command("run", "--listen", listen, "--zone", "UTC"))
	log.until(t, time.Minute, "the worker", saying(`"message":"watching"`))
	out := p.do("chart", "add", "../../testdata/charts/FOGRA39L.txt", "--id", "offset-coated", "--json")
	var layout protocol.Chart
	if err := json.Unmarshal([]byte(out), &layout); err != nil {
		t.Fatal(err)
	}
	station := &program{t: t, dir: t.TempDir()}
	as := func(args ...string) []string { return append(args, "--nats", "nats://"+listen, "--nkey", key) }
	file := writeReadings(t, "one.json", fogra(t, "FOGRA39L.txt", layout.ID+"."+layout.Edition))
	station.do(as("send", file)...)
	for _, c := range []struct {
		args   []string
		denied string
	}{
		{as("history"), "info stream KV_SWK_ACTIVE"}, // the shop's zone lies there, and is asked for first
		{as("chart", "list"), "info stream KV_SWK_CHARTS"},
		{as("journal", "add", "clean", "--site", "quay", "--printer", "heron"), ""},
		{as("baseline", "learn", "--site", "quay", "--printer", "heron"), ""},
	} {
		out, status := station.try(c.args...)
		if status == 0 {
			t.Errorf("%v worked: %s", c.args, out)
		}
		log.until(t, time.Minute, strings.Join(c.args, " "), saying(`"message":"denied"`, `"who":"bench-1"`, c.denied))
	}
	// Its name is in the list; revoked, it comes in no more.
	if out := p.do("station", "list"); !strings.Contains(out, "bench-1") {
		t.Errorf("list: %s", out)
	}
	p.do("station", "revoke", "bench-1")
	if out, status := station.try(as("send", file)...); status == 0 || !strings.Contains(strings.ToLower(out), "authorization") {
		t.Errorf("after it was revoked: %d %s", status, out)
	}
	log.until(t, time.Minute, "the revoked key", saying(`"message":"denied"`, `"tried":"connect"`))
	if out, status := p.try("run", "--data", t.TempDir(), "--listen", "0.0.0.0:0"); status != exitFailed || !strings.Contains(out, "station grant") {
		t.Errorf("beyond this machine without grants: %d %s", status, out)
	}
}

// run --watch takes files in the worker's own process; watch without --nats follows the worker of
// this machine through its restarts.
func TestRunWatch(t *testing.T) {
	t.Parallel()
	p := &program{t: t, dir: t.TempDir()}
	mine, beside := t.TempDir(), t.TempDir()
	devices := filepath.Join(t.TempDir(), "devices.txt")
	if err := os.WriteFile(devices, sheet(0), 0o600); err != nil {
		t.Fatal(err)
	}
	first := p.command("run", "--listen", "127.0.0.1:0", "--zone", "UTC")
	p.follow(first).until(t, time.Minute, "the worker", saying(`"message":"watching"`))
	chart := p.addChart(devices)
	_ = first.Process.Kill()
	_ = first.Wait()
	args := []string{"run", "--listen", "127.0.0.1:0", "--zone", "UTC", "--watch", mine, "--chart", chart, "--quiet", "100ms", "--rescan", "1s"}
	run := p.command(args...)
	log := p.follow(run)
	log.until(t, time.Minute, "the worker", saying(`"message":"watching"`))
	drop := func(dir string, n int) {
		t.Helper()
		at := filepath.Join(dir, "quay", "heron", "pennant-knit", "deep", "pressed")
		if err := os.MkdirAll(at, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(at, fmt.Sprintf("%d.txt", n)), sheet(n), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	drop(mine, 1)
	log.until(t, time.Minute, "its verdict", saying(`"kind":"verdict"`))

	other := p.command("watch", "--chart", chart, "--quiet", "100ms", "--rescan", "1s", "--spool", t.TempDir(), beside)
	olog := p.follow(other)
	drop(beside, 2)
	olog.until(t, time.Minute, "sent", saying(`"message":"sent"`))
	_ = run.Process.Kill() // it leaves its old endpoint behind
	_ = run.Wait()
	drop(beside, 3)
	olog.until(t, time.Minute, "the outage", saying("files wait in the spool"))
	run = p.command(args...)
	log = p.follow(run)
	olog.until(t, time.Minute, "sent after the restart", func(l []string) bool { return counted(l, `"message":"sent"`) == 2 })
	log.until(t, time.Minute, "its verdict", saying(`"kind":"verdict"`))
	// A watch that cannot go on ends the program, with a reason.
	if out, status := p.try("run", "--data", t.TempDir(), "--listen", "127.0.0.1:0", "--watch", filepath.Join(mine, "nowhere")); status != exitFailed || !strings.Contains(out, "nowhere") {
		t.Errorf("a folder that is not there: %d %s", status, out)
	}
}
