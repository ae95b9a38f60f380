package retention_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/bus/bustest"
	"swathkeeper/worker/history"
	"swathkeeper/worker/retention"
)

const day = 24 * time.Hour

// shop is a store of made-up inputs and records. The bus stamps what it stores with its own clock,
// so what is old is made so by looking from a later day.
type shop struct {
	t  *testing.T
	js jetstream.JetStream
}

func open(t *testing.T) *shop {
	t.Helper()
	return &shop{t, bustest.Store(t, t.TempDir())}
}

// input stores an input and, when judged, acknowledges it as the worker does.
func (s *shop) input(n int, judged bool) {
	s.t.Helper()
	for range n {
		if _, err := s.js.Publish(s.t.Context(), protocol.ReadingSubject("quay", "heron"), []byte("a reading")); err != nil {
			s.t.Fatal(err)
		}
	}
	if !judged {
		return
	}
	cons, err := s.js.Consumer(s.t.Context(), protocol.StreamInbox, bus.Durable)
	if err != nil {
		s.t.Fatal(err)
	}
	// One at a time, as the consumer wants it.
	cc, done := make(chan struct{}), 0
	c, err := cons.Consume(func(m jetstream.Msg) {
		if err := m.DoubleAck(s.t.Context()); err != nil {
			s.t.Error(err)
		}
		if done++; done == n {
			close(cc)
		}
	}, jetstream.PullPriorityGroup(bus.Durable))
	if err != nil {
		s.t.Fatal(err)
	}
	<-cc
	c.Stop()
	<-c.Closed()
}

// record stores a record; change says what is different from a plain one.
func (s *shop) record(printer, kind, series string, change func(*protocol.Record)) uint64 {
	s.t.Helper()
	r := &protocol.Record{Schema: protocol.SchemaRecord, ID: uuid.NewString(), Kind: kind, At: time.Now(), Site: "quay", Printer: printer, Series: series, Text: "made up"}
	if change != nil {
		change(r)
	}
	data, err := protocol.Encode(r)
	if err != nil {
		s.t.Fatal(err)
	}
	a, err := s.js.Publish(s.t.Context(), protocol.RecordSubject("quay", printer, kind, series), data)
	if err != nil {
		s.t.Fatal(err)
	}
	return a.Sequence
}

func (s *shop) has(stream string) map[uint64]bool {
	s.t.Helper()
	out := map[uint64]bool{}
	subject := map[string]string{protocol.StreamInbox: "swk.>", protocol.StreamRecord: protocol.SubjectRecords, protocol.StreamRows: protocol.SubjectRows}[stream]
	if err := bus.ReadDirect(s.t.Context(), s.js, stream, subject, 0, time.Time{}, func(m bus.Message) error { out[m.Seq] = true; return nil }); err != nil {
		s.t.Fatal(err)
	}
	return out
}

// prune looks from a later day and removes.
func (s *shop) prune(after time.Duration) retention.Removed {
	s.t.Helper()
	plan, err := retention.Look(s.t.Context(), s.js, retention.DefaultPolicy(), time.Now().Add(after))
	if err != nil {
		s.t.Fatal(err)
	}
	r, err := plan.Apply(s.t.Context(), s.js)
	if err != nil {
		s.t.Fatal(err)
	}
	again, err := retention.Look(s.t.Context(), s.js, retention.DefaultPolicy(), time.Now().Add(after))
	if err != nil {
		s.t.Fatal(err)
	}
	if again.Inbox != 0 || len(again.Records) != 0 {
		s.t.Errorf("something is left to remove: %+v", again)
	}
	return r
}

// Inputs go after 400 days, but for those that were not judged; records after 1,100.
func TestInputs(t *testing.T) {
	s := open(t)
	s.input(5, true)
	s.input(3, false)
	if r := s.prune(399 * day); r != (retention.Removed{}) {
		t.Errorf("a day early: %+v", r)
	}
	if r := s.prune(401 * day); r.Inputs != 5 {
		t.Errorf("%+v", r)
	}
	for seq := uint64(6); seq <= 8; seq++ {
		if !s.has(protocol.StreamInbox)[seq] {
			t.Errorf("input %d was not judged and is gone", seq)
		}
	}
}

// What a baseline is being learned from stays.
func TestLearning(t *testing.T) {
	s := open(t)
	s.input(6, true)
	s.record("heron", protocol.KindVerdict, "0123456789ab", func(r *protocol.Record) {
		r.PrinterState, _ = json.Marshal(map[string]any{"learning": map[string]uint64{"0123456789ab": 4, "ba9876543210": 0}})
	})
	if r := s.prune(401 * day); r.Inputs != 3 {
		t.Errorf("%+v", r)
	}
	if got := s.has(protocol.StreamInbox); len(got) != 3 || !got[4] {
		t.Errorf("%v", got)
	}
}

