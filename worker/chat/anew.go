package chat

import (
	"context"
	"errors"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// sentKept is for how long it is known what was told; a little less than the store keeps it.
const sentKept = 29 * 24 * time.Hour

// makeAnew replaces a target's damaged place in the record stream by one that begins with the last
// record that was told, so that nothing is skipped; what was told is not told again. It returns why where
// it cannot.
func (t *teller) makeAnew(ctx context.Context, js jetstream.JetStream, want jetstream.ConsumerConfig, why error) (jetstream.Consumer, error) {
	var damaged *bus.DamagedConsumer
	if !errors.As(why, &damaged) {
		return nil, why
	}
	t.damaged = true
	if t.c.o.SetAside == nil {
		return nil, why
	}
	if err := t.beginAt(ctx, js, &want, time.Time{}); err != nil { // before anything is moved
		return nil, errors.Join(why, err)
	}
	aside, err := t.c.o.SetAside(damaged.Stream, damaged.Name)
	if err != nil {
		return nil, errors.Join(why, err)
	}
	if err = t.beginAt(ctx, js, &want, aside.Created); err == nil {
		var cons jetstream.Consumer
		if cons, err = js.CreateConsumer(ctx, protocol.StreamRecord, want); err == nil {
			t.log.Error().AnErr("why", damaged.Err).Str("to", aside.To).Uint64("begins", want.OptStartSeq).Msg("this target's place in the records was damaged: it is set aside and made anew; what was told is not told again")
			return cons, nil
		}
	}
	return nil, errors.Join(why, err, aside.Back())
}

// beginAt lets a consumer begin with the last record that was told; where none is known, at a time, and
// without one with what is new.
func (t *teller) beginAt(ctx context.Context, js jetstream.JetStream, want *jetstream.ConsumerConfig, created time.Time) error {
	seq, err := t.lastTold(ctx, js)
	if err != nil {
		return err
	}
	since := time.Now().Add(-sentKept)
	switch {
	case seq > 0:
		want.DeliverPolicy, want.OptStartSeq = jetstream.DeliverByStartSequencePolicy, seq
	case !created.IsZero():
		if created.After(since) {
			since = created
		}
		want.DeliverPolicy, want.OptStartTime = jetstream.DeliverByStartTimePolicy, &since
	}
	return nil
}

// lastTold gives the newest record of whose changes any was dealt with; 0: none is known. Records are
// told in their order, so that what came before it was dealt with too.
func (t *teller) lastTold(ctx context.Context, js jetstream.JetStream) (last uint64, err error) {
	told, err := bus.Values(ctx, js, protocol.BucketSent, t.sent.key("*"))
	if err != nil || len(told) == 0 {
		return 0, err
	}
	for _, subject := range t.alerts() {
		err := bus.ReadDirect(ctx, js, protocol.StreamRecord, subject, 0, time.Now().Add(-sentKept), func(m bus.Message) error {
			if rec, err := protocol.DecodeRecord(m.Data); err == nil && told[t.sent.key(rec.ID)] != nil {
				last = max(last, m.Seq)
			}
			return nil
		})
		if err != nil {
			return 0, err
		}
	}
	return last, nil
}
