package main

import (
	"bufio"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"swathkeeper/worker/bus"
)

// TestMistakesInSettings: what starting again cannot mend ends with status 2, which the systemd unit
// does not restart after, and says what and where.
func TestMistakesInSettings(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	write := func(name, text string) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	empty, file := write("empty", "\n"), write("file", "x")
	p := &program{t: t, dir: filepath.Join(dir, "data")}
	for _, c := range []struct {
		want string
		args []string
	}{
		{"is empty", []string{"--alive-file", empty}},
		{"no such file", []string{"--alive-file", filepath.Join(dir, "none")}},
		{"give --alive or --alive-file", []string{"--alive", "https://alive.example/x", "--alive-file", file}},
		{"must begin with https://", []string{"--alive", "ftp://alive.example/x"}},
		{"give HOST:PORT", []string{"--health", "127.0.0.1"}},
		{"the port must be", []string{"--health", "127.0.0.1:99999"}},
		{"the port must be", []string{"--listen", "127.0.0.1:99999"}},
		{"give an address of this machine in numbers", []string{"--listen", "heron.example:4222"}},
		{"is no folder", []string{"--data", file}},
		{"is no folder", []string{"--data", filepath.Join(file, "below")}},
		{"give nats://HOST:PORT", []string{"--nats", "::::"}},
		{"give nats://HOST:PORT", []string{"--nats", "nats://bus-1:4222,nats://"}},
		{"begins with https://", []string{"--nats", "https://bus-1:4222"}},
		{"url is missing", []string{"--config", write("a.toml", "[chat.night]\n")}},
		{"is empty", []string{"--config", write("b.toml", "[chat.night]\nurl_file = '"+empty+"'\n")}},
		{"there is no setting alive-url", []string{"--config", write("c.toml", "alive-url = 'x'\n")}},
		{"mean_de00 is -1", []string{"--config", write("d.toml", "[tolerance]\nmean_de00 = -1\n")}},
	} {
		out, status := p.try(append([]string{"run", "--health", "off", "--listen", "127.0.0.1:0"}, c.args...)...)
		if status != 2 || !strings.Contains(out, c.want) || strings.Count(out, "\n") != 1 {
			t.Errorf("%v: status %d, want 2 and %q:\n%s", c.args, status, c.want, out)
		}
	}
}

// TestRunBesideRun: a second worker on a folder says at once what it waits for, goes on when the first
// is gone, and says why where it is told to stop before.
func TestRunBesideRun(t *testing.T) {
	t.Parallel()
	p := &program{t: t, dir: t.TempDir()}
	if err := os.Chmod(p.dir, 0o755); err != nil {
		t.Fatal(err)
	}
	first := p.start()
	begin := func() (log *bufio.Scanner, end func() error, stop func()) {
		c := p.command("run", "--listen", "127.0.0.1:0", "--health", "127.0.0.1:0")
		pipe, err := c.StderrPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.Process.Kill() })
		return bufio.NewScanner(pipe), c.Wait, func() { _ = c.Process.Signal(os.Interrupt) }
	}
	await := func(log *bufio.Scanner, text string) {
		t.Helper()
		var seen []string
		for log.Scan() {
			if seen = append(seen, log.Text()); strings.Contains(log.Text(), text) {
				return
			}
		}
		t.Fatalf("the log has no %q:\n%s", text, strings.Join(seen, "\n"))
	}
	second, end, stop := begin()
	await(second, "others may look into the data folder")
	await(second, "waiting for another swathkeeper to leave")
	stop()
	await(second, bus.ErrLocked.Error())
	if end() == nil {
		t.Error("a worker that was stopped while it waited ends as if it had worked")
	}
	third, _, _ := begin()
	await(third, "waiting for another swathkeeper to leave")
	begun := time.Now()
	if err := first.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	await(third, `"message":"watching"`)
	t.Logf("taken over in %s", time.Since(begun).Round(time.Millisecond))
}
