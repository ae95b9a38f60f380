package bus_test

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/bus/bustest"
)

// picture gives n random bytes and their digest.
func picture(n int) ([]byte, string) {
	b := make([]byte, n)
	_, _ = rand.Read(b) // it never fails
	sum := sha256.Sum256(b)
	return b, hex.EncodeToString(sum[:])
}

// smallScans is a bus whose store of pictures holds 4 MiB.
func smallScans(t *testing.T) jetstream.JetStream {
	t.Helper()
	l := bus.Limits{Inbox: 16 << 20, Record: 16 << 20, Baselines: 16 << 20, Scans: 4 << 20, Replicas: 1}
	return bustest.StoreOf(t, t.TempDir(), l)
}

// A full store of pictures is no outage, or a station would wait for it with all its readings. A
// picture whose size is known takes no room that it cannot use.
func TestScansFull(t *testing.T) {
	js := smallScans(t)
	first, digest := picture(3 << 20)
	if err := bus.PutScan(t.Context(), js, digest, bytes.NewReader(first)); err != nil {
		t.Fatal(err)
	}
	second, digest := picture(2 << 20)
	path := filepath.Join(t.TempDir(), "second")
	if err := os.WriteFile(path, second, 0o600); err != nil {
		t.Fatal(err)
	}
	stored := func() uint64 {
		s, err := js.Stream(t.Context(), protocol.StreamScans)
		if err != nil {
			t.Fatal(err)
		}
		return s.CachedInfo().State.Bytes
	}
	put := func(r io.Reader) {
		t.Helper()
		if err := bus.PutScan(t.Context(), js, digest, r); !errors.Is(err, bus.ErrScansFull) || bus.IsAway(err) {
			t.Errorf("full: %v", err)
		}
	}
	before := stored()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	put(f)
	if after := stored(); after != before {
		t.Errorf("a picture that does not fit took %d bytes", after-before)
	}
	put(bytes.NewReader(second))
}
