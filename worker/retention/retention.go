// Package retention decides how long things are kept, and removes what is old. Nothing on the bus
// expires by itself; what goes, goes from here, and never
//   - an input that was not judged yet, or that a baseline is being learned from,
//   - the newest record under a subject: printers and series remember by these,
//   - what came since the oldest alert began that is open still,
//   - a journal entry or a baseline: they are few, and they are the shop's own story.
package retention

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// Policy says how long things are kept; 0 is for ever.
type Policy struct {
	Readings time.Duration // what came in; without it a verdict is kept, and its chart cannot be drawn
	Records  time.Duration // verdicts, changes of alerts, refusals
}

// DefaultPolicy keeps readings for 400 days, so that a season can be laid beside the one a year
// before, and records for three years.
func DefaultPolicy() Policy { return Policy{Readings: 400 * day, Records: 1100 * day} }

const (
	day = 24 * time.Hour
	// least is what must be kept in any case.
	least = 30 * day
)

// Validate refuses a policy that would take what is needed.
func (p Policy) Validate() error {
	switch {
	case p.Readings != 0 && p.Readings < least:
		return fmt.Errorf("readings must be kept for 30 days at least, not %s: alerts and baselines refer to them", p.Readings)
	case p.Records != 0 && p.Records < least:
		return fmt.Errorf("records must be kept for 30 days at least, not %s: alerts refer to them", p.Records)
	case p.Records != 0 && (p.Readings == 0 || p.Records < p.Readings):
		return errors.New("records must be kept as long as readings, or longer: a reading without its verdict is of no use")
	}
	return nil
}

// Plan is what would be removed.
type Plan struct {
	Inbox   uint64            // inputs below this sequence; 0: none
	Records map[string]uint64 // by subject: records below this sequence
	Rows    uint64            // rows below this sequence; 0: none
}

// Empty says that there is nothing to remove.
func (p *Plan) Empty() bool { return p.Inbox == 0 && len(p.Records) == 0 && p.Rows == 0 }

// Look finds out what is old at now, and changes nothing.
func Look(ctx context.Context, js jetstream.JetStream, policy Policy, now time.Time) (*Plan, error) {
	if err := policy.Validate(); err != nil {
		return nil, err
	}
	l := looker{ctx: ctx, js: js, plan: &Plan{Records: map[string]uint64{}}, seqs: map[string]uint64{}}
	var err error
	if l.records, err = bus.OpenRecords(ctx, js); err != nil {
		return nil, err
	}
	printers, err := l.records.Printers(ctx)
	if err != nil {
		return nil, err
	}
	// A printer's own needs bound what may go of it; of the inbox, those of all.
	inbox := now.Add(-policy.Readings)
	held := map[string]time.Time{}
	learning := uint64(0)
	for _, p := range printers {
		last, err := l.records.Last(ctx, protocol.PrinterRecords(p[0], p[1]))
		if err != nil {
			return nil, err
		}
		if last == nil || last.Record == nil {
			continue
		}
		if t := oldest(last.Record); !t.IsZero() {
			held[p[0]+"."+p[1]] = t
			if t.Before(inbox) {
				inbox = t
			}
		}
		since, err := learningSince(last.Record)
		if err != nil {
			return nil, fmt.Errorf("%s/%s: %w", p[0], p[1], err)
		}
		if since > 0 && (learning == 0 || since < learning) {
			learning = since
		}
	}
	if policy.Readings > 0 {
		if err := l.inbox(inbox, learning); err != nil {
			return nil, err
		}
	}
	if policy.Records > 0 {
		if err := l.old(now.Add(-policy.Records), held); err != nil {
			return nil, err
		}
	}
	return l.plan, nil
}

// ErrClock says that the time cannot be trusted with removing anything.
var ErrClock = errors.New("nothing is removed by a clock that may be wrong")

// longGap is how far back the latest part of a stream may reach. A shop that works leaves no longer
// gap; a machine whose clock has jumped ahead does.
const longGap = 200 * day

