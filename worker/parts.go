package worker

import (
	"context"
	"errors"
	"runtime"
	"slices"
	"sync"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/history"
)

// shared is what the keepers of all parts of the inbox have in common.
type shared struct {
	records *bus.Records
	stores  *bus.Stores
	models  *models
	clerk   *history.Clerk
	wakeup  func()
	slots   chan struct{} // how many inputs are made ready at once
	told    sync.Mutex    // OnRecord is called by one at a time
}

// newPart makes the keeper of one part of an inbox that is divided into of parts.
func (w *Worker) newPart(s *shared, p bus.Part, of int) *keeper {
	k := newKeeper(p, s.models)
	k.records, k.stores, k.clock = s.records, s.stores, w.o.Clock
	log := w.o.Log.With().Str("part", "judge")
	if p.Of > 1 {
		log = log.Str("inbox_part", p.Consumer)
	}
	k.log = log.Logger()
	k.past = func(ctx context.Context, site, printer string) (*history.Standing, error) {
		return history.StandingOf(ctx, w.js, site, printer)
	}
	k.stored = s.clerk.Tell
	k.judge, k.alert, k.metrics, k.wakeup = w.o.Judge, w.o.Alert, w.metrics, s.wakeup
	if tell := w.o.OnRecord; tell != nil {
		k.committed = func(r *protocol.Record) {
			s.told.Lock()
			defer s.told.Unlock()
			tell(r)
		}
	}
	k.same = w.same
	k.reader = newReader(k, w.division.Ahead(p), of, s.slots)
	return k
}

// makeParts makes a keeper for each part of the inbox.
func (w *Worker) makeParts(ctx context.Context, s *shared) error {
	d, err := bus.ReadDivision(ctx, w.js)
	if err != nil {
		return err
	}
	w.division, w.shared = d, s
	s.slots = make(chan struct{}, runtime.GOMAXPROCS(0))
	for _, p := range d.Parts {
		w.keepers = append(w.keepers, w.newPart(s, p, d.Count()))
	}
	w.onStop("reading ahead", func(context.Context) error {
		for _, k := range w.keepers {
			k.reader.stop()
		}
		return nil
	})
	return nil
}

// keeperOf gives who keeps a printer.
func (w *Worker) keeperOf(site, printer string) *keeper {
	return w.keepers[bus.PartOf(site, printer, len(w.keepers))]
}

// eachPrinter calls do for every printer that has records.
func (w *Worker) eachPrinter(ctx context.Context, do func(k *keeper, site, name string) error) error {
	list, err := w.shared.records.Printers(ctx)
	if err != nil {
		return err
	}
	for _, sp := range list {
		if err := do(w.keeperOf(sp[0], sp[1]), sp[0], sp[1]); err != nil {
			return err
		}
	}
	return nil
}

// tick lets the alert rules of every part look at the clock, and says when they must again.
func (w *Worker) tick(ctx context.Context) (next time.Time, err error) {
	var errs []error
	for _, k := range w.keepers {
		at, err := k.Tick(ctx)
		errs = append(errs, err)
		if !at.IsZero() && (next.IsZero() || at.Before(next)) {
			next = at
		}
	}
	return next, errors.Join(errs...)
}

// startJudging consumes the inbox. After it was divided anew, what came before is judged first.
func (w *Worker) startJudging(ctx context.Context) error {
	left, err := w.division.Left(ctx, w.js)
	if err != nil {
		return err
	}
	if len(left) == 0 {
		stop, err := w.consume(ctx, w.keepers)
		if err == nil {
			w.onStop("judging", stop)
			w.background("watching the judge", w.watchJudge)
		}
		return err
	}
	w.o.Log.Info().Int("parts", len(w.keepers)).Msg("the inbox was divided anew; what came before is judged first")
	w.background("judging", func(ctx context.Context) {
		err := w.finishBefore(ctx, left)
		var stop func(context.Context) error
		if err == nil {
			stop, err = w.consume(ctx, w.keepers)
		}
		if err != nil {
			if ctx.Err() == nil {
				w.fail(err)
			}
			return
		}
		<-ctx.Done()
		limited, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopLimit/2)
		defer cancel()
		_ = stop(limited)
	})
	w.background("watching the judge", w.watchJudge)
	return nil
}

// beforeEvery is how often it is looked whether the inputs of an earlier division are all judged, by
// this worker or another.
const beforeEvery = 200 * time.Millisecond

// finishBefore judges what waits in parts of earlier divisions, and returns when nothing does.
func (w *Worker) finishBefore(ctx context.Context, left []bus.Part) error {
	var before []*keeper
	for _, p := range left {
		before = append(before, w.newPart(w.shared, p, len(left)))
	}
	w.before.Store(before)
	defer func() {
		w.before.Store([]*keeper(nil))
		for _, k := range before {
			k.reader.stop()
		}
	}()
	stop, err := w.consume(ctx, before)
	if err != nil {
		return err
	}
	t := time.NewTicker(beforeEvery)
	defer t.Stop()
	for len(left) > 0 {
		select {
		case <-ctx.Done():
		case <-t.C:
		}
		if ctx.Err() != nil {
			break
		}
		if now, err := w.division.Left(ctx, w.js); err == nil { // else the bus is away for a while
			left = now
		}
	}
	limited, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopLimit/2)
	defer cancel()
	return errors.Join(ctx.Err(), stop(limited))
}

// atWork are the keepers that take inputs, or wait for some.
func (w *Worker) atWork() []*keeper {
	before, _ := w.before.Load().([]*keeper)
	return append(slices.Clone(w.keepers), before...)
}

// stuckFor is how long the step at hand has taken, in the part where it takes longest.
func (w *Worker) stuckFor() (d time.Duration) {
	for _, k := range w.atWork() {
		d = max(d, k.stuckFor())
	}
	return d
}

// lastRecord is when this worker last stored a record.
func (w *Worker) lastRecord() (t time.Time) {
	for _, k := range w.atWork() {
		if at := k.lastRecord(); at.After(t) {
			t = at
		}
	}
	return t
}

// trouble is why an input waits; empty: none does.
func (w *Worker) trouble() string {
	for _, k := range w.atWork() {
		if why := k.trouble(); why != "" {
			return why
		}
	}
	return ""
}

// clockBehind is how far the worker's clock is behind the newest record; 0 when it is not.
func (w *Worker) clockBehind() (d time.Duration) {
	for _, k := range w.atWork() {
		d = max(d, k.clockBehind())
	}
	return d
}

// DecidedAhead is on how many inputs the worker has decided before their turn, since it was started.
func (w *Worker) DecidedAhead() (n uint64) {
	for _, k := range w.keepers {
		n += k.ahead.Load()
	}
	return n
}
