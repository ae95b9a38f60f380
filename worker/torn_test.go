package worker_test

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/chat"
)

// A judge's place, or a chat target's, that a power cut has torn or filled with zeros keeps no worker
// from starting: it is set aside and made anew, nothing is judged twice, and what waited is judged.
func TestTornPlaces(t *testing.T) {
	b := setupWith(t, func(o *worker.Options) {
		o.Chat.Targets = []chat.Target{{Name: "night", URL: "console"}}
		o.Chat.Console = &bytes.Buffer{}
	})
	const n = 3
	at := monday
	for range n {
		at = at.Add(time.Minute)
		b.send(b.reading(at))
	}
	records := func() uint64 {
		t.Helper()
		s, err := b.w.JetStream().Stream(t.Context(), protocol.StreamRecord)
		if err != nil {
			t.Fatal(err)
		}
		return s.CachedInfo().State.Msgs
	}
	for i, content := range [][]byte{make([]byte, 60), {22, 2}} {
		b.stop()
		places, err := filepath.Glob(filepath.Join(b.dir, "bus", "jetstream", "*", "streams", "SWK_*", "obs", "*"))
		if err != nil || len(places) != 2 {
			t.Fatalf("%v %v", places, err)
		}
		for _, place := range places {
			if err := os.WriteFile(filepath.Join(place, "o.dat"), content, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		b.start()
		if rec := b.send(b.reading(at.Add(time.Duration(i+1) * time.Minute))); rec.Verdict == nil || rec.InboxSeq != uint64(n+i+1) {
			t.Errorf("after the tear: %+v", rec)
		}
		if got := records(); got != uint64(n+i+1) {
			t.Errorf("%d records of %d inputs", got, n+i+1)
		}
		if aside, err := os.ReadDir(filepath.Join(b.dir, bus.AsideFolder)); err != nil || len(aside) != 2*(i+1) {
			t.Errorf("set aside: %v %v", aside, err)
		}
	}
}
