package main

import (
	"context"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/worker/bus"
)

// withTrialBus opens the embedded bus of a data folder, waiting for no disk, while f works.
func withTrialBus(ctx context.Context, dir string, limits bus.Limits, f func(jetstream.JetStream) error) error {
	e, err := bus.StartEmbedded(ctx, bus.EmbeddedOptions{Dir: dir, MaxStore: limits.Total(), Log: zerolog.Nop()})
	if err != nil {
		return err
	}
	defer e.Stop()
	nc, js, err := bus.Connect(ctx, bus.ConnectOptions{Name: "trials", Embedded: e, Log: zerolog.Nop()})
	if err != nil {
		return err
	}
	defer nc.Close()
	if err := bus.Provision(ctx, js, limits); err != nil {
		return err
	}
	if js, err = jetstream.New(nc, jetstream.WithPublishAsyncMaxPending(512)); err != nil {
		return err
	}
	return f(js)
}
