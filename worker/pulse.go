package worker

import (
	"sync"
	"time"

	"swathkeeper/worker/health"
)

// pulse is what others may know of the keeper while it is at work, without waiting for it.
type pulse struct {
	mu     sync.Mutex
	since  time.Time    // when the step at hand began; zero: none is
	last   time.Time    // when a record was stored
	pinID  string       // by which the bus knows this worker as the one that judges
	why    string       // why the input at hand waits; empty: none does
	newest time.Time    // the latest time of the worker's own clock among the records
	alive  string       // why no sign of life is given; empty: it is
	bus    health.Check // what is wrong with a bus that answers; empty: nothing
}

func (p *pulse) set(f func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f()
}

func (p *pulse) pin(id string) {
	if id != "" {
		p.set(func() { p.pinID = id })
	}
}

func (p *pulse) fault(err error) {
	p.set(func() {
		p.why = ""
		if err != nil {
			p.why = err.Error()
		}
	})
}

// saw notes the worker's time that a record read back from the store was made at.
func (p *pulse) saw(clock time.Time) {
	p.set(func() {
		if clock.After(p.newest) {
			p.newest = clock
		}
	})
}

// made notes the time at which a record was made: a clock that was set right makes good with it.
func (p *pulse) made(clock time.Time) { p.set(func() { p.newest = clock }) }

func (p *pulse) stored(now time.Time) { p.set(func() { p.last = now }) }

// enter waits for the keeper and takes it; what it returns gives it back.
func (k *keeper) enter() func() {
	k.mu.Lock()
	k.pulse.set(func() { k.pulse.since = time.Now() })
	return func() {
		k.pulse.set(func() { k.pulse.since = time.Time{} })
		k.mu.Unlock()
	}
}

// stuckFor is how long the step at hand has taken.
func (k *keeper) stuckFor() (d time.Duration) {
	k.pulse.set(func() {
		if !k.pulse.since.IsZero() {
			d = time.Since(k.pulse.since)
		}
	})
	return d
}

func (k *keeper) lastRecord() (t time.Time) {
	k.pulse.set(func() { t = k.pulse.last })
	return t
}

func (k *keeper) pinned() (id string) {
	k.pulse.set(func() { id = k.pulse.pinID })
	return id
}

func (k *keeper) trouble() (why string) {
	k.pulse.set(func() { why = k.pulse.why })
	return why
}

func (k *keeper) noSignOfLife() (why string) {
	k.pulse.set(func() { why = k.pulse.alive })
	return why
}

func (k *keeper) busTrouble() (c health.Check) {
	k.pulse.set(func() { c = k.pulse.bus })
	return c
}

// clockSlack is how far the clock may go back unnoticed: machines are set right by a little all the
// time.
const clockSlack = time.Minute

// clockBehind is how far the worker's clock is behind the newest record; 0 when it is not.
func (k *keeper) clockBehind() (d time.Duration) {
	k.pulse.set(func() {
		if gone := k.pulse.newest.Sub(k.clock.Now()); !k.pulse.newest.IsZero() && gone > clockSlack {
			d = gone
		}
	})
	return d
}
