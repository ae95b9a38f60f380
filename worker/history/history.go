// Package history reads records back. It never touches the consumer that the worker judges by.
package history

import (
	"context"
	"fmt"
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
}

// Read calls fn with each record that matches, oldest first. An error of fn ends it.
func Read(ctx context.Context, js jetstream.JetStream, q Query, fn func(Entry) error) error {
	r := &reader{q: q, fn: fn}
	var since time.Time
	if !q.Since.IsZero() {
		// A record is never stored before what it tells of, but for readings dated ahead by at
		// most a day.
		since = q.Since.Add(-protocol.MaxAhead)
	}
	var err error
	if js.Conn().Opts.Nkey != "" {
		// Somebody with a key need not have the right to consumers of records.
		err = r.direct(ctx, js, since)
	} else {
		err = r.consume(ctx, js, since)
	}
	if err != nil && q.Follow && ctx.Err() != nil {
		return nil
	}
	return err
}

// reader sifts records as they come.
type reader struct {
	q    Query
	fn   func(Entry) error
	kept []Entry // the last of the past, when only some are wanted
	live bool    // the past has been told
}

// take is given each record under the query's subjects.
func (r *reader) take(seq uint64, stored time.Time, data []byte) error {
	if r.q.with != nil && !r.q.with(data) {
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
	e := Entry{Seq: seq, Stored: stored, Record: rec}
	if r.q.Last == 0 || r.live {
		return r.fn(e)
	}
	if r.kept = append(r.kept, e); len(r.kept) > 2*r.q.Last {
		r.kept = append(r.kept[:0], r.kept[len(r.kept)-r.q.Last:]...)
	}
	return nil
}

// past tells what was kept back, once there is no more of the past.
func (r *reader) past() error {
	for _, e := range r.kept[max(0, len(r.kept)-r.q.Last):] {
		if err := r.fn(e); err != nil {
			return err
		}
	}
	r.kept, r.live = nil, true
	return nil
}

// consume reads by an ordered consumer.
func (r *reader) consume(ctx context.Context, js jetstream.JetStream, since time.Time) error {
	c := jetstream.OrderedConsumerConfig{FilterSubjects: r.q.subjects()}
	if !since.IsZero() {
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
	it, err := cons.Messages(jetstream.PullMaxMessages(256))
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
		if meta.NumPending == 0 && !r.live {
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
	ok := func(advice, level, channel string) bool {
		return (q.Advice == "" || q.Advice == advice) && ranks[level] >= ranks[q.Level] && (q.Channel == "" || q.Channel == channel)
	}
	for _, c := range r.Changes {
		if ok(c.Advice, c.Level, c.Channel) {
			return true
		}
	}
	if r.Verdict != nil {
		for _, f := range r.Verdict.Findings {
			if ok(f.Advice, f.Level, f.Channel) {
				return true
			}
		}
	}
	if j := noteJournal(r); j != nil && q.Advice == "" && q.Level == "" {
		return j.Channel == q.Channel
	}
	return false
}

// noteJournal is the journal entry behind a record, or nil.
func noteJournal(r *protocol.Record) *protocol.JournalNote {
	if r.Note == nil {
		return nil
	}
	return r.Note.Journal
}