// Of old records the newest under each subject stays, and every journal entry and baseline.
func TestRecords(t *testing.T) {
	s := open(t)
	keep := map[uint64]bool{}
	for i := range 4 {
		for _, series := range []string{"0123456789ab", "ba9876543210"} {
			seq := s.record("heron", protocol.KindVerdict, series, nil)
			keep[seq] = i == 3
		}
		keep[s.record("heron", protocol.KindJournal, protocol.NoSeries, nil)] = true
		keep[s.record("heron", protocol.KindBaseline, "0123456789ab", nil)] = true
		keep[s.record("heron", protocol.KindAlert, "0123456789ab", nil)] = i == 3
		keep[s.record("plover", protocol.KindRefusal, protocol.NoSeries, nil)] = i == 3
	}
	if err := history.NewClerk(s.js, zerolog.Nop()).CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	rows := len(s.has(protocol.StreamRows))
	if r := s.prune(1099 * day); r.Records != 0 || r.Rows != 0 {
		t.Errorf("a day early: %+v", r)
	}
	r := s.prune(1101 * day)
	if r.Records != 12 || int(r.Rows) != rows {
		t.Errorf("%+v of %d rows", r, rows)
	}
	got := s.has(protocol.StreamRecord)
	for seq, want := range keep {
		if got[seq] != want {
			t.Errorf("record %d: kept %v, want %v", seq, got[seq], want)
		}
	}
	// Looking back finds all that is left, though its rows are gone.
	n := 0
	if err := history.ReadRows(t.Context(), s.js, history.Query{}, func(history.Row) error { n++; return nil }); err != nil || n != len(got) {
		t.Errorf("%d rows of %d records: %v", n, len(got), err)
	}
}

// While an alert is open, nothing goes that came since it began, or since the last good reading
// before it: neither records of its printer nor inputs.
func TestOpenAlert(t *testing.T) {
	s := open(t)
	s.input(2, true)
	began := time.Now()
	var seqs []uint64
	for range 3 {
		seqs = append(seqs, s.record("heron", protocol.KindVerdict, "0123456789ab", nil))
		s.record("plover", protocol.KindVerdict, "0123456789ab", nil)
	}
	s.record("heron", protocol.KindAlert, protocol.NoSeries, func(r *protocol.Record) {
		r.Open = []protocol.Alert{{Key: "quay/heron/clean_head/C", Advice: protocol.AdviceClean, Level: protocol.LevelAct, Since: began.Add(2 * day), LastGood: &protocol.LastGood{At: began}}}
	})
	if r := s.prune(1200 * day); r.Records != 2 || r.Inputs != 0 {
		t.Errorf("%+v", r)
	}
	got := s.has(protocol.StreamRecord)
	for _, seq := range seqs {
		if !got[seq] {
			t.Errorf("record %d of the time of an open alert is gone", seq)
		}
	}
	s.record("heron", protocol.KindAlert, protocol.NoSeries, nil) // it is cleared
	if r := s.prune(1200 * day); r.Records != 3 || r.Inputs != 2 {
		t.Errorf("once it is cleared: %+v", r)
	}
}

func TestPolicy(t *testing.T) {
	for _, p := range []retention.Policy{retention.DefaultPolicy(), {}, {Readings: 40 * day}, {Readings: 40 * day, Records: 40 * day}} {
		if err := p.Validate(); err != nil {
			t.Errorf("%+v: %v", p, err)
		}
	}
	for _, p := range []retention.Policy{{Readings: 29 * day}, {Readings: 40 * day, Records: 39 * day}, {Records: 100 * day}, {Readings: -1}} {
		if p.Validate() == nil {
			t.Errorf("%+v is taken", p)
		}
	}
}

func TestSizes(t *testing.T) {
	s := open(t)
	s.input(3, false)
	sizes, err := retention.Sizes(t.Context(), s.js)
	if err != nil || len(sizes) < 5 {
		t.Fatalf("%v, %v", sizes, err)
	}
	if z := sizes[0]; z.Count != 3 || z.Bytes == 0 || z.From.IsZero() || z.From.After(z.To) || fmt.Sprint(z) != "readings and notes 0 KB of 3072 MB" {
		t.Errorf("%+v %s", z, z)
	}
}

// A clock that jumps ahead removes nothing: the store's latest messages lie too far back.
func TestAClockThatJumps(t *testing.T) {
	s := open(t)
	if err := retention.Trust(t.Context(), s.js, time.Now().Add(5000*day)); err != nil {
		t.Errorf("an empty store: %v", err)
	}
	s.input(300, false)
	for range 150 {
		s.record("heron", protocol.KindVerdict, "0123456789ab", nil)
	}
	if err := retention.Trust(t.Context(), s.js, time.Now()); err != nil {
		t.Errorf("today: %v", err)
	}
	if err := retention.Trust(t.Context(), s.js, time.Now().Add(150*day)); err != nil {
		t.Errorf("after half a year's rest: %v", err)
	}
	if err := retention.Trust(t.Context(), s.js, time.Now().Add(1200*day)); !errors.Is(err, retention.ErrClock) {
		t.Errorf("years ahead: %v", err)
	}
}
