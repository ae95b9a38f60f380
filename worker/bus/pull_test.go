package bus_test

import (
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/bus/bustest"
)

// pulling is a judge's consumer whose place a silent worker keeps for an hour: what waits for the end of
// that never comes.
func pulling(t *testing.T, s *shop, handle func(*nats.Msg)) *bus.Puller {
	t.Helper()
	c, err := s.js.Consumer(t.Context(), protocol.StreamInbox, bus.Durable)
	if err != nil {
		t.Fatal(err)
	}
	config := c.CachedInfo().Config
	config.PinnedTTL = time.Hour
	if _, err := s.js.UpdateConsumer(t.Context(), protocol.StreamInbox, config); err != nil {
		t.Fatal(err)
	}
	p, err := bus.Pull(t.Context(), s.js, bus.PullOptions{
		Stream: protocol.StreamInbox, Consumer: bus.Durable, Batch: 32, Expires: 2 * time.Second, Heartbeat: time.Second,
		Handle: handle, Gone: func(err error) { t.Error(err) }, Log: zerolog.Nop(),
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.Drain(); <-p.Closed() })
	return p
}

func arrives(t *testing.T, come <-chan uint64, seq uint64) {
	t.Helper()
	for limit := time.After(time.Minute); ; {
		select {
		case got := <-come:
			if got == seq {
				return
			}
		case <-limit:
			t.Fatalf("message %d does not come", seq)
		}
	}
}

func handing(t *testing.T, come chan<- uint64) func(*nats.Msg) {
	return func(m *nats.Msg) {
		meta, err := m.Metadata()
		if err != nil {
			t.Error(err)
			return
		}
		if err := m.AckSync(); err != nil {
			t.Error(err)
		}
		come <- meta.Sequence.Stream
	}
}

// A sender that hides or bends what the server says of who judges does not make the judging wait.
func TestHiddenPlace(t *testing.T) {
	t.Parallel()
	for _, head := range []string{
		"NATS/1.0\r\nNats-Pin-Id: another\r\nX: yz",
		"NATS/1.0\r\nNats-Pin-Id: another\r\nXyz",
		"NATS/1.0\r\nNats-Pin-Id: yz",
		"NATS/1.0\r\nNats-Pin-Id: another\r\n\r\n\r\n",
		"NATS/1.0\r\nNats-Pin-Id: another\r\n\r\nX: y\r\n\r\n",
		"no headers at all",
	} {
		s := openShop(t, "127.0.0.1:0", nil)
		for range 40 { // more than are asked for at a time
			bustest.PublishRaw(t, s.bus.Endpoint.Address, s.bus.Endpoint.Token, protocol.ReadingSubject("quay", "heron"), []byte(head), nil)
		}
		come := make(chan uint64, 64)
		pulling(t, s, handing(t, come))
		arrives(t, come, 40)
	}
}
