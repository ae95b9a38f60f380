package station

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// Pictures that the bus has no room for hold up no reading; it is said once.
func TestScansFull(t *testing.T) {
	t.Parallel()
	l := bus.Limits{Inbox: 16 << 20, Record: 16 << 20, Baselines: 16 << 20, Scans: 1 << 20, Replicas: 1}
	server, err := bus.StartEmbedded(t.Context(), bus.EmbeddedOptions{Dir: t.TempDir(), MaxStore: l.Total(), Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Stop)
	nc, js, err := bus.Connect(t.Context(), bus.ConnectOptions{Embedded: server, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	if err := bus.Provision(t.Context(), js, l); err != nil {
		t.Fatal(err)
	}
	spool, err := openSpool(t.TempDir(), time.Now())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(spool.close)
	var out Outlet
	out.Open(js)
	log := &logLines{change: make(chan struct{})}
	w := &watcher{spool: spool, o: WatchOptions{Store: out.Store, Publish: out.Publish, IsAway: bus.IsAway, Log: zerolog.New(log)}}

	root := t.TempDir()
	if err := os.MkdirAll(filepath.Join(root, DoneDir), 0o700); err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{"one", "two"} {
		picture := make([]byte, 2<<20)
		_, _ = rand.Read(picture) // it never fails
		sum := sha256.Sum256(picture)
		path := filepath.Join(root, DoneDir, id+".tif")
		if err := os.WriteFile(path, picture, 0o600); err != nil {
			t.Fatal(err)
		}
		e := &entry{
			Root: root, Rel: id + ".tif", Path: path, Scan: hex.EncodeToString(sum[:]),
			Data: []packed{{ID: id, Site: "quay", Printer: "heron", Body: []byte("{}")}},
		}
		if err := w.sendEntry(t.Context(), e); err != nil {
			t.Fatalf("%s: %v", id, err)
		}
	}
	s, err := js.Stream(t.Context(), protocol.StreamInbox)
	if err != nil {
		t.Fatal(err)
	}
	if n := s.CachedInfo().State.Msgs; n != 2 {
		t.Errorf("%d of 2 readings were sent", n)
	}
	if n := strings.Count(log.text.String(), "keeps no more pictures"); n != 1 {
		t.Errorf("it was said %d times:\n%s", n, log.text.String())
	}
}
