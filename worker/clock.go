package worker

import "time"

// Clock is the worker's time of day. The demo and the tests own theirs; everything the worker
// decides by the time of day asks this one.
type Clock interface {
	Now() time.Time
	// Until gives a channel that yields when the clock has reached t. For the zero time it gives
	// nil, which never yields.
	Until(t time.Time) <-chan time.Time
}

// SystemClock is the machine's clock.
type SystemClock struct{}

// Now gives the machine's time.
func (SystemClock) Now() time.Time { return time.Now() }

// longestWait bounds a wait, so that a machine whose clock is set forward, or that slept, looks at
// the time again soon.
const longestWait = time.Minute

// Until yields at t, or after a minute at the latest: the caller looks at the clock again.
func (SystemClock) Until(t time.Time) <-chan time.Time {
	if t.IsZero() {
		return nil
	}
	return time.After(max(0, min(time.Until(t), longestWait)))
}
