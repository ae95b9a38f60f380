package bus

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"
)

// Each is let through a hundred lines at once and ten a minute; what was left out is summed up, and
// nobody takes another's share or more memory than is set aside.
func TestFew(t *testing.T) {
	var f few
	now := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	through := func(who string, n int) (passed int) {
		for range n {
			if f.allow(who, now) {
				passed++
			}
		}
		return passed
	}
	if n := through("a", 150); n != fewAtOnce {
		t.Errorf("%d of 150 at once", n)
	}
	if n := through("b", 2); n != 2 {
		t.Errorf("another: %d of 2", n)
	}
	if left := f.left(now); left != nil {
		t.Errorf("summed up at once: %v", left)
	}
	now = now.Add(time.Minute)
	if left := f.left(now); len(left) != 1 || left["a"] != 50 {
		t.Errorf("left out: %v", left)
	}
	if n := through("a", 50); n != 10 {
		t.Errorf("%d of 50 a minute later", n)
	}
	now = now.Add(time.Hour)
	_ = f.left(now)
	_ = f.left(now)
	if len(f.by) != 0 {
		t.Errorf("%d are remembered after an hour", len(f.by))
	}
	for n := range 3 * fewAtMost {
		f.allow(strconv.Itoa(n), now)
	}
	if len(f.by) > fewAtMost+1 {
		t.Errorf("%d are told apart", len(f.by))
	}
}

// A key that tries what it may not, over and over and in long words, does not fill the log.
func TestDenialsDoNotFillTheLog(t *testing.T) {
	dir := t.TempDir()
	key, seed, err := NewKey()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := PutGrant(t.Context(), dir, Grant{Name: "bench-1", Role: RoleStation, Key: key, Site: "quay", Printers: []string{"heron"}}); err != nil {
		t.Fatal(err)
	}
	var log lockedBuffer
	e, err := StartEmbedded(t.Context(), EmbeddedOptions{Dir: dir, Listen: "127.0.0.1:0", MaxStore: 1 << 30, Log: zerolog.New(&log)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(e.Stop)
	// What was denied also comes back to who tried: the last of them says that all were dealt with.
	last := make(chan struct{})
	file := filepath.Join(t.TempDir(), "bench-1.nk")
	if err := os.WriteFile(file, seed, 0o600); err != nil {
		t.Fatal(err)
	}
	sign, err := nats.NkeyOptionFromSeed(file)
	if err != nil {
		t.Fatal(err)
	}
	nc, err := nats.Connect(e.Endpoint.Address, sign, nats.CustomInboxPrefix(InboxPrefix(key)),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			if errors.Is(err, nats.ErrPermissionViolation) && strings.Contains(err.Error(), "the.last") {
				close(last)
			}
		}))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	long := strings.Repeat("x", 2000)
	for n := range 1000 {
		if err := nc.Publish(fmt.Sprintf("swk.record.%d.%s", n, long), nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := nc.Publish("the.last", nil); err != nil {
		t.Fatal(err)
	}
	select {
	case <-last:
	case <-time.After(time.Minute):
		t.Fatal("not denied")
	}
	nc.Close()
	e.Stop()
	text := log.text()
	lines := strings.Count(text, `"denied"`)
	if lines < fewAtOnce || lines > 2*fewAtOnce || len(text) > 1000*2*fewAtOnce {
		t.Errorf("%d lines, %d bytes", lines, len(text))
	}
	if !strings.Contains(text, "not logged one by one") {
		t.Error("what was left out is not said")
	}
}

// lockedBuffer takes a log that several goroutines write.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) text() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}
