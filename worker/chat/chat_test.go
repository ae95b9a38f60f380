package chat

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/alert"
)

// settled waits until a target has dealt with everything that was recorded, which it shows by
// having acknowledged it.
func (b *bench) settled(names ...string) {
	b.t.Helper()
	for _, name := range names {
		deadline := time.Now().Add(time.Minute)
		for {
			c, err := b.js.Consumer(b.t.Context(), protocol.StreamRecord, "chat-"+name)
			if err != nil {
				b.t.Fatal(err)
			}
			info := c.CachedInfo()
			// The server counts a record as pending a moment after it has confirmed that it is stored.
			if info.NumPending == 0 && info.NumAckPending == 0 && info.Delivered.Stream >= b.last(info.Config) {
				break
			}
			if time.Now().After(deadline) {
				b.t.Fatalf("target %s: %d records wait, %d are at work", name, info.NumPending, info.NumAckPending)
			}
			rest(b.t.Context(), 5*time.Millisecond)
		}
	}
}

// last is the sequence of the newest record that a consumer is to deliver.
func (b *bench) last(c jetstream.ConsumerConfig) uint64 {
	b.t.Helper()
	s, err := b.js.Stream(b.t.Context(), protocol.StreamRecord)
	if err != nil {
		b.t.Fatal(err)
	}
	var last uint64
	for _, filter := range append(c.FilterSubjects, c.FilterSubject) {
		if filter == "" {
			continue
		}
		m, err := s.GetLastMsgForSubject(b.t.Context(), filter)
		switch {
		case err == nil:
			last = max(last, m.Sequence)
		case !errors.Is(err, jetstream.ErrMsgNotFound):
			b.t.Fatal(err)
		}
	}
	return last
}

func TestTellsInOrderAndBeginsWithNow(t *testing.T) {
	b := newBench(t)
	b.record("heron", nil, raised(1)) // before the target exists
	s := newFakeService(t)
	b.start(Options{Targets: []Target{{Name: "phone", URL: s.URL, AllowLocal: true}}})
	b.record("heron", nil, raised(2))
	b.record("heron", nil) // no change, no message
	b.record("plover", nil, raised(3), raised(4))
	for n := 2; n <= 4; n++ {
		m := s.message(t)
		if want := raised(n).Why; !strings.Contains(m.Text, want) {
			t.Fatalf("got %q, want %q", m.Text, want)
		}
		if m.Schema != SchemaMessage || m.Target != "phone" || m.Kind != KindChange || m.Change == nil || m.Title == "" {
			t.Errorf("%+v", m)
		}
	}
	b.settled("phone")
	s.none(t)
}

func TestFilters(t *testing.T) {
	b := newBench(t)
	s := newFakeService(t)
	b.start(Options{Targets: []Target{{Name: "stops", URL: s.URL, AllowLocal: true, Level: "stop", Sites: []string{"quay"}, Printers: []string{"heron", "dunlin"}}}})
	b.record("plover", nil, at(raised(1), "stop"))
	b.record("heron", nil, raised(2))
	b.record("dunlin", nil, at(raised(3), "stop"))
	if m := s.message(t); !strings.Contains(m.Text, "Message number 3") || !strings.HasPrefix(m.Title, "STOP dunlin (quay)") {
		t.Fatalf("%+v", m)
	}
	// Whoever was told to hold production hears when that is over, and only that.
	over := at(raised(4), "act")
	over.Change, over.Reason = protocol.ChangeBetter, alert.ReasonBelowStop
	b.record("dunlin", nil, over)
	if m := s.message(t); !strings.HasPrefix(m.Title, "dunlin (quay): no longer beyond the stop limit, but not over") {
		t.Fatalf("%+v", m)
	}
	over.Reason = alert.ReasonShrunk
	b.record("dunlin", nil, over)
	b.settled("stops")
	s.none(t)
}

func TestChangedFiltersAreTakenUp(t *testing.T) {
	b := newBench(t)
	s := newFakeService(t)
	target := Target{Name: "phone", URL: s.URL, AllowLocal: true, Printers: []string{"heron"}}
	b.stop(b.start(Options{Targets: []Target{target}}))
	target.Printers = []string{"plover"}
	b.start(Options{Targets: []Target{target}})
	b.record("heron", nil, raised(1))
	b.record("plover", nil, raised(2))
	if m := s.message(t); m.Printer != "plover" {
		t.Fatalf("%+v", m)
	}
	b.settled("phone")
	s.none(t)
}

func TestRestartTellsWhatCameMeanwhileAndNothingTwice(t *testing.T) {
	b := newBench(t)
	s := newFakeService(t)
	o := Options{Targets: []Target{{Name: "phone", URL: s.URL, AllowLocal: true}}}
	c := b.start(o)
	b.record("heron", nil, raised(1))
	s.next(t)
	b.settled("phone")
	b.stop(c)
	b.stop(c) // twice is fine
	b.record("heron", nil, raised(2))
	b.start(o)
	if m := s.message(t); !strings.Contains(m.Text, "number 2") {
		t.Fatalf("%+v", m)
	}
	b.settled("phone")
	s.none(t)
}

func TestStopBeforeStart(t *testing.T) {
	c, err := New(nil, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
}