// Trust looks whether now can be the right time: the latest fiftieth of what came must not lie years
// back. Else a clock that jumps ahead would take a shop's history with it.
func Trust(ctx context.Context, js jetstream.JetStream, now time.Time) error {
	for _, stream := range []string{protocol.StreamInbox, protocol.StreamRecord} {
		s, err := js.Stream(ctx, stream)
		if err != nil {
			return fmt.Errorf("stream %s: %w", stream, err)
		}
		st := s.CachedInfo().State
		if st.Msgs == 0 {
			continue
		}
		back := max(100, st.Msgs/50)
		from := st.FirstSeq
		if st.LastSeq > back && st.LastSeq-back > from {
			from = st.LastSeq - back
		} // else it is so small that there is nothing to gain
		m, err := bus.FirstFrom(ctx, js, stream, from)
		if err != nil {
			return err
		}
		if m != nil && now.Sub(m.Time) > longGap {
			return fmt.Errorf("the latest of %s came long before %s: %w", stream, now.Format(time.DateOnly), ErrClock)
		}
	}
	return nil
}

// oldest is when the oldest open alert of a printer began, its last good reading before; zero when
// none is open. What came of that time cannot have been stored more than a day before.
func oldest(r *protocol.Record) time.Time {
	var t time.Time
	for _, a := range r.Open {
		for _, at := range []time.Time{a.Since, lastGood(a)} {
			if !at.IsZero() && (t.IsZero() || at.Before(t)) {
				t = at
			}
		}
	}
	if t.IsZero() {
		return t
	}
	return t.Add(-protocol.MaxAhead)
}

func lastGood(a protocol.Alert) time.Time {
	if a.LastGood == nil {
		return time.Time{}
	}
	return a.LastGood.At
}

// learningSince is the first input that a printer's coming baselines may be learned from; 0 when it
// learns nothing.
func learningSince(r *protocol.Record) (uint64, error) {
	var st struct {
		Learning map[string]uint64 `json:"learning"`
	}
	if len(r.PrinterState) == 0 {
		return 0, nil
	}
	if err := json.Unmarshal(r.PrinterState, &st); err != nil {
		return 0, fmt.Errorf("state: %w", err)
	}
	since := uint64(0)
	for _, seq := range st.Learning {
		if seq > 0 && (since == 0 || seq < since) {
			since = seq
		}
	}
	return since, nil
}

// looker gathers a plan.
type looker struct {
	ctx     context.Context
	js      jetstream.JetStream
	records *bus.Records
	plan    *Plan
	seqs    map[string]uint64
}

// below gives the sequence below which everything in a stream is older than t; 0 when nothing is.
func (l *looker) below(stream string, t time.Time) (uint64, error) {
	key := stream + t.Format(time.RFC3339Nano)
	if seq, ok := l.seqs[key]; ok {
		return seq, nil
	}
	s, err := l.js.Stream(l.ctx, stream)
	if err != nil {
		return 0, fmt.Errorf("stream %s: %w", stream, err)
	}
	st := s.CachedInfo().State
	if st.Msgs == 0 || !st.FirstTime.Before(t) {
		l.seqs[key] = 0
		return 0, nil
	}
	seq := st.LastSeq + 1
	first, err := bus.FirstSince(l.ctx, l.js, stream, t)
	if err != nil {
		return 0, err
	}
	if first != nil {
		seq = first.Seq
	}
	l.seqs[key] = seq
	return seq, nil
}

func (l *looker) inbox(t time.Time, learning uint64) error {
	seq, err := l.below(protocol.StreamInbox, t)
	if err != nil || seq == 0 {
		return err
	}
	d, err := bus.ReadDivision(l.ctx, l.js)
	if err != nil {
		return err
	}
	queues, err := d.Queues(l.ctx, l.js)
	if err != nil {
		return err
	}
	for _, q := range queues {
		// What is acknowledged has its record. (After a crash this runs behind: then more is kept.)
		seq = min(seq, q.Floor+1)
	}
	if learning > 0 {
		seq = min(seq, learning)
	}
	s, err := l.js.Stream(l.ctx, protocol.StreamInbox)
	if err != nil {
		return fmt.Errorf("stream %s: %w", protocol.StreamInbox, err)
	}
	if seq > s.CachedInfo().State.FirstSeq {
		l.plan.Inbox = seq
	}
	return nil
}

