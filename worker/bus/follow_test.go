package bus_test

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"

	"swathkeeper/worker/bus"
)

// A watch on the worker's own machine may begin before the worker, which encrypts, and outlast its
// certificate: it trusts what the endpoint's file says at the time.
func TestFollowingAWorkerThatEncrypts(t *testing.T) {
	dir := t.TempDir()
	nc, _, err := bus.Connect(t.Context(), bus.ConnectOptions{Follow: dir, Patient: true, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	there := nc.StatusChanged(nats.CONNECTED)
	for range 2 { // each with a certificate of its own
		files := t.TempDir()
		if _, err := bus.ServerCert(files, "", "", "127.0.0.1"); err != nil {
			t.Fatal(err)
		}
		e, err := bus.StartEmbedded(t.Context(), bus.EmbeddedOptions{
			Dir: dir, Listen: "127.0.0.1:0", Cert: filepath.Join(files, bus.CertFile), Key: filepath.Join(files, bus.KeyFile), MaxStore: 1 << 30, Log: zerolog.Nop(),
		})
		if err != nil {
			t.Fatal(err)
		}
		select {
		case <-there:
		case <-time.After(time.Minute):
			t.Error("it does not connect")
		}
		e.Stop()
	}
}
