// Package handclock is a clock that is set by hand: the demo's time of day, and the tests'.
package handclock

import (
	"sync"
	"time"
)

// Clock stands still until it is set. It is safe for use by several goroutines.
type Clock struct {
	mu    sync.Mutex
	now   time.Time
	waits map[chan time.Time]time.Time
	asked chan time.Time
}

// New gives a clock that shows at.
func New(at time.Time) *Clock {
	return &Clock{now: at, waits: map[chan time.Time]time.Time{}, asked: make(chan time.Time, 100)}
}

// Now gives the time that the clock was set to.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

// Until gives a channel that yields when the clock has been set to t or later; nil, which never
// yields, for the zero time.
func (c *Clock) Until(t time.Time) <-chan time.Time {
	if t.IsZero() {
		return nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	ch := make(chan time.Time, 1)
	if !t.After(c.now) {
		ch <- c.now
		return ch
	}
	c.waits[ch] = t
	select {
	case c.asked <- t:
	default: // nobody looks, or not yet
	}
	return ch
}

// Asked yields the times that are waited for, as they are asked for: who sets the clock can know that
// somebody waits for it. It keeps the first hundred that nobody has taken.
func (c *Clock) Asked() <-chan time.Time { return c.asked }

// Wake wakes everybody before the time, as a machine's clock does that was set or that slept: whoever
// is woken must look at the clock.
func (c *Clock) Wake() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for ch := range c.waits {
		ch <- c.now
		delete(c.waits, ch)
	}
}

// Set sets the clock, and wakes who waited for that time or an earlier one.
func (c *Clock) Set(now time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = now
	for ch, at := range c.waits {
		if !at.After(now) {
			ch <- now
			delete(c.waits, ch)
		}
	}
}
