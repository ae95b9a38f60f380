// Package history reads records back. It never touches the consumer that the worker judges by.
package history

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// Query says which records are wanted. Empty fields match everything.
type Query struct {
	Site, Printer string
	// Kind is what a record tells: verdict, alert, refusal, journal or baseline. A verdict that
	// raised an alert is both.
	Kind         string
	Series       string
	Advice       string // a change, an open finding or a verdict's finding of this advice
	Level        string // at least this level: note, act or stop
	Channel      string // a change, an alert's or a verdict's finding on this channel
	Changes      bool   // only records that changed an alert
	Since, Until time.Time
	Last         int  // only the last N that match; 0: all
	Follow       bool // go on with new records until the context ends

	with func(data []byte) bool // nil: all; else a quick look before a record is decoded
}

// Entry is a record with its place.
type Entry struct {
	Seq    uint64           `json:"seq"`
	Stored time.Time        `json:"stored"`
	Record *protocol.Record `json:"record"`

	Data []byte `json:"-"` // the record as it is stored: JSON
}

// Read calls fn with each record that matches, oldest first. An error of fn ends it.
//
// The rows say which records are wanted and where they stand: all others are left alone. Only where
// every record is wanted are they read as they come.
func Read(ctx context.Context, js jetstream.JetStream, q Query, fn func(Entry) error) error {
	if q.with != nil || q.all() || q.rare() {
		emit, flush := lastOnly(q.Last, fn)
		return (&reader{q: q, emit: emit, flush: flush}).read(ctx, js)
	}
	rec, err := js.Stream(ctx, protocol.StreamRecord)
	if err != nil {
		return fmt.Errorf("records: %w", err)
	}
	w := &fetcher{ctx: ctx, js: js, rec: rec, fn: fn}
	emit, flush := lastOnly(q.Last, w.take)
	return q.walk(ctx, js, emit, func() error { return errors.Join(flush(), w.flush()) })
}

// all says that every record is wanted.
func (q Query) all() bool {
	return q.Site+q.Printer+q.Kind+q.Series+q.Advice+q.Level+q.Channel == "" && !q.Changes && q.Since.IsZero() && q.Until.IsZero() && q.Last <= 0
}

// rare says that what is wanted stands under subjects of its own, under which there is little: it is
// read from there, and the rows of all else are left alone.
func (q Query) rare() bool {
	return q.Printer == "" && q.Last <= 0 && q.Kind != "" && q.Kind != protocol.KindVerdict
}

// fetcher gets the records of rows that were found: neighbours in one go, others one by one.
type fetcher struct {
	ctx   context.Context
	js    jetstream.JetStream
	rec   jetstream.Stream
	fn    func(Entry) error
	seqs  []uint64 // that wait, in order
	flown bool     // the past has been fetched
}

const (
	fetchAtOnce = 128
	// nearby is how many records there may be for each that is wanted for all to be read in one go.
	nearby = 3
)

func (w *fetcher) take(f found) error {
	if f.entry != nil {
		if err := w.flush(); err != nil {
			return err
		}
		return w.fn(*f.entry)
	}
	w.seqs = append(w.seqs, f.seq)
	if len(w.seqs) >= fetchAtOnce || !w.flown { // the first at once: somebody waits for it
		return w.flush()
	}
	return nil
}

// flush fetches what waits.
func (w *fetcher) flush() error {
	seqs := w.seqs
	w.seqs, w.flown = w.seqs[:0], true
	if len(seqs) == 0 {
		return nil
	}
	first, last := seqs[0], seqs[len(seqs)-1]
	if last-first+1 > nearby*uint64(len(seqs)) || len(seqs) < 2 {
		for _, seq := range seqs {
			e, err := entryAt(w.ctx, w.rec, seq)
			if err != nil {
				return err
			}
			if e == nil {
				continue // it is no longer kept
			}
			if err := w.fn(*e); err != nil {
				return err
			}
		}
		return nil
	}
	err := bus.ReadBetween(w.ctx, w.js, protocol.StreamRecord, protocol.SubjectRecords, first, last, func(m bus.Message) error {
		if _, ok := slices.BinarySearch(seqs, m.Seq); !ok {
			return nil
		}
		e, err := entryOf(m.Seq, m.Time, m.Data)
		if err != nil {
			return err
		}
		return w.fn(*e)
	})
	if err != nil {
		return fmt.Errorf("records: %w", err)
	}
	return nil
}

// entryAt fetches one record; nil when it is no longer kept.
func entryAt(ctx context.Context, rec jetstream.Stream, seq uint64) (*Entry, error) {
	m, err := rec.GetMsg(ctx, seq)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("record %d: %w", seq, err)
	}
	return entryOf(seq, m.Time, m.Data)
}

func entryOf(seq uint64, stored time.Time, data []byte) (*Entry, error) {
	r, err := protocol.DecodeRecord(data)
	if err != nil {
		return nil, fmt.Errorf("record %d: %w", seq, err)
	}
	return &Entry{Seq: seq, Stored: stored, Record: r, Data: data}, nil
}

// lastOnly holds back all but the last n, until flush says that the past has been read; what comes
// after that goes straight on.
func lastOnly[T any](n int, fn func(T) error) (emit func(T) error, flush func() error) {
	if n <= 0 {
		return fn, func() error { return nil }
	}
	n = min(n, math.MaxInt/4) // so that twice as many can be counted
	var kept []T
	through := false
	emit = func(e T) error {
		if through {
			return fn(e)
		}
		if kept = append(kept, e); len(kept) > 2*n {
			kept = append(kept[:0], kept[len(kept)-n:]...)
		}
		return nil
	}
	flush = func() error {
		through = true
		for _, e := range kept[max(0, len(kept)-n):] {
			if err := fn(e); err != nil {
				return err
			}
		}
		kept = nil
		return nil
	}
	return emit, flush
}

