package chat

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// teller tells one target.
type teller struct {
	Target
	c       *Chat
	service service
	redact  redactor
	quiet   *quiet
	log     zerolog.Logger
	cons    jetstream.Consumer
	sent    sent
	fresh   bool // the target's place was made by this start
	damaged bool // its place could not be read, and was not made anew yet

	sending sync.Mutex // one message at a time, also beside the daily ones
	mu      sync.Mutex
	status  Status
}

func (c *Chat) newTeller(t Target) (*teller, error) {
	s, err := c.newService(t)
	if err != nil {
		return nil, err
	}
	q, err := parseQuiet(t.Quiet)
	if err != nil {
		return nil, err
	}
	return &teller{
		Target: t, c: c, service: s, redact: t.redactor(), quiet: q,
		log:    c.o.Log.With().Str("target", t.Name).Str("service", t.Service()).Logger(),
		status: Status{Target: t.Name, Service: t.Service()},
	}, nil
}

const (
	// ackWait is when a record is told again whose worker was killed.
	ackWait = 30 * time.Second
	// stillWorking is how often a message being retried is kept from being given to another worker.
	stillWorking = 10 * time.Second
	// pinnedTTL is how long a worker may be silent before another takes the target over. A pull
	// must expire sooner, or an idle worker would lose its place.
	pinnedTTL  = 4 * time.Second
	pullExpiry = 2 * time.Second
	// A target that nobody listens for is forgotten after this, so that taking it up again a
	// season later does not replay the season.
	forgetAfter = 7 * 24 * time.Hour
)

// durablePrefix parts chat's consumers from all others of the record stream.
const durablePrefix = "chat-"

func (t *teller) durable() string { return durablePrefix + t.Name }

// bind finds the target's consumer, or makes it so that it begins with what is recorded from now
// on, which it reports as fresh. Its filters follow the configuration.
func (t *teller) bind(ctx context.Context, js jetstream.JetStream) (fresh bool, err error) {
	want := jetstream.ConsumerConfig{
		Durable:           t.durable(),
		Description:       "tells the chat target " + t.Name,
		DeliverPolicy:     jetstream.DeliverNewPolicy,
		AckPolicy:         jetstream.AckExplicitPolicy,
		AckWait:           t.c.o.ackWait,
		MaxDeliver:        -1,
		MaxAckPending:     1, // in order, and one worker at a time
		FilterSubjects:    t.alerts(),
		InactiveThreshold: forgetAfter,
		PriorityPolicy:    jetstream.PriorityPolicyPinned,
		PriorityGroups:    []string{t.durable()},
		PinnedTTL:         pinnedTTL,
	}
	fail := func(err error) (bool, error) { return false, fmt.Errorf("consumer %s: %w", want.Durable, err) }
	have, err := js.Consumer(ctx, protocol.StreamRecord, want.Durable)
	if errors.Is(err, jetstream.ErrConsumerNotFound) {
		mark, marked, err := t.sent.place(ctx)
		switch {
		case err != nil:
		case t.damaged: // somebody has taken it away meanwhile
			err = t.beginAt(ctx, js, &want, time.Time{})
		case marked && time.Since(mark.Seen) < forgetAfter:
			if err = t.beginAt(ctx, js, &want, mark.Since); err == nil {
				t.log.Error().Uint64("begins", want.OptStartSeq).Msg("this target's place in the records is gone: a part of the store is lost, or somebody deleted it; it is made anew, and what was told is not told again")
			}
		}
		if err != nil {
			return fail(err)
		}
		cons, err := js.CreateConsumer(ctx, protocol.StreamRecord, want)
		if err = bus.AsDamaged(protocol.StreamRecord, want.Durable, err); err != nil {
			if cons, err = t.makeAnew(ctx, js, want, err); err != nil {
				return fail(err)
			}
		}
		fresh = want.DeliverPolicy == jetstream.DeliverNewPolicy && !t.damaged
		t.cons, t.damaged = cons, false
		return fresh, nil
	}
	if err != nil {
		return fail(err)
	}
	conf := have.CachedInfo().Config
	filters := slices.Clone(conf.FilterSubjects)
	if conf.FilterSubject != "" {
		filters = append(filters, conf.FilterSubject)
	}
	slices.Sort(filters)
	if !slices.Equal(filters, want.FilterSubjects) {
		conf.FilterSubject, conf.FilterSubjects = "", want.FilterSubjects
		if have, err = js.UpdateConsumer(ctx, protocol.StreamRecord, conf); err != nil {
			return fail(err)
		}
	}
	t.cons, t.damaged = have, false
	return false, nil
}

// placeEvery is how often it is noted that the target has a place in the records.
const placeEvery = time.Hour

