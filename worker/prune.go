package worker

import (
	"context"
	"time"

	"github.com/rs/zerolog"

	"swathkeeper/worker/bus"
	"swathkeeper/worker/retention"
)

const (
	pruneAfter = 10 * time.Minute
	pruneEvery = 24 * time.Hour
	// scansEvery is how often it is seen whether pictures need room: a day may fill their store.
	scansEvery = 10 * time.Minute
)

// startPruning removes what is old, some time after the start and then once a day.
func (w *Worker) startPruning() {
	policy := retention.DefaultPolicy()
	if w.o.Keep != nil {
		policy = *w.o.Keep
	}
	if policy == (retention.Policy{}) {
		return
	}
	log := w.o.Log.With().Str("part", "retention").Logger()
	w.background("retention", func(ctx context.Context) {
		next := w.o.Clock.Now().Add(pruneAfter)
		for {
			select {
			case <-ctx.Done():
				return
			case <-w.o.Clock.Until(next):
			}
			now := w.o.Clock.Now()
			if now.Before(next) {
				continue // a clock may wake early, so that a clock that was set is seen
			}
			next = now.Add(pruneEvery)
			w.prune(ctx, policy, now, log)
		}
	})
}

// startPruningScans lets the oldest pictures make room for new ones.
func (w *Worker) startPruningScans() {
	log := w.o.Log.With().Str("part", "retention").Logger()
	w.background("pictures' room", func(ctx context.Context) {
		last := ""
		t := time.NewTicker(scansEvery) // not by the worker's clock: what goes does not go by its age
		defer t.Stop()
		for ctx.Err() == nil {
			r, err := retention.PruneScans(ctx, w.js)
			switch {
			case ctx.Err() != nil:
			case err != nil && !bus.IsAway(err) && err.Error() != last:
				last = err.Error()
				log.Warn().Err(err).Msg("the store of pictures is nearly full, and the oldest could not be removed; this is tried again")
			case err == nil && r.Messages > 0:
				last = ""
				e := log.Info().Uint64("bytes", r.Bytes)
				if !r.From.IsZero() {
					e = e.Time("from", r.From)
				}
				e.Msg("the store of pictures was nearly full: the oldest were removed")
			}
			select {
			case <-ctx.Done():
			case <-t.C:
			}
		}
	})
}

// prune removes what is older at now than it is kept.
func (w *Worker) prune(ctx context.Context, policy retention.Policy, now time.Time, log zerolog.Logger) {
	err := retention.Trust(ctx, w.js, now)
	var plan *retention.Plan
	if err == nil {
		plan, err = retention.Look(ctx, w.js, policy, now)
	}
	if err == nil && !plan.Empty() {
		var r retention.Removed
		r, err = plan.Apply(ctx, w.js)
		log.Info().Uint64("inputs", r.Inputs).Uint64("records", r.Records).Uint64("rows", r.Rows).Msg("what is older than it is kept was removed")
	}
	if err != nil && ctx.Err() == nil {
		log.Warn().Err(err).Msg("old things were not removed; this is tried again tomorrow")
	}
}
