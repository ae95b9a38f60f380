package worker

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/health"
)

// watchEvery is how often a bus is looked over for what it tells nobody by itself.
const watchEvery = 20 * time.Second

// lookLimit is how long one such look may take.
const lookLimit = 10 * time.Second

// startWatching looks the bus over: its streams may be changed under the worker, by an administrator of its
// own bus too, and the disk of a bus outside may run full.
func (w *Worker) startWatching() {
	log := w.o.Log.With().Str("part", "bus").Logger()
	w.background("watching the bus", func(ctx context.Context) {
		t := time.NewTicker(w.watchEvery)
		defer t.Stop()
		last := ""
		w.remark(ctx, log)
		for {
			limited, cancel := context.WithTimeout(ctx, lookLimit)
			c := w.lookOver(limited)
			cancel()
			if ctx.Err() != nil {
				return
			}
			k := w.keepers[0]
			k.pulse.set(func() { k.pulse.bus = c })
			switch {
			case c.Text == last:
			case c.Text != "":
				log.Error().Str("check", c.Name).Msg(c.Text)
			default:
				log.Info().Msg("the bus is as it should be again")
			}
			last = c.Text
			select {
			case <-ctx.Done():
				return
			case <-t.C:
			}
		}
	})
}

// remark says once what loses nothing, and whoever looks after the bus should know.
func (w *Worker) remark(ctx context.Context, log zerolog.Logger) {
	limited, cancel := context.WithTimeout(ctx, lookLimit)
	defer cancel()
	list, err := bus.Remarks(limited, w.js)
	if err != nil {
		return // the bus is away, which is told elsewhere
	}
	for _, r := range list {
		log.Warn().Str("next", r.Next).Msg(r.Text)
	}
}

// lookOver says what is wrong with a bus that answers; an empty check: nothing. That it does
// not answer is found out elsewhere.
func (w *Worker) lookOver(ctx context.Context) health.Check {
	if d, err := bus.ReadDivision(ctx, w.js); err == nil && d.Count() != w.division.Count() {
		w.fail(fmt.Errorf("the inbox was divided anew, into %d parts: a worker that starts now will judge them", d.Count()))
	}
	err := bus.Check(ctx, w.js)
	if err != nil && !bus.IsAway(err) {
		return health.Check{Name: "streams", Text: "the bus is no longer set up as it must be: " + err.Error()}
	}
	if err == nil && w.embed == nil { // its own bus tells by itself
		err = bus.Writable(ctx, w.js)
	}
	if err == nil || bus.IsAway(err) {
		return health.Check{}
	}
	return health.Check{Name: "store", Text: fmt.Sprintf("the bus cannot store; readings wait at their stations: %v; make room on the disk of the NATS server, and restart that server: it takes nothing more before", err)}
}

// firstWait is how long to wait between two first looks at a bus that does not answer.
const firstWait = time.Second

// firstOf keeps the first error that it is told, until it is taken.
func firstOf(ch chan<- error) func(error) {
	return func(err error) {
		select {
		case ch <- err:
		default:
		}
	}
}

// firstCheck looks at a bus outside as soon as it answers: after a power cut that took both, a worker
// is up before its bus.
func (w *Worker) firstCheck(ctx context.Context, denied, unreached <-chan error) error {
	for told := false; ; told = true {
		limited, cancel := context.WithTimeout(ctx, lookLimit)
		err := bus.Check(limited, w.js)
		cancel()
		select {
		case no := <-denied:
			return fmt.Errorf("this worker's credentials do not allow what a worker needs: grant them the role %s: %w", bus.RoleWorker, no)
		default:
		}
		if err == nil || !bus.IsAway(err) {
			return err
		}
		if !told {
			why := err
			select {
			case why = <-unreached: // the question only ran out of time
			default:
			}
			w.o.Log.Warn().Str("bus", cmp.Or(bus.Redact(w.o.Bus.URL), w.o.Bus.Context)).AnErr("error", why).Msg("the bus is away; waiting for it")
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("the bus was away until the end: %w", err)
		case <-time.After(firstWait):
		}
	}
}

// errNewInbox ends a worker under which the inbox was made anew: what it knows is about another one.
var errNewInbox = errors.New("the inbox was made anew, or is another bus's, since this worker started; a worker that starts now will read it from its beginning")

// sameInbox gives a function that fails when the inbox is not the one that the worker was started on.
// Sequences mean nothing in another one: a reading there would be taken for one that has its record.
// An inbox that is deleted takes the judging consumer along, and that is noticed; only behind a
// connection that was lost can there be another.
func (w *Worker) sameInbox(created time.Time) func(context.Context) error {
	known := w.conn.Stats().Reconnects
	var mu sync.Mutex // every part of the inbox asks
	return func(ctx context.Context) error {
		mu.Lock()
		defer mu.Unlock()
		now := w.conn.Stats().Reconnects
		if now == known {
			return nil
		}
		s, err := w.js.Stream(ctx, protocol.StreamInbox)
		if err != nil {
			return fmt.Errorf("stream %s: %w", protocol.StreamInbox, err)
		}
		if !s.CachedInfo().Created.Equal(created) {
			w.fail(errNewInbox)
			return errNewInbox
		}
		known = now
		return nil
	}
}
