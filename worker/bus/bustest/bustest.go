// Package bustest gives tests a bus of their own.
package bustest

import (
	"testing"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/worker/bus"
)

// Store starts a bus in this process, with everything that it needs and nothing in it, on a folder
// that is empty or that an earlier one left. It is gone when the test ends.
func Store(t testing.TB, dir string) jetstream.JetStream {
	t.Helper()
	return StoreOf(t, dir, bus.DefaultLimits())
}

// StoreOf is Store with other limits.
func StoreOf(t testing.TB, dir string, l bus.Limits) jetstream.JetStream {
	t.Helper()
	e, err := bus.StartEmbedded(t.Context(), bus.EmbeddedOptions{Dir: dir, MaxStore: l.Total(), Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(e.Stop)
	nc, js, err := bus.Connect(t.Context(), bus.ConnectOptions{Embedded: e, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	if err := bus.Provision(t.Context(), js, l); err != nil {
		t.Fatal(err)
	}
	return js
}
