package worker

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/alert"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/chat"
	"swathkeeper/worker/health"
	"swathkeeper/worker/history"
	"swathkeeper/worker/judge"
)

// keeper takes inputs in order and turns each into exactly one record.
type keeper struct {
	records *bus.Records
	stores  *bus.Stores
	clock   Clock
	log     zerolog.Logger
	judge   judge.Options
	alert   alert.Options
	// committed is told of every record stored, for tests and the demo.
	committed func(*protocol.Record)
	metrics   *health.Metrics
	// stored is told of every record with its sequence; it must not block. It may be nil.
	stored func(seq uint64, rec *protocol.Record)
	wakeup func() // a printer's next wake time may have come nearer
	// same fails while it is not certain that the inbox is still the one that records speak of; nil: it
	// cannot be another.
	same func(context.Context) error
	// past makes up the standing of a printer whose records do not carry it yet.
	past func(ctx context.Context, site, printer string) (*history.Standing, error)

	// part of the inbox is what this keeper takes.
	part bus.Part
	// reader reads ahead; nil: nothing is read before its turn.
	reader *reader

	pulse pulse
	ahead atomic.Uint64 // how many decisions were made ahead of their input's turn

	// mu is held while one input or timer is worked on: inputs of a partition are strictly one
	// after another, and timers stand in the same row. Take it with enter.
	mu    sync.Mutex
	chain *chain    // decides ahead; nil: nothing is decided before its turn
	next  time.Time // when the timers look at the clock next; zero: not by themselves

	// table is held for printers, and for changing what is in one, since the chain copies them.
	table    sync.Mutex
	printers map[string]*printer

	cache  sync.Mutex // for what follows
	models *models    // with a lock of its own
	charts map[string]*protocol.Chart
}

// newKeeper makes a keeper that knows nothing yet; the caller fills in what it works with.
func newKeeper(p bus.Part, shared *models) *keeper {
	return &keeper{
		part:     p,
		printers: map[string]*printer{}, models: shared, charts: map[string]*protocol.Chart{},
	}
}

// retryWait is how long to wait before an input is tried again while the bus or its store is away.
const retryWait = 500 * time.Millisecond

// stillWorking is how often the bus is told that an input is being worked on; well under the
// consumer's acknowledgement wait.
const stillWorking = bus.AckWait / 3

// keepTelling tells the bus that an input is being worked on, until the returned function is
// called: freezing a baseline takes a while, and so does waiting for a bus that is away.
func keepTelling(msg *nats.Msg) (stop func()) {
	var mu sync.Mutex
	over := false
	var t *time.Timer
	mu.Lock()
	defer mu.Unlock()
	t = time.AfterFunc(stillWorking, func() {
		mu.Lock()
		defer mu.Unlock()
		if !over {
			_ = msg.InProgress()
			t.Reset(stillWorking)
		}
	})
	return func() {
		mu.Lock()
		defer mu.Unlock()
		over = true
		t.Stop()
	}
}

// Handle takes one inbox message to its record and acknowledges it. It returns only when that is
// done, or when ctx ends: the message is then delivered again.
func (k *keeper) Handle(ctx context.Context, msg *nats.Msg) {
	meta, err := msg.Metadata()
	if err != nil {
		k.log.Error().Err(err).Msg("a message without stream metadata was left alone")
		return
	}
	in := input{subject: protocol.PlainInput(msg.Subject), data: msg.Data, seq: meta.Sequence.Stream, came: meta.Timestamp}
	k.pulse.pin(bus.PinOf(msg))
	defer keepTelling(msg)()
	acked := false
	in.recorded = func() { acked = true; k.acknowledge(msg, in) }
	if k.reader != nil {
		in.prepared = k.reader.take(in, meta.NumPending)
	}
	var lastErr string
	for ctx.Err() == nil {
		in.taken = time.Now()
		var err error
		if k.same != nil {
			err = k.same(ctx)
		}
		if err == nil {
			if err = k.take(ctx, in); !bus.IsAway(err) && !errors.Is(err, bus.ErrConflict) {
				in.faults++
			}
		}
		if err == nil {
			k.pulse.fault(nil)
			if !acked { // it had its record from before
				k.acknowledge(msg, in)
			}
			return
		}
		if ctx.Err() != nil {
			return
		}
		k.metrics.Fault()
		k.pulse.fault(err)
		if text := err.Error(); text != lastErr {
			k.log.Error().Uint64("inbox_seq", in.seq).Str("subject", in.subject).Err(err).Msg("this input waits until it can be recorded")
			lastErr = text
		}
		if errors.Is(err, errNewInbox) {
			return // this worker is being stopped; the next one takes it
		}
		t := time.NewTimer(retryWait)
		select {
		case <-ctx.Done():
		case <-t.C:
		}
		t.Stop()
	}
}