// old plans the removal of records of before t, and of their rows.
func (l *looker) old(t time.Time, held map[string]time.Time) error {
	s, err := l.js.Stream(l.ctx, protocol.StreamRecord)
	if err != nil {
		return fmt.Errorf("stream %s: %w", protocol.StreamRecord, err)
	}
	info, err := s.Info(l.ctx, jetstream.WithSubjectFilter(protocol.SubjectRecords))
	if err != nil {
		return fmt.Errorf("stream %s: %w", protocol.StreamRecord, err)
	}
	for subject, n := range info.State.Subjects {
		parts := strings.Split(subject, ".")
		if n < 2 || len(parts) != 6 {
			continue
		}
		switch parts[4] {
		case protocol.KindVerdict, protocol.KindAlert, protocol.KindRefusal:
		default:
			continue // the shop's own story
		}
		at := t
		if h, ok := held[parts[2]+"."+parts[3]]; ok && h.Before(at) {
			at = h
		}
		seq, err := l.below(protocol.StreamRecord, at)
		if err != nil {
			return err
		}
		if seq == 0 {
			continue
		}
		last, err := s.GetLastMsgForSubject(l.ctx, subject)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			continue // damaged on the disk, which doctor says: what is left of this subject is kept
		}
		if err != nil {
			return fmt.Errorf("newest record under %s: %w", subject, err)
		}
		seq = min(seq, last.Sequence)
		first, err := l.first(subject)
		if err != nil {
			return err
		}
		if first < seq {
			l.plan.Records[subject] = seq
		}
	}
	rows, err := l.below(protocol.StreamRows, t)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	l.plan.Rows = rows
	return nil
}

// first is the sequence of the oldest record under a subject.
func (l *looker) first(subject string) (uint64, error) {
	s, err := l.js.Stream(l.ctx, protocol.StreamRecord)
	if err != nil {
		return 0, fmt.Errorf("stream %s: %w", protocol.StreamRecord, err)
	}
	m, err := s.GetMsg(l.ctx, 1, jetstream.WithGetMsgSubject(subject))
	if err != nil {
		return 0, fmt.Errorf("oldest record under %s: %w", subject, err)
	}
	return m.Sequence, nil
}

// Removed counts what an application of a plan removed.
type Removed struct{ Inputs, Records, Rows uint64 }

// Apply removes what a plan says. Done twice, or by two workers at once, it does no more than once.
func (p *Plan) Apply(ctx context.Context, js jetstream.JetStream) (Removed, error) {
	var r Removed
	purge := func(stream string, count *uint64, opts ...jetstream.StreamPurgeOpt) error {
		s, err := js.Stream(ctx, stream)
		if err != nil {
			return fmt.Errorf("stream %s: %w", stream, err)
		}
		before := s.CachedInfo().State.Msgs
		if err := s.Purge(ctx, opts...); err != nil {
			return fmt.Errorf("stream %s: %w", stream, err)
		}
		i, err := s.Info(ctx)
		if err != nil {
			return fmt.Errorf("stream %s: %w", stream, err)
		}
		if i.State.Msgs < before { // what came meanwhile may hide some
			*count += before - i.State.Msgs
		}
		return nil
	}
	if p.Inbox > 0 {
		if err := purge(protocol.StreamInbox, &r.Inputs, jetstream.WithPurgeSequence(p.Inbox)); err != nil {
			return r, err
		}
	}
	for subject, seq := range p.Records {
		if err := purge(protocol.StreamRecord, &r.Records, jetstream.WithPurgeSubject(subject), jetstream.WithPurgeSequence(seq)); err != nil {
			return r, err
		}
	}
	if p.Rows > 0 {
		if err := purge(protocol.StreamRows, &r.Rows, jetstream.WithPurgeSequence(p.Rows)); err != nil {
			return r, err
		}
	}
	return r, nil
}
