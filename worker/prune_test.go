package worker_test

import (
	"sync"
	"testing"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/retention"
)

// earlyClock is set by hand and wakes everybody whenever it is set, as the machine's clock wakes who
// waits long before the time: whoever is woken must look at the clock.
type earlyClock struct {
	mu    sync.Mutex
	now   time.Time
	waits []chan time.Time
	asked chan time.Time
}

func (c *earlyClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *earlyClock) Until(t time.Time) <-chan time.Time {
	if t.IsZero() {
		return nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	ch := make(chan time.Time, 1)
	if !t.After(c.now) {
		ch <- c.now
	}
	c.waits = append(c.waits, ch)
	c.asked <- t
	return ch
}

func (c *earlyClock) set(now time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = now
	for _, ch := range c.waits {
		select {
		case ch <- now:
		default:
		}
	}
	c.waits = nil
}

// The worker's own timer removes what is old: ten minutes after the start and then once a day, never
// in between, and what is young stays.
func TestPruningByTheTimer(t *testing.T) {
	const day = 24 * time.Hour
	start := time.Now() // the bus stamps what it stores by the machine's clock
	clock := &earlyClock{now: start, asked: make(chan time.Time, 1000)}
	b := setupWith(t, func(o *worker.Options) {
		o.Clock = clock
		o.Keep = &retention.Policy{Readings: 30 * day, Records: 40 * day}
		o.Alert.NoLearnedSilence = true
	})
	// asks waits until somebody waits for want: the pruner does when it is done.
	asks := func(want time.Time) {
		t.Helper()
		end := time.After(20 * time.Second)
		for {
			select {
			case at := <-clock.asked:
				if at.Equal(want) {
					return
				}
				if at.Equal(clock.Now().Add(day)) {
					t.Fatalf("old things were looked for at %s, before their time", clock.Now().Sub(start))
				}
			case <-end:
				t.Fatalf("nobody waits for %s after the start", want.Sub(start))
			}
		}
	}
	count := func(stream string) uint64 {
		t.Helper()
		s, err := b.w.JetStream().Stream(t.Context(), stream)
		if err != nil {
			t.Fatal(err)
		}
		return s.CachedInfo().State.Msgs
	}
	kept := func(inputs, records uint64) {
		t.Helper()
		if i, r := count(protocol.StreamInbox), count(protocol.StreamRecord); i != inputs || r != records {
			t.Errorf("%s after the start: %d inputs and %d records are kept, want %d and %d", clock.Now().Sub(start), i, r, inputs, records)
		}
	}
	const n = 5
	for i := range n {
		b.send(b.reading(start.Add(time.Duration(i-n) * time.Minute)))
	}
	asks(start.Add(10 * time.Minute))
	clock.set(start.Add(5 * time.Minute))
	asks(start.Add(10 * time.Minute)) // too early
	clock.set(start.Add(10 * time.Minute))
	asks(start.Add(10*time.Minute + day))
	kept(n, n)
	clock.set(start.Add(29 * day))
	asks(start.Add(30 * day))
	kept(n, n)
	clock.set(start.Add(31 * day))
	asks(start.Add(32 * day))
	kept(0, n)
	clock.set(start.Add(31*day + time.Hour))
	asks(start.Add(32 * day))
	clock.set(start.Add(41 * day))
	asks(start.Add(42 * day))
	kept(0, 1) // the series remembers by its newest record
	// It goes on judging by what is left.
	if rec := b.send(b.reading(clock.Now())); rec.Verdict == nil {
		t.Errorf("after all that was old is gone: %+v", rec)
	}
}
