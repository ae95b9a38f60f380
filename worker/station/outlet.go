package station

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
)

// Outlet publishes readings one at a time, and tells at once when the bus denies one: a denied
// publish is otherwise nothing but silence until a time-out.
type Outlet struct {
	mu      sync.Mutex
	js      jetstream.JetStream
	subject string
	stop    context.CancelCauseFunc
}

// Open gives the outlet its connection; before that, the bus is away.
func (o *Outlet) Open(js jetstream.JetStream) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.js = js
}

// publishLimit bounds one attempt; another with the same id is stored once all the same.
const publishLimit = 3 * time.Second

// Publish is a WatchOptions.Publish.
func (o *Outlet) Publish(ctx context.Context, site, printer, id string, data []byte) (seq uint64, twice bool, err error) {
	ctx, cancel := context.WithTimeout(ctx, publishLimit)
	defer cancel()
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	subject := protocol.ReadingSubject(site, printer)
	o.mu.Lock()
	js := o.js
	o.subject, o.stop = subject, stop
	o.mu.Unlock()
	if js == nil || !js.Conn().IsConnected() {
		return 0, false, nats.ErrDisconnected // rather than into a buffer of the connection
	}
	ack, err := js.Publish(ctx, subject, data, jetstream.WithMsgID(protocol.MsgID(site, printer, id)), jetstream.WithExpectStream(protocol.StreamInbox))
	if cause := context.Cause(ctx); errors.Is(cause, ErrDenied) {
		return 0, false, cause
	}
	if err != nil {
		return 0, false, err
	}
	return ack.Sequence, ack.Duplicate, nil
}

// Denied is to be told of every operation that the bus denied to this connection.
func (o *Outlet) Denied(err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.stop != nil && strings.Contains(err.Error(), `"`+o.subject+`"`) {
		t := strings.Split(o.subject, ".")
		o.stop(fmt.Errorf("readings of %s/%s: %w; whoever runs the worker can change that with `swathkeeper station grant`", t[2], t[3], ErrDenied))
	}
}
