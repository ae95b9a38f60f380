package worker

import (
	"context"
	"time"
)

// AwaitReadAhead waits until what is being read ahead of its turn is there: how soon that comes is the
// machine's affair, and nothing that a test should rest on.
func (w *Worker) AwaitReadAhead() {
	for _, k := range w.keepers {
		k.reader.mu.Lock()
		reading := k.reader.reading
		k.reader.mu.Unlock()
		if reading != nil {
			<-reading
		}
	}
}

// HurryStalls lets a worker that is not started yet look often whether inputs are taken, and be patient
// for a moment only. helps false: taking them anew does not help, and is not waited for long.
func (w *Worker) HurryStalls(look, after time.Duration, helps bool) {
	w.stallLook, w.stallAfter, w.giveUpAfter = look, after, time.Hour
	if !helps {
		w.giveUpAfter = after
		w.takeAnew = func(context.Context, *consuming, *keeper) error { return nil }
	}
}

// Stall lets the worker ask for no more inputs, as if the bus had forgotten its question.
func (w *Worker) Stall() {
	c := w.current.Load()
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, p := range c.running {
		p.Drain()
		<-p.Closed()
	}
}

// HurryWatch lets a worker that is not started yet look its bus over this often.
func (w *Worker) HurryWatch(every time.Duration) { w.watchEvery = every }
