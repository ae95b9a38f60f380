package worker

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// consuming is the taking of inputs by some keepers, each from its part of the inbox.
type consuming struct {
	w      *Worker
	work   context.Context // of what is done with an input
	cancel context.CancelFunc

	mu      sync.Mutex
	stopped bool
	running map[*keeper]*bus.Puller
}

// consume lets each keeper take its part of the inbox, until stop: what is being worked on is then
// finished.
func (w *Worker) consume(ctx context.Context, keepers []*keeper) (stop func(context.Context) error, err error) {
	c := &consuming{w: w, running: map[*keeper]*bus.Puller{}}
	c.work, c.cancel = context.WithCancel(context.Background())
	for _, k := range keepers {
		if err := c.begin(ctx, k); err != nil {
			return nil, errors.Join(err, c.stop(ctx))
		}
	}
	w.current.Store(c)
	return c.stop, nil
}

func (c *consuming) stop(ctx context.Context) error {
	defer c.cancel()
	c.mu.Lock()
	defer c.mu.Unlock()
	c.stopped = true
	c.w.current.CompareAndSwap(c, nil)
	for _, p := range c.running {
		p.Drain()
	}
	for _, p := range c.running {
		select {
		case <-p.Closed():
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// begin lets a keeper take its part. The pull's expiry must stay below the time after which a silent
// worker loses its place, or it would lose it while idle.
func (c *consuming) begin(ctx context.Context, k *keeper) error {
	p, err := bus.Pull(ctx, c.w.js, bus.PullOptions{
		Stream: protocol.StreamInbox, Consumer: k.part.Consumer,
		Batch: 32, Expires: 2 * time.Second, Heartbeat: time.Second,
		Handle: func(m *nats.Msg) { k.Handle(c.work, m) },
		Gone:   c.w.fail,
		Log:    c.w.o.Log,
	})
	if err != nil {
		return err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.stopped { // meanwhile
		p.Drain()
		return nil
	}
	c.running[k] = p
	return nil
}

// again lets a keeper take its part from anew.
func (c *consuming) again(ctx context.Context, k *keeper) error {
	c.mu.Lock()
	p, stopped := c.running[k], c.stopped
	c.mu.Unlock()
	if stopped {
		return nil
	}
	p.Drain()
	select {
	case <-p.Closed():
	case <-ctx.Done():
		return ctx.Err()
	}
	return c.begin(ctx, k)
}

const (
	// stallLook is how often it is looked whether inputs that wait are taken.
	stallLook = 15 * time.Second
	// stallAfter is how long inputs may wait of which none is taken, while this worker has nothing in
	// hand, before it takes its part of the inbox anew; giveUpAfter is how long after that it gives up. Both
	// are longer than a worker that died keeps its place, or the input that it had in hand.
	stallAfter  = time.Minute
	giveUpAfter = time.Minute
)

// stall is what was last seen of a part of the inbox.
type stall struct {
	floor, delivered uint64
	since            time.Time // that nothing has moved; zero: it moves, or nothing waits
	again            bool      // it was taken anew, and still nothing moves
}

// watchJudge takes a part of the inbox anew where inputs wait and none comes: a pull that the bus has
// forgotten, or an answer that went astray, and nobody would ask again. If that does not help the worker
// ends with an error, for whatever runs it to start it again.
func (w *Worker) watchJudge(ctx context.Context) {
	t := time.NewTicker(w.stallLook)
	defer t.Stop()
	seen := map[*keeper]*stall{}
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		c := w.current.Load()
		if c == nil || !w.conn.IsConnected() {
			clear(seen)
			continue
		}
		c.mu.Lock()
		keepers := make([]*keeper, 0, len(c.running))
		for k := range c.running {
			keepers = append(keepers, k)
		}
		c.mu.Unlock()
		for _, k := range keepers {
			if seen[k] == nil {
				seen[k] = &stall{}
			}
			w.lookForStall(ctx, c, k, seen[k])
		}
	}
}

func (w *Worker) lookForStall(ctx context.Context, c *consuming, k *keeper, s *stall) {
	limited, cancel := context.WithTimeout(ctx, lookLimit)
	defer cancel()
	q, err := w.division.Queue(limited, w.js, k.part)
	if err != nil {
		return // the bus is away, or the consumer is gone: both are told elsewhere
	}
	moved := q.Floor != s.floor || q.Delivered != s.delivered
	s.floor, s.delivered = q.Floor, q.Delivered
	elsewhere := q.Pinned != "" && q.Pinned != k.pinned()
	if moved || q.Waiting == 0 || q.Paused || elsewhere || k.stuckFor() > 0 || k.trouble() != "" {
		*s = stall{floor: q.Floor, delivered: q.Delivered}
		return
	}
	now := time.Now()
	if s.since.IsZero() {
		s.since = now
		return
	}
	switch gone := now.Sub(s.since); {
	case !s.again && gone < w.stallAfter || s.again && gone < w.giveUpAfter:
		return
	case s.again:
		w.fail(fmt.Errorf("%s at %s and none is delivered, also after taking them anew: this worker must be started again", waits(q.Waiting), k.part.Consumer))
		return
	}
	w.o.Log.Error().Str("consumer", k.part.Consumer).Uint64("waiting", q.Waiting).Msg("inputs wait and none is delivered; taking them anew")
	s.since, s.again = now, true
	if err := w.takeAnew(limited, c, k); err != nil && ctx.Err() == nil {
		w.o.Log.Error().Err(err).Str("consumer", k.part.Consumer).Msg("they could not be taken anew")
	}
}
