package history

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// lookAgain is how often new records are looked for that nothing told of.
const lookAgain = 2 * time.Second

// soon is after what time a record is looked for that was heard of and is not stored yet.
const soon = 20 * time.Millisecond

// errEnough ends a reading that has all it wants.
var errEnough = errors.New("enough")

// direct reads without a consumer: a right to create consumers of records would be one to change
// chat's. New records are heard of as they are published, and read once they are stored.
func (r *reader) direct(ctx context.Context, js jetstream.JetStream, since time.Time) error {
	// One subject that holds all that are wanted; what is not is left out here.
	subject, kinds := r.q.subjects()[0], map[string]bool{}
	if all := r.q.subjects(); len(all) > 1 {
		for _, s := range all {
			kinds[kindOf(s)] = true
		}
		whole := r.q
		whole.Kind = ""
		subject = whole.subjects()[0]
	}
	heard := make(chan struct{}, 1)
	if r.q.Follow {
		news, err := js.Conn().Subscribe(protocol.SubjectRecords, func(*nats.Msg) {
			select {
			case heard <- struct{}{}:
			default:
			}
		})
		if err != nil {
			return fmt.Errorf("records: %w", err)
		}
		defer func() { _ = news.Unsubscribe() }()
	}
	next := r.from
	look := func() (found bool, err error) {
		err = bus.ReadDirect(ctx, js, protocol.StreamRecord, subject, next, since, func(m bus.Message) error {
			if r.to > 0 && m.Seq > r.to {
				return errEnough
			}
			next, found = m.Seq+1, true
			if len(kinds) > 0 && !kinds[kindOf(m.Subject)] {
				return nil
			}
			return r.take(m.Seq, m.Time, m.Data)
		})
		if err != nil && !errors.Is(err, errEnough) {
			return found, fmt.Errorf("records: %w", err)
		}
		return found, nil
	}
	if _, err := look(); err != nil {
		return err
	}
	if err := r.past(); err != nil || !r.q.Follow {
		return err
	}
	wait := lookAgain
	t := time.NewTimer(wait)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-heard:
			wait = soon
		case <-t.C:
		}
		found, err := look()
		if err != nil {
			return err
		}
		if found || wait > lookAgain/2 {
			wait = lookAgain
		} else {
			wait *= 2
		}
		t.Reset(wait)
	}
}

// kindOf is the kind of record that a subject is for.
func kindOf(subject string) string {
	if t := strings.Split(subject, "."); len(t) > 4 {
		return t[4]
	}
	return ""
}