// acknowledge tells the bus that an input has its record, so that the next one is on its way while this
// one is still told of.
func (k *keeper) acknowledge(msg *nats.Msg, in input) {
	if err := msg.Ack(); err != nil {
		k.log.Warn().Uint64("inbox_seq", in.seq).Str("subject", in.subject).Err(err).Msg("acknowledgement not sent; the input will be skipped when it comes again")
	}
}

// input is one message of the inbox.
type input struct {
	subject string
	data    []byte
	seq     uint64
	came    time.Time // into the inbox, by the bus's clock
	taken   time.Time // out of it
	faults  int       // how often it failed for another reason than that the bus is away
	// prepared is what was done ahead of its turn; nil: nothing.
	prepared *prepared
	recorded func() // called once its record is stored, with all that belongs to it; nil: nobody asks
}

// maxFaults is how often an input may fail for a reason that is neither its own nor the bus's
// before it is refused: one bad input must not hold up all that come after it.
const maxFaults = 3

// conflictsAtOnce is how often a decision is made anew at once because another worker's record came first.
// Two that take turns need one; after more, something else is wrong, and there is a pause.
const conflictsAtOnce = 3

// take decides on an input and commits its record. A nil error means that the input has its
// record, from now or from before.
func (k *keeper) take(ctx context.Context, in input) error {
	defer k.enter()()
	what, site, name, err := protocol.ParseInput(in.subject)
	if err != nil {
		return err // the stream's own subjects make this impossible
	}
	for tries := 1; ; tries++ {
		if k.known(site+"."+name) == nil {
			k.endChain() // its decisions may rest on what is read anew now
		}
		p, err := k.load(ctx, site, name)
		if err != nil {
			return err
		}
		if !p.moved && in.seq <= p.state.InboxSeq {
			k.endChain()
			if !p.setBack(in) {
				return nil
			}
			k.log.Error().Uint64("inbox_seq", in.seq).Uint64("judged_up_to", p.state.InboxSeq).Str("site", site).Str("printer", name).
				Msg("the inbox is older than the records: it was brought back from a copy, or lost its end; readings that came in between may be gone; this one is judged, and nothing is judged twice")
			k.table.Lock()
			p.moved = true
			k.table.Unlock()
		}
		d := k.foreseen(in)
		if d != nil {
			k.ahead.Add(1)
		} else {
			if d, err = k.decide(ctx, p, what, in); err != nil {
				k.forget(p)
				return err
			}
			if err := k.sealOrRefuse(p, d, in); err != nil {
				return err
			}
		}
		d.in = in
		if k.chain == nil {
			k.startChain(in.seq, p, d)
		}
		err = k.commit(ctx, p, d)
		if errors.Is(err, bus.ErrConflict) {
			// Somebody else was first: read again, decide again.
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if tries >= conflictsAtOnce {
				return err
			}
			continue
		}
		return err
	}
}

