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
	c := jetstream.OrderedConsumerConfig{FilterSubjects: q.subjects()}
	if !q.Since.IsZero() {
		// A record is never stored before what it tells of, but for readings dated ahead by at
		// most a day.
		from := q.Since.Add(-protocol.MaxAhead)
		c.DeliverPolicy, c.OptStartTime = jetstream.DeliverByStartTimePolicy, &from
	}
	cons, err := js.OrderedConsumer(ctx, protocol.StreamRecord, c)
	if err != nil {
		return fmt.Errorf("records: %w", err)
	}
	var kept []Entry
	emit := fn
	if q.Last > 0 {
		emit = func(e Entry) error {
			if kept = append(kept, e); len(kept) > 2*q.Last {
				kept = append(kept[:0], kept[len(kept)-q.Last:]...)
			}
			return nil
		}
	}
	flush := func() error {
		for _, e := range kept[max(0, len(kept)-q.Last):] {
			if err := fn(e); err != nil {
				return err
			}
		}
		kept, emit = nil, fn
		return nil
	}
	pending := cons.CachedInfo().NumPending
	if pending == 0 {
		if err := flush(); err != nil || !q.Follow {
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
			if q.Follow && ctx.Err() != nil {
				return nil
			}
			return fmt.Errorf("records: %w", err)
		}
		meta, err := m.Metadata()
		if err != nil {
			return err
		}
		var rec *protocol.Record
		skip := q.with != nil && !q.with(m.Data())
		if !skip {
			rec, err = protocol.DecodeRecord(m.Data())
		}
		foreign := err != nil && bus.IsForeign(m.Data())
		if err != nil && !foreign {
			return fmt.Errorf("record %d: %w", meta.Sequence.Stream, err)
		}
		// What is no record at all, put there by mistake, must not hide those that are.
		if !skip && !foreign && q.matches(rec) {
			if err := emit(Entry{Seq: meta.Sequence.Stream, Stored: meta.Timestamp, Record: rec}); err != nil {
				return err
			}
		}
		if meta.NumPending == 0 {
			if err := flush(); err != nil || !q.Follow {
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
