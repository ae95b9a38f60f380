package station

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// Outlet is a station's way to the bus. It tells at once when the bus denies something, which is
// otherwise nothing but silence until a time-out.
type Outlet struct {
	mu  sync.Mutex
	js  jetstream.JetStream
	ops map[*operation]struct{}
}

// operation is something asked of the bus just now.
type operation struct {
	names string // what a denial of it names
	what  string
	stop  context.CancelCauseFunc
}

// Open gives the outlet its connection; before that, the bus is away.
func (o *Outlet) Open(js jetstream.JetStream) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.js = js
}

// Denied is to be told of every operation that the bus denied to this connection.
func (o *Outlet) Denied(err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for op := range o.ops {
		if strings.Contains(err.Error(), op.names) {
			op.stop(fmt.Errorf("%s: %w", op.what, ErrDenied))
		}
	}
}

// do asks something of the bus. Its error wraps ErrDenied when the bus did not allow it.
func (o *Outlet) do(ctx context.Context, limit time.Duration, op operation, ask func(context.Context, jetstream.JetStream) error) error {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	ctx, op.stop = context.WithCancelCause(ctx)
	defer op.stop(nil)
	o.mu.Lock()
	js := o.js
	if o.ops == nil {
		o.ops = map[*operation]struct{}{}
	}
	o.ops[&op] = struct{}{}
	o.mu.Unlock()
	defer func() {
		o.mu.Lock()
		defer o.mu.Unlock()
		delete(o.ops, &op)
	}()
	if js == nil || !js.Conn().IsConnected() {
		return nats.ErrDisconnected // rather than into a buffer of the connection
	}
	err := ask(ctx, js)
	if cause := context.Cause(ctx); err != nil && errors.Is(cause, ErrDenied) {
		return cause
	}
	return err
}

// Limits of one attempt. A reading is sent again under the same id and stored once all the same.
const (
	publishLimit = 3 * time.Second
	askLimit     = 10 * time.Second
	storeLimit   = 5 * time.Minute
)

// Publish is a WatchOptions.Publish.
func (o *Outlet) Publish(ctx context.Context, site, printer, id string, data []byte) (seq uint64, twice bool, err error) {
	subject := protocol.ReadingSubject(site, printer)
	err = o.do(ctx, publishLimit, operation{names: `"` + subject + `"`, what: "readings of " + site + "/" + printer}, func(ctx context.Context, js jetstream.JetStream) error {
		ack, err := js.Publish(ctx, subject, data, jetstream.WithMsgID(protocol.MsgID(site, printer, id)), jetstream.WithExpectStream(protocol.StreamInbox))
		if err == nil {
			seq, twice = ack.Sequence, ack.Duplicate
		}
		return err
	})
	if errors.Is(err, ErrDenied) {
		err = fmt.Errorf("%w; whoever runs the worker can change that with `swathkeeper station grant`", err)
	}
	return seq, twice, err
}

// Layout fetches a chart layout; nil when the worker has none of that name.
func (o *Outlet) Layout(ctx context.Context, id, edition string) (c *protocol.Chart, err error) {
	err = o.do(ctx, askLimit, operation{names: "KV_" + protocol.BucketCharts, what: "chart layouts"}, func(ctx context.Context, js jetstream.JetStream) error {
		kv, err := js.KeyValue(ctx, protocol.BucketCharts)
		if err != nil {
			return err
		}
		e, err := kv.Get(ctx, protocol.ChartKey(id, edition))
		if errors.Is(err, jetstream.ErrKeyNotFound) {
			return nil
		}
		if err != nil {
			return err
		}
		c, err = protocol.DecodeChart(e.Value())
		return err
	})
	return c, err
}

// Store puts a picture into the store of scans under its digest, unless it is there.
func (o *Outlet) Store(ctx context.Context, digest, path string) error {
	return o.do(ctx, storeLimit, operation{names: protocol.StreamScans, what: "pictures"}, func(ctx context.Context, js jetstream.JetStream) error {
		f, err := os.Open(path)
		if err != nil {
			return err
		}
		defer func() { _ = f.Close() }()
		return bus.PutScan(ctx, js, digest, f)
	})
}
