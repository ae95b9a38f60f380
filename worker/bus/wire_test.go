package bus_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/bus/bustest"
)

// disguises are blocks of headers that no client library sends, and that hide what the server puts behind
// them, or bend it.
func disguises() []string {
	place := "Nats-Stream: SWK_INBOX\r\nNats-Subject: swk.reading.quay.plover\r\nNats-Sequence: 9999\r\nNats-Time-Stamp: 2026-03-02T06:00:00.123456789Z\r\nNats-Num-Pending: 0\r\nNats-Last-Sequence: 0\r\n"
	list := []string{
		// The server cuts off two bytes and writes its first line there.
		"NATS/1.0 204 EOB\r\nNats-Num-Pending: 0\r\nX: yz",
		"NATS/1.0 404 Message Not Found\r\nX: yz",
		"NATS/1.0 503\r\nXyz",
		"NATS/1.0 204 EOB\r\nNats-Num-Pending: 0\r\nX\r\n",
		"NATS/1.0\r\nNats-Pin-Id: another\r\nX: yz",
	}
	// A line without its blank is a byte shorter than one that a library writes, one without its return
	// two: enough of them, and the sum is right although the server's lines are hidden.
	for _, end := range []string{"\r\n", "\n"} {
		from := 160
		if end == "\n" {
			from = 80
		}
		for n := from; n < from+45; n++ {
			list = append(list, "NATS/1.0\r\n"+place+strings.Repeat("a:b"+end, n)+"\r\n\r\n")
			list = append(list, "NATS/1.0 204\r\nNats-Num-Pending: 0\r\n"+strings.Repeat("a:b"+end, n)+"\r\n\r\n")
		}
	}
	return list
}

// A sender's headers never make a reader of a stream leave a message out, end too early, or see it in
// another place.
func TestDisguisedHeaders(t *testing.T) {
	t.Parallel()
	s := openShop(t, "127.0.0.1:0", nil)
	subject := protocol.ReadingSubject("quay", "heron")
	list := disguises()
	for _, head := range list {
		bustest.PublishRaw(t, s.bus.Endpoint.Address, s.bus.Endpoint.Token, subject, []byte(head), nil)
	}
	// The server answers before it has stored them; it stores in order, and acknowledges this one.
	if _, err := s.js.Publish(t.Context(), subject, []byte("{}")); err != nil {
		t.Fatal(err)
	}
	seq := uint64(0)
	if err := bus.ReadDirect(t.Context(), s.js, protocol.StreamInbox, ">", 1, time.Time{}, func(m bus.Message) error {
		if seq++; m.Seq != seq || m.Subject != subject || time.Since(m.Time) > time.Hour {
			return fmt.Errorf("message %d is read as %d, %s, of %s", seq, m.Seq, m.Subject, m.Time)
		}
		return nil
	}); err != nil || seq != uint64(len(list)+1) {
		t.Errorf("%d of %d messages are read: %v", seq, len(list)+1, err)
	}
}
