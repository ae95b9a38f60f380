package chat

import (
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
)

// A target whose place is wholly gone, with no trace left in the store, is told what it was not told, and
// nothing twice. One that never had a place begins with what is new.
func TestAPlaceThatIsGoneSkipsNothing(t *testing.T) {
	for _, told := range []bool{true, false} {
		b := newBench(t)
		s := newFakeService(t)
		o := Options{Targets: []Target{{Name: "phone", URL: s.URL, AllowLocal: true}}}
		b.record("heron", nil, raised(0)) // before there was a target
		c := b.start(o)
		if told {
			b.record("heron", nil, raised(1))
			s.message(t)
		}
		b.settled("phone")
		b.marked("phone")
		b.stop(c)
		b.record("heron", nil, raised(2))
		if err := b.js.DeleteConsumer(t.Context(), protocol.StreamRecord, "chat-phone"); err != nil {
			t.Fatal(err)
		}
		c = b.start(o)
		if m := s.message(t); !strings.Contains(m.Text, raised(2).Why) {
			t.Errorf("told: %s", m.Text)
		}
		b.settled("phone")
		s.none(t)
		b.stop(c)
		if !strings.Contains(b.log.String(), "place in the records is gone") {
			t.Errorf("the log:\n%s", b.log.String())
		}
	}
}

// marked waits until it is noted that a target has a place.
func (b *bench) marked(target string) {
	b.t.Helper()
	kv, err := b.js.KeyValue(b.t.Context(), protocol.BucketSent)
	if err != nil {
		b.t.Fatal(err)
	}
	w, err := kv.Watch(b.t.Context(), target+".place", jetstream.IgnoreDeletes())
	if err != nil {
		b.t.Fatal(err)
	}
	defer func() { _ = w.Stop() }()
	limit := time.After(time.Minute)
	for {
		select {
		case e := <-w.Updates():
			if e != nil {
				return
			}
		case <-limit:
			b.t.Fatalf("nobody noted a place of %s", target)
		}
	}
}
