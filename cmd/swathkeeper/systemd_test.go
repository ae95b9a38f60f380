//go:build linux

package main

import (
	"bytes"
	"net"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestSystemd stands in for systemd: the program says when it is ready, keeps the watchdog quiet and
// says when it stops, by the datagrams that sd_notify(3) describes.
func TestSystemd(t *testing.T) {
	socket := filepath.Join(t.TempDir(), "notify")
	l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	p := &program{t: t, dir: t.TempDir()}
	c := p.command("run", "--listen", "127.0.0.1:0", "--health", "127.0.0.1:0")
	c.Env = append(c.Env, "NOTIFY_SOCKET="+socket, "WATCHDOG_USEC=300000", "WATCHDOG_PID=")
	var errs bytes.Buffer
	c.Stderr = &errs
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Process.Kill() })
	await := func(want string) {
		t.Helper()
		if err := l.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
			t.Fatal(err)
		}
		buf := make([]byte, 4096)
		for {
			n, err := l.Read(buf)
			if err != nil {
				t.Fatalf("systemd is not told %s: %v\n%s", want, err, errs.String())
			}
			if strings.Contains(string(buf[:n]), want) {
				return
			}
		}
	}
	await("READY=1")
	await("WATCHDOG=1")
	await("WATCHDOG=1")
	if err := c.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	await("STOPPING=1")
	if err := c.Wait(); err != nil {
		t.Errorf("after SIGTERM: %v\n%s", err, errs.String())
	}
}