// decision is a record to be, and what becomes of the printer with it.
type decision struct {
	record *protocol.Record
	state  printerState
	wake   time.Time
	series string
	st     *judge.State // new state of series; nil: unchanged
	after  func(context.Context) error
	in     input // zero for a timer
	inTime bool  // a reading's own time agrees with the worker's clock

	data  []byte        // the record as it is stored, once sealed
	spent time.Duration // on deciding ahead of the input's turn; 0: it was decided in its turn
}

// seal completes a decision's record with the printer's state and brings it into the form in which it
// is stored.
func (k *keeper) seal(p *printer, d *decision) error {
	d.state.Standing = p.state.Standing.After(d.record)
	if now := k.clock.Now(); !p.clockBehind(now) || d.inTime {
		d.state.Clock = now
	}
	raw, err := json.Marshal(d.state)
	if err != nil {
		return err
	}
	d.record.PrinterState = raw
	d.record.Text = chat.OneLine(d.record.Text) // free text of a note may hold lines
	d.data, err = protocol.Encode(d.record)
	return err
}

// commit stores a sealed decision under the printer's guard. Only then do the printer's state in
// memory and its next wake time move. On an error nothing that was decided ahead counts any more.
func (k *keeper) commit(ctx context.Context, p *printer, d *decision) error {
	decided := time.Now()
	seq, err := k.records.Commit(ctx, d.record, d.data, p.lastSeq)
	if err != nil {
		k.endChain()
		k.forget(p)
		if errors.Is(err, bus.ErrConflict) {
			k.metrics.Conflict()
		}
		return err
	}
	k.table.Lock()
	p.lastSeq, p.state, p.wake, p.moved = seq, d.state, d.wake, false
	if d.st != nil {
		p.series[d.series] = d.st
	}
	k.table.Unlock()
	if d.after != nil {
		if err := d.after(ctx); err != nil {
			// Only indexes are written here; the record that was stored is what counts.
			k.log.Warn().Err(err).Msg("index not written")
		}
	}
	if d.in.recorded != nil {
		d.in.recorded()
	}
	now := time.Now()
	took := health.Took{Commit: now.Sub(decided)}
	if d.in.seq > 0 {
		took.Judge, took.Road = decided.Sub(d.in.taken)+d.spent, now.Sub(d.in.came)
	}
	k.pulse.stored(now)
	k.pulse.made(d.state.Clock)
	k.metrics.Record(d.record, took, now)
	k.logRecord(d.record, took)
	if k.stored != nil {
		k.stored(seq, d.record)
	}
	if k.committed != nil {
		k.committed(d.record)
	}
	if k.wakeup != nil && k.sooner(d.wake) {
		k.wakeup()
	}
	return nil
}

// sooner says whether the timers must look at the clock before they would by themselves.
func (k *keeper) sooner(wake time.Time) bool {
	if !k.next.IsZero() && !k.next.After(k.clock.Now()) {
		return true
	}
	return !wake.IsZero() && (k.next.IsZero() || wake.Before(k.next))
}

func (k *keeper) logRecord(r *protocol.Record, took health.Took) {
	e := k.log.Info()
	if r.Kind == protocol.KindRefusal {
		e = k.log.Warn()
	}
	e = e.Str("kind", r.Kind).Str("site", r.Site).Str("printer", r.Printer).Str("record", r.ID).Uint64("inbox_seq", r.InboxSeq).
		Dur("judge_ms", took.Judge).Dur("commit_ms", took.Commit)
	if r.InboxSeq > 0 {
		e = e.Dur("queue_ms", took.Road)
	}
	if r.Verdict != nil {
		e = e.Str("reading", r.Verdict.Reading).Str("outcome", r.Verdict.Outcome)
	}
	for _, c := range r.Changes {
		e = e.Str("alert", c.Key+" "+c.Change)
	}
	e.Msg(r.Text)
}