// reader sifts records as they come.
type reader struct {
	q        Query
	from, to uint64            // sequences of the first and last record wanted; 0: whatever is there
	emit     func(Entry) error // is given each record that matches
	flush    func() error      // is called when there is no more of the past
	live     bool              // the past has been told
}

func (r *reader) read(ctx context.Context, js jetstream.JetStream) error {
	r.q.Follow = r.q.Follow && r.to == 0
	var since time.Time
	if !r.q.Since.IsZero() && r.from == 0 {
		since = storedSince(r.q.Since)
	}
	var err error
	if js.Conn().Opts.Nkey != "" {
		// Somebody with a key need not have the right to consumers of records.
		err = r.direct(ctx, js, since)
	} else {
		err = r.consume(ctx, js, since)
	}
	if err != nil && r.q.Follow && ctx.Err() != nil {
		return nil
	}
	return err
}

// storedSince is from when on something that happened since a time can have been stored. A record is
// never stored before what it tells of, but for readings dated ahead by at most a day; its row comes
// after it.
func storedSince(t time.Time) time.Time { return t.Add(-protocol.MaxAhead) }

// take is given each record under the query's subjects.
func (r *reader) take(seq uint64, stored time.Time, data []byte) error {
	if r.to > 0 && seq > r.to || r.q.with != nil && !r.q.with(data) {
		return nil
	}
	rec, err := protocol.DecodeRecord(data)
	if err != nil && bus.IsForeign(data) {
		return nil // what is no record at all, put there by mistake, must not hide those that are
	}
	if err != nil {
		return fmt.Errorf("record %d: %w", seq, err)
	}
	if !r.q.matches(rec) {
		return nil
	}
	return r.emit(Entry{Seq: seq, Stored: stored, Record: rec, Data: data})
}

// past says that there is no more of the past.
func (r *reader) past() error {
	r.live = true
	return r.flush()
}

// consume reads by an ordered consumer.
func (r *reader) consume(ctx context.Context, js jetstream.JetStream, since time.Time) error {
	c := jetstream.OrderedConsumerConfig{FilterSubjects: r.q.subjects()}
	switch {
	case r.from > 0:
		c.DeliverPolicy, c.OptStartSeq = jetstream.DeliverByStartSequencePolicy, r.from
	case !since.IsZero():
		c.DeliverPolicy, c.OptStartTime = jetstream.DeliverByStartTimePolicy, &since
	}
	cons, err := js.OrderedConsumer(ctx, protocol.StreamRecord, c)
	if err != nil {
		return fmt.Errorf("records: %w", err)
	}
	if cons.CachedInfo().NumPending == 0 {
		if err := r.past(); err != nil || !r.q.Follow {
			return err
		}
	}
	it, err := cons.Messages(jetstream.PullMaxMessages(bus.RecordsAhead))
	if err != nil {
		return fmt.Errorf("records: %w", err)
	}
	defer it.Stop()
	for {
		m, err := it.Next(jetstream.NextContext(ctx))
		if err != nil {
			return fmt.Errorf("records: %w", err)
		}
		meta, err := m.Metadata()
		if err != nil {
			return err
		}
		if err := r.take(meta.Sequence.Stream, meta.Timestamp, m.Data()); err != nil {
			return err
		}
		if (meta.NumPending == 0 || r.to > 0 && meta.Sequence.Stream >= r.to) && !r.live {
			if err := r.past(); err != nil || !r.q.Follow {
				return err
			}
		}
	}
}

// subjects are where records that match may stand. What changed an alert is filed as an alert, also
// when it is a verdict, a journal entry or a baseline as well.
func (q Query) subjects() []string {
	or := func(s string) string {
		if s == "" {
			return "*"
		}
		return s
	}
	of := func(kind string) string {
		return "swk.record." + or(q.Site) + "." + or(q.Printer) + "." + or(kind) + "." + or(q.Series)
	}
	switch q.Kind {
	case protocol.KindVerdict, protocol.KindJournal, protocol.KindBaseline:
		return []string{of(q.Kind), of(protocol.KindAlert)}
	}
	return []string{of(q.Kind)}
}

// is reports whether a record is of a kind, in what it tells.
func is(kind string, r *protocol.Record) bool {
	switch kind {
	case protocol.KindVerdict:
		return r.Verdict != nil
	case protocol.KindJournal:
		return noteJournal(r) != nil
	case protocol.KindBaseline:
		return r.Baseline != nil
	}
	return true // the subject says so
}

var ranks = map[string]int{protocol.LevelNote: 1, protocol.LevelAct: 2, protocol.LevelStop: 3}

func (q Query) matches(r *protocol.Record) bool {
	switch {
	case !q.Since.IsZero() && r.At.Before(q.Since), !q.Until.IsZero() && !r.At.Before(q.Until):
		return false
	case q.Changes && len(r.Changes) == 0, !is(q.Kind, r):
		return false
	}
	if q.Advice == "" && q.Level == "" && q.Channel == "" {
		return true
	}
	return marks(r, q.marked)
}

// noteJournal is the journal entry behind a record, or nil.
func noteJournal(r *protocol.Record) *protocol.JournalNote {
	if r.Note == nil {
		return nil
	}
	return r.Note.Journal
}
