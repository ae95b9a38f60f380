package chat

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/handclock"
)

// sentRoom lets the store of what was sent hold so many bytes, and gives what it could hold before.
func (b *bench) sentRoom(bytes int64) (before int64) {
	b.t.Helper()
	s, err := b.js.Stream(b.t.Context(), "KV_"+protocol.BucketSent)
	if err != nil {
		b.t.Fatal(err)
	}
	conf := s.CachedInfo().Config
	before, conf.MaxBytes = conf.MaxBytes, bytes
	if _, err := b.js.UpdateStream(b.t.Context(), conf); err != nil {
		b.t.Fatal(err)
	}
	return before
}

// idle is a target that does nothing by itself.
func (b *bench) idle(s *fakeService) *teller {
	b.t.Helper()
	c, err := New(b.js, Options{Zone: time.UTC, Targets: []Target{{Name: "office", URL: s.URL, AllowLocal: true}}})
	if err != nil {
		b.t.Fatal(err)
	}
	kv, err := b.js.KeyValue(b.t.Context(), protocol.BucketSent)
	if err != nil {
		b.t.Fatal(err)
	}
	w := c.targets[0]
	b.t.Cleanup(w.service.close)
	w.sent = sent{kv: kv, target: w.Name, now: c.o.Clock.Now}
	return w
}

// While it cannot be noted that a message was delivered, as on a full disk, it is not delivered again and
// again; once it can, the next change is told.
func TestAFullStoreMakesNoFlood(t *testing.T) {
	b := newBench(t)
	s := newFakeService(t)
	w := b.idle(s)
	second := raised(2)
	second.Key = "quay/heron/clean_head/M"
	rec := b.record("heron", nil, raised(1), second)
	cons, err := b.js.CreateConsumer(t.Context(), protocol.StreamRecord, jetstream.ConsumerConfig{AckPolicy: jetstream.AckExplicitPolicy})
	if err != nil {
		t.Fatal(err)
	}
	msg, err := cons.Next(jetstream.FetchMaxWait(time.Minute))
	if err != nil {
		t.Fatal(err)
	}
	room := b.sentRoom(1)
	told := 0
	for range 3 {
		if err := w.tellRecord(t.Context(), msg, &told); err == nil {
			t.Fatal("a full store took what was sent")
		}
	}
	s.message(t)
	s.none(t)
	b.sentRoom(room)
	if err := w.tellRecord(t.Context(), msg, &told); err != nil {
		t.Fatal(err)
	}
	s.message(t)
	s.none(t)
	if n, err := w.sent.done(t.Context(), rec.ID); n != 2 || err != nil {
		t.Errorf("%d changes are noted, %v", n, err)
	}
}

// A digest that could not be made at its time comes as soon as it can: the target's own claim of it is not
// taken for another worker's.
func TestADigestIsTriedAgain(t *testing.T) {
	b := newBench(t)
	s := newFakeService(t)
	clock := handclock.New(time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC))
	b.start(Options{Clock: clock, Targets: []Target{{Name: "office", URL: s.URL, AllowLocal: true, Digest: "07:30"}}})
	b.verdict("heron", "steady")
	// A newer program's record, which this one cannot read.
	subject := protocol.RecordSubject("quay", "heron", protocol.KindVerdict, "aaaaaaaaaaaa")
	if _, err := b.js.Publish(t.Context(), subject, []byte(`{"schema":"swathkeeper.record/2"}`)); err != nil {
		t.Fatal(err)
	}
	due := time.Date(2026, 3, 5, 7, 30, 0, 0, time.UTC)
	await(t, clock, due)
	clock.Set(due)
	again := due.Add(time.Minute)
	await(t, clock, again)
	b.verdict("heron", "steady")
	clock.Set(again)
	if m := s.message(t); m.Kind != KindDigest {
		t.Errorf("told: %s", m.Text)
	}
	await(t, clock, due.AddDate(0, 0, 1))
	s.none(t)
}

// What was told once for everybody and could not be noted is not told again.
func TestAnErrandIsToldOnce(t *testing.T) {
	b := newBench(t)
	s := newFakeService(t)
	w := b.idle(s)
	composed := 0
	e := &errand{id: "crash", compose: func(context.Context) (*Message, func(context.Context) error, error) {
		if composed++; composed == 1 {
			return nil, nil, errors.New("not now")
		}
		return &Message{Kind: KindNotice, Text: "back"}, nil, nil
	}}
	if w.once(t.Context(), e) == nil {
		t.Fatal("told what could not be made")
	}
	if err := w.once(t.Context(), e); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := w.once(t.Context(), e); err != nil {
			t.Fatal(err)
		}
	}
	s.message(t)
	s.none(t)
}
