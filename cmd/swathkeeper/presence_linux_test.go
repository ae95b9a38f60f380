package main

import (
	"os/signal"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// TestCrashIsAnnouncedOnce kills a worker and starts it again: people are told once, not after a
// proper stop, and not again for every crash of a worker that crashes again and again.
func TestCrashIsAnnouncedOnce(t *testing.T) {
	t.Parallel()
	p := &program{t: t, dir: t.TempDir()}
	url, got := webhook(t)
	run := func() *logged { return p.startLogged("--chat", url, "--chat-inside") }
	told := func(want string) {
		t.Helper()
		select {
		case m := <-got:
			if !strings.Contains(m, want) {
				t.Fatalf("told: %s", m)
			}
		case <-time.After(time.Minute):
			t.Fatalf("nobody was told %q", want)
		}
	}
	w := run()
	w.stop()
	w = run() // after a proper stop
	w.kill()
	w = run()
	told("was not stopped properly")
	w.kill()
	w = run() // the same hour
	if !strings.Contains(strings.Join(w.seen, ""), "not stopped the last time") {
		t.Error("the log does not tell of the second crash")
	}
	w.stop()
	w = run()
	w.stop()
	if !signal.Ignored(unix.SIGHUP) {
		w = run()
		if err := w.Process.Signal(unix.SIGHUP); err != nil {
			t.Fatal(err)
		}
		if err := w.Wait(); err != nil {
			t.Errorf("a terminal that was closed ends the worker with %v", err)
		}
		w = run()
		if strings.Contains(strings.Join(w.seen, ""), "not stopped the last time") {
			t.Error("a terminal that was closed is taken for a crash")
		}
		w.stop()
	}
	if n := len(got); n > 0 {
		t.Errorf("%d more messages: %s", n, <-got)
	}
}
