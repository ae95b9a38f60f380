package bus_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// One stolen key must not take the server's memory, nor keep the others out.
func TestHolderIsBounded(t *testing.T) {
	t.Parallel()
	for where, open := range places() {
		t.Run(where, func(t *testing.T) {
			t.Parallel()
			p := open(t, holders())
			var in []*nats.Conn
			var refused error
			for range 40 {
				nc, _, err := p.try(t, "bench-1")
				if err != nil {
					refused = err
					break
				}
				in = append(in, nc)
			}
			if refused == nil || len(in) < 8 {
				t.Fatalf("%d connections of one key, then %v", len(in), refused)
			}
			p.enter(t, "bench-2")

			many, failed := in[0], make(chan error, 1)
			many.SetErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
				select {
				case failed <- err:
				default:
				}
			})
			inbox := many.NewInbox()
			for i := range 2000 {
				if _, err := many.SubscribeSync(fmt.Sprintf("%s.%d", inbox, i)); err != nil {
					break // closed meanwhile
				}
			}
			_ = many.Flush()
			select {
			case err := <-failed:
				if !errors.Is(err, nats.ErrMaxSubscriptionsExceeded) {
					t.Errorf("two thousand places to listen at: %v", err)
				}
			case <-time.After(20 * time.Second):
				t.Error("one connection listens at two thousand places")
			}

			// One that has ended makes room for another.
			in[1].Close()
			eventually(t, func() error { _, _, err := p.try(t, "bench-1"); return err })
		})
	}
}

// A store of an earlier release, which knew for hours what it was sent, is like a new one afterwards.
func TestWindowOfAnEarlierRelease(t *testing.T) {
	t.Parallel()
	e, js := open(t, t.TempDir())
	t.Cleanup(e.Stop)
	if err := bus.Provision(t.Context(), js, bus.DefaultLimits()); err != nil {
		t.Fatal(err)
	}
	s, err := js.Stream(t.Context(), protocol.StreamInbox)
	if err != nil {
		t.Fatal(err)
	}
	for before, after := range map[time.Duration]time.Duration{2 * time.Hour: bus.InboxWindow, time.Minute: time.Minute} {
		c := s.CachedInfo().Config
		c.Duplicates = before
		if _, err := js.UpdateStream(t.Context(), c); err != nil {
			t.Fatal(err)
		}
		if err := bus.Provision(t.Context(), js, bus.DefaultLimits()); err != nil {
			t.Fatal(err)
		}
		if i, err := s.Info(t.Context()); err != nil || i.Config.Duplicates != after {
			t.Errorf("%s before, %s afterwards: %v", before, i.Config.Duplicates, err)
		}
	}
}
