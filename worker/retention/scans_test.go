package retention_test

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/bus/bustest"
	"swathkeeper/worker/retention"
)

// Where the store of pictures is nearly full the oldest go, whole, and the newest stay; a picture that
// was being stored beside one that goes leaves no rest that its station would take for the picture.
func TestScans(t *testing.T) {
	l := bus.Limits{Inbox: 16 << 20, Record: 16 << 20, Baselines: 16 << 20, Scans: 10 << 20, Replicas: 1}
	js := bustest.StoreOf(t, t.TempDir(), l)
	put := func() string {
		t.Helper()
		b := make([]byte, 3<<19)
		_, _ = rand.Read(b) // it never fails
		sum := sha256.Sum256(b)
		digest := hex.EncodeToString(sum[:])
		if err := bus.PutScan(t.Context(), js, digest, bytes.NewReader(b)); err != nil {
			t.Fatal(err)
		}
		return digest
	}
	publish := func(digest, part string, data []byte) {
		t.Helper()
		if _, err := js.Publish(t.Context(), protocol.ScanSubject("other", digest, part), data); err != nil {
			t.Fatal(err)
		}
	}
	prune := func() retention.ScansRemoved {
		t.Helper()
		r, err := retention.PruneScans(t.Context(), js)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	const torn = "7e"
	publish(torn, "0", make([]byte, 1<<19))
	old := []string{put(), put()}
	publish(torn, "1", make([]byte, 1<<19))
	publish(torn, protocol.ScanEnd, []byte(`{"bytes":1048576,"parts":2}`))
	kept := []string{put(), put()}
	if r := prune(); r.Messages != 0 {
		t.Errorf("at 7 of 10 MiB %+v went", r)
	}
	kept = append(kept, put()) // 8.5
	if r := prune(); r.Messages != 0 {
		t.Errorf("at 8.5 of 10 MiB %+v went", r)
	}
	publish("junk", "0", make([]byte, 1<<19)) // 9
	publish("junk", "1", make([]byte, 1<<18))
	r := prune()
	if r.Messages == 0 || r.Bytes == 0 || r.From.IsZero() {
		t.Errorf("at 9.3 of 10 MiB %+v went", r)
	}
	has := func(digest string) bool {
		t.Helper()
		f, err := os.Create(filepath.Join(t.TempDir(), "picture"))
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = f.Close() }()
		_, err = bus.GetScan(t.Context(), js, digest, f)
		if err != nil && !errors.Is(err, bus.ErrNoScan) {
			t.Errorf("picture %.8s: %v", digest, err)
		}
		return err == nil
	}
	for i, want := range []bool{false, true} {
		if has(old[i]) != want {
			t.Errorf("old picture %d: there %t", i, !want)
		}
	}
	for i, digest := range kept {
		if !has(digest) {
			t.Errorf("newer picture %d is gone", i)
		}
	}
	s, err := js.Stream(t.Context(), protocol.StreamScans)
	if err != nil {
		t.Fatal(err)
	}
	for _, part := range []string{"0", "1", protocol.ScanEnd} {
		if _, err := s.GetLastMsgForSubject(t.Context(), protocol.ScanSubject("other", torn, part)); !errors.Is(err, jetstream.ErrMsgNotFound) {
			t.Errorf("part %s of a torn picture: %v", part, err)
		}
	}
	if r := prune(); r.Messages != 0 {
		t.Errorf("the second time %+v went", r)
	}

	// Nothing but parts without an end: nobody can look at them.
	if err := s.Purge(t.Context()); err != nil {
		t.Fatal(err)
	}
	for n := range 19 {
		publish("junk", strconv.Itoa(n), make([]byte, 1<<19))
	}
	if r := prune(); r.Messages != 19 {
		t.Errorf("of 19 parts of nothing %+v went", r)
	}
}