// keepPlace notes for as long as ctx lasts that the target has a place in the records, so that a place that
// is gone is not taken for one that never was.
func (t *teller) keepPlace(ctx context.Context) {
	tick := time.NewTicker(placeEvery)
	defer tick.Stop()
	for {
		limited, cancel := context.WithTimeout(ctx, 10*time.Second)
		_ = t.sent.markPlace(limited) // the next one tells
		cancel()
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// run reads the target's records until ctx ends.
func (t *teller) run(ctx context.Context) {
	var lastErr string
	for ctx.Err() == nil {
		var err error
		if t.cons != nil {
			err = t.read(ctx)
		} else if _, err = t.bind(ctx, t.c.js); err == nil {
			t.note(func(s *Status) { s.Waiting, s.Since, s.Error = 0, time.Time{}, "" })
			continue
		} else {
			t.without(err)
		}
		if ctx.Err() != nil {
			return
		}
		if errors.Is(err, jetstream.ErrConsumerDeleted) || errors.Is(err, jetstream.ErrConsumerNotFound) {
			_, err = t.bind(ctx, t.c.js)
		}
		if err != nil && err.Error() != lastErr {
			lastErr = err.Error()
			t.log.Error().Err(err).Msg("records cannot be read; trying again")
		}
		rest(ctx, time.Second)
	}
}

// without notes that a target is told nothing, having no place in the records.
func (t *teller) without(err error) {
	t.note(func(s *Status) {
		if s.Waiting++; s.Since.IsZero() {
			s.Since = t.c.o.Clock.Now()
		}
		s.Error = err.Error()
	})
}

// rest waits in real time.
func rest(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}

// read consumes until ctx ends or the consumer is gone. What was in hand is handed back only when
// the subscription is closed: a server that still sees it would give the record to it again, where
// nobody takes it, and the next start would have to wait for the acknowledgement's time to run out.
func (t *teller) read(ctx context.Context) error {
	var mu sync.Mutex // held while a record is told: a subscription may be closed before that has ended
	var back []jetstream.Msg
	over := false
	gone := make(chan error, 1)
	cc, err := t.cons.Consume(func(m jetstream.Msg) {
		mu.Lock()
		defer mu.Unlock()
		switch {
		case over:
			_ = m.Nak()
		case !t.handle(ctx, m):
			back = append(back, m)
		}
	},
		jetstream.PullMaxMessages(16), jetstream.PullExpiry(pullExpiry), jetstream.PullHeartbeat(pullExpiry/2),
		jetstream.PullPriorityGroup(t.durable()),
		jetstream.ConsumeErrHandler(func(_ jetstream.ConsumeContext, err error) {
			if errors.Is(err, jetstream.ErrConsumerDeleted) || errors.Is(err, jetstream.ErrConsumerNotFound) {
				select {
				case gone <- err:
				default:
				}
			}
		}))
	if err != nil {
		return err
	}
	select {
	case <-ctx.Done():
	case err = <-gone:
	}
	cc.Stop()
	<-cc.Closed()
	if ctx.Err() == nil {
		return err // what is in hand is told on; only the end of ctx hands anything back
	}
	mu.Lock()
	over = true
	mu.Unlock()
	for _, m := range back {
		_ = m.Nak()
	}
	t.unpin()
	return err
}

// unpin gives the target's place free at once; else the next to take it would wait for pinnedTTL.
func (t *teller) unpin() {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if s, err := t.c.js.Stream(ctx, protocol.StreamRecord); err == nil {
		_ = s.UnpinConsumer(ctx, t.durable(), t.durable())
	}
}

// handle deals with one record: every change it brings is told or given up, and then the record is
// acknowledged. It reports false when ctx ends before.
func (t *teller) handle(ctx context.Context, msg jetstream.Msg) bool {
	var lastErr string
	told := 0
	for failed := 1; ctx.Err() == nil; failed++ {
		err := t.tellRecord(ctx, msg, &told)
		if err == nil {
			if failed > 1 {
				t.note(func(s *Status) { s.Waiting, s.Since, s.Error = 0, time.Time{}, "" })
			}
			if err := msg.Ack(); err != nil {
				t.log.Warn().Err(err).Msg("acknowledgement not sent; the record will be skipped when it comes again")
			}
			return true
		}
		if ctx.Err() != nil {
			return false
		}
		t.without(err)
		if err.Error() != lastErr { // the bus or its store is away, or full; nothing else ends here
			lastErr = err.Error()
			t.log.Error().Err(err).Msg("chat waits")
		}
		_ = msg.InProgress()
		rest(ctx, min(time.Duration(failed)*time.Second, stillWorking))
	}
	return false
}

// tellRecord tells a record's changes. told is how many of them were told already, though that could not be
// noted yet: while the store takes nothing, people are not told the same again and again.
func (t *teller) tellRecord(ctx context.Context, msg jetstream.Msg, told *int) error {
	rec, err := protocol.DecodeRecord(msg.Data())
	if err != nil {
		t.log.Error().Err(err).Str("subject", msg.Subject()).Msg("a record that cannot be read was not told")
		return nil
	}
	if !slices.ContainsFunc(rec.Changes, t.wants) {
		return nil
	}
	done, err := t.sent.done(ctx, rec.ID)
	if err != nil {
		return err
	}
	for i := done; i < len(rec.Changes); i++ {
		ch := rec.Changes[i]
		switch {
		case !t.wants(ch):
			if i+1 < len(rec.Changes) {
				continue // noted with the next one
			}
		case i < *told:
			if err := t.supersede(ctx, ch.Key); err != nil {
				return err
			}
		case !urgent(ch) && t.quiet.holds(t.c.o.Clock.Now(), t.c.o.Zone):
			if err := t.sent.keep(ctx, kept{Site: rec.Site, Printer: rec.Printer, Record: rec.ID, At: rec.At, Last: ch}); err != nil {
				return err
			}
		default:
			m := changeMessage(rec, i, t.c.o.Zone)
			if !t.NoPicture && takesPicture(t.service) {
				m.picture = draw(rec, ch, layouts(ctx, t.c.js))
			}
			if err := t.deliver(ctx, m, msg.InProgress); err != nil {
				return err
			}
			*told = i + 1
			if err := t.supersede(ctx, ch.Key); err != nil {
				return err
			}
		}
		if err := t.sent.put(ctx, rec.ID, i+1); err != nil {
			return err
		}
	}
	return nil
}

// supersede drops what quiet hours held back about an alert of which people were told now.
func (t *teller) supersede(ctx context.Context, alert string) error {
	if t.quiet == nil {
		return nil
	}
	return t.sent.supersede(ctx, alert)
}

// deliver sends a message until it is sent or given up. The error is the context's, or the store's
// when giving up cannot be recorded.
func (t *teller) deliver(ctx context.Context, m Message, working func() error) error {
	t.sending.Lock()
	defer t.sending.Unlock()
	m.Target = t.Name
	first := t.c.o.Clock.Now()
	shorter := false
	for failed := 1; ; failed++ {
		_ = working()
		if m.textAt != nil && !shorter {
			m.Text = m.textAt(t.c.o.Clock.Now())
		}
		err := t.service.send(ctx, m)
		if err == nil {
			t.note(func(s *Status) { s.Sent++; s.Waiting, s.Since, s.Error = 0, time.Time{}, "" })
			t.log.Info().Str("message", m.ID).Msg(m.Title)
			if t.c.o.sentHook != nil {
				t.c.o.sentHook(t.Name, m)
			}
			return nil
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		e := &sendError{what: Again, text: err.Error()}
		errors.As(err, &e)
		why := t.redact.text(e.text)
		t.note(func(s *Status) {
			if why != s.Error {
				t.log.Warn().Str("why", why).Str("message", m.ID).Msg("not delivered")
			}
			s.Waiting, s.Error = failed, why
			if s.Since.IsZero() {
				s.Since = first
			}
		})
		now := t.c.o.Clock.Now()
		wait := pause(failed, e.after)
		if e.what == Shorter && !shorter {
			shorter, wait = true, 0
			m.picture, m.Text = nil, clip(m.Text, shortText)
		} else if e.what != Again || (e.most > 0 && failed >= e.most) || now.Add(wait).Sub(first) > t.c.o.GiveUpAfter {
			return t.giveUp(ctx, m, failed, why)
		}
		if err := t.wait(ctx, now.Add(wait), working); err != nil {
			return err
		}
	}
}

// shortText is what is left of a message that was too large.
const shortText = 280

func (t *teller) giveUp(ctx context.Context, m Message, tries int, why string) error {
	err := t.sent.fail(ctx, Failure{Target: t.Name, Message: m.ID, Title: m.Title, At: t.c.o.Clock.Now(), Tries: tries, Why: why})
	if err != nil {
		return err
	}
	t.note(func(s *Status) { s.GivenUp++; s.Waiting, s.Since = 0, time.Time{} })
	t.log.Error().Str("why", why).Int("tries", tries).Str("message", m.ID).Msg("given up: " + m.Title)
	return nil
}

// wait waits by the given clock, telling the bus meanwhile that the record is being worked on.
func (t *teller) wait(ctx context.Context, until time.Time, working func() error) error {
	tick := time.NewTicker(stillWorking)
	defer tick.Stop()
	for t.c.o.Clock.Now().Before(until) {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-t.c.o.Clock.Until(until):
		case <-tick.C:
			_ = working()
		}
	}
	return ctx.Err()
}

func (t *teller) note(f func(*Status)) {
	t.mu.Lock()
	defer t.mu.Unlock()
	f(&t.status)
}

func (t *teller) snapshot() Status {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.status
}