// Tick lets the alert rules of every printer whose time has come look at the clock: reminders,
// silence, the end of a hold. It returns when the next one is due; zero means none is.
func (k *keeper) Tick(ctx context.Context) (time.Time, error) {
	defer k.enter()()
	now := k.clock.Now()
	var next time.Time
	var errs []error
	due := k.due(now)
	if len(due) > 0 {
		k.endChain()
	}
	for _, p := range due {
		err := k.tickPrinter(ctx, p, now)
		for range conflictsAtOnce - 1 {
			if !errors.Is(err, bus.ErrConflict) {
				break
			}
			// Another worker was first; its record says what is still to come.
			err = k.tickPrinter(ctx, p, now)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("%s/%s: %w", p.site, p.name, err))
		}
	}
	for _, p := range k.printers {
		if !p.wake.IsZero() && (next.IsZero() || p.wake.Before(next)) {
			next = p.wake
		}
	}
	k.next = next
	return next, errors.Join(errs...)
}

func (k *keeper) due(now time.Time) []*printer {
	var out []*printer
	for _, p := range k.printers {
		if !p.wake.IsZero() && !p.wake.After(now) {
			out = append(out, p)
		}
	}
	return out
}

func (k *keeper) tickPrinter(ctx context.Context, p *printer, now time.Time) error {
	p, err := k.load(ctx, p.site, p.name)
	if err != nil {
		return err
	}
	state, dec := alert.Next(p.state.Alert, alert.Input{}, now, k.alert)
	if len(dec.Changes) == 0 && len(dec.Outcomes) == 0 {
		p.wake = dec.NextWake
		return nil
	}
	d := &decision{state: p.state, wake: dec.NextWake}
	d.state.Alert = state
	d.record = k.newRecord(p, protocol.KindAlert, "", input{}, now)
	// A timer's record is named by what it says and after which record, so that two workers whose
	// clocks strike at once store it once.
	d.record.ID = protocol.DerivedID(fmt.Sprintf("%s.%s.%d", p.site, p.name, p.lastSeq), "timer")
	fill(d.record, dec)
	d.record.Text = p.name + ": " + dec.Text
	if err := k.seal(p, d); err != nil {
		return err
	}
	return k.commit(ctx, p, d)
}

// refreshPrinter reads again what other workers of the bus have recorded since, so that timers go on
// when the worker that judged is gone: a silent station brings no reading that would tell.
func (k *keeper) refreshPrinter(ctx context.Context, site, name string) error {
	defer k.enter()()
	k.endChain()
	if p := k.known(site + "." + name); p != nil {
		last, err := k.records.Last(ctx, protocol.PrinterRecords(site, name))
		if err != nil || last == nil || last.Top == p.lastSeq {
			return err
		}
		k.forget(p)
	}
	_, err := k.load(ctx, site, name)
	return err
}

// wakePrinter loads a printer that has records, so that its timers run again after a start.
func (k *keeper) wakePrinter(ctx context.Context, site, name string) error {
	defer k.enter()()
	k.endChain()
	_, err := k.load(ctx, site, name)
	return err
}

// newRecord begins a record about an input; in is the zero input for a timer.
func (k *keeper) newRecord(p *printer, kind, series string, in input, at time.Time) *protocol.Record {
	if series == "" {
		series = protocol.NoSeries
	}
	return &protocol.Record{
		Schema: protocol.SchemaRecord, Kind: kind, At: at, Site: p.site, Printer: p.name, Series: series,
		Inbox: k.records.Inbox, InboxSeq: in.seq,
	}
}

// fill writes what the alert rules decided into a record. Whatever brought it, a record that changes
// an alert is filed as one, so that who wants alerts listens to one kind and to nothing else.
func fill(r *protocol.Record, d alert.Decision) {
	if len(d.Changes) > 0 {
		r.Kind = protocol.KindAlert
	}
	r.Changes, r.Open, r.Outcomes, r.HeldUntil = d.Changes, d.Open, d.Outcomes, d.HeldTill
}
