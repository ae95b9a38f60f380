package worker_test

import (
	"runtime"
	"slices"
	"strconv"
	"testing"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/handclock"
	"swathkeeper/worker/health"
	"swathkeeper/worker/retention"
)

// The worker's own timer removes what is old: ten minutes after the start and then once a day, never
// in between, and what is young stays.
func TestPruningByTheTimer(t *testing.T) {
	const day = 24 * time.Hour
	start := time.Now() // the bus stamps what it stores by the machine's clock
	clock := handclock.New(start)
	b := setupWith(t, func(o *worker.Options) {
		o.Clock = clock
		o.Keep = &retention.Policy{Readings: 30 * day, Records: 40 * day}
		o.Alert.NoLearnedSilence = true
	})
	// asks waits until somebody waits for want: the pruner does when it is done.
	asks := func(want time.Time) {
		t.Helper()
		end := time.After(time.Minute)
		for {
			select {
			case at := <-clock.Asked():
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
	set := func(now time.Time) {
		clock.Set(now)
		clock.Wake() // also whoever waits for later
	}
	const n = 5
	for i := range n {
		b.send(b.reading(start.Add(time.Duration(i-n) * time.Minute)))
	}
	asks(start.Add(10 * time.Minute))
	set(start.Add(5 * time.Minute))
	asks(start.Add(10 * time.Minute)) // too early
	set(start.Add(10 * time.Minute))
	asks(start.Add(10*time.Minute + day))
	kept(n, n)
	set(start.Add(29 * day))
	asks(start.Add(30 * day))
	kept(n, n)
	set(start.Add(31 * day))
	asks(start.Add(32 * day))
	kept(0, n)
	set(start.Add(31*day + time.Hour))
	asks(start.Add(32 * day))
	set(start.Add(41 * day))
	asks(start.Add(42 * day))
	kept(0, 1) // the series remembers by its newest record
	// It goes on judging by what is left.
	if rec := b.send(b.reading(clock.Now())); rec.Verdict == nil {
		t.Errorf("after all that was old is gone: %+v", rec)
	}
}

// A worker whose store of pictures is nearly full makes room, and says so in its report until there is.
func TestPicturesMakeRoom(t *testing.T) {
	l := bus.Limits{Inbox: 16 << 20, Record: 16 << 20, Baselines: 16 << 20, Scans: 4 << 20, Replicas: 1}
	b := setupWith(t, func(o *worker.Options) { o.Limits = l })
	for part := range 8 {
		subject := protocol.ScanSubject("local", "d1", strconv.Itoa(part))
		if _, err := b.w.JetStream().Publish(t.Context(), subject, make([]byte, 500<<10)); err != nil {
			t.Fatal(err)
		}
	}
	if !slices.ContainsFunc(b.w.Report(t.Context()).Checks, func(c health.Check) bool { return c.Name == "pictures" && !c.OK && c.Minor }) {
		t.Error("the report says nothing of pictures that have no more room")
	}
	b.stop()
	b.start()
	for end := time.Now().Add(time.Minute); ; {
		s, err := b.w.JetStream().Stream(t.Context(), protocol.StreamScans)
		if err != nil {
			t.Fatal(err)
		}
		if s.CachedInfo().State.Msgs == 0 {
			return
		}
		if time.Now().After(end) {
			t.Fatal("no room was made for pictures")
		}
		runtime.Gosched()
	}
}
