package worker_test

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/bus/bustest"
)

// Whoever may send readings chooses their headers too. None of them may pass for the bus's own words:
// stop the worker or the judging, or put one reading in the place of another.
func TestHeadersOfASender(t *testing.T) {
	b := setup(t)
	b.stop()
	e, err := bus.StartEmbedded(t.Context(), bus.EmbeddedOptions{Dir: b.dir, Listen: "127.0.0.1:0", MaxStore: bus.DefaultLimits().Total(), Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	nc, js, err := bus.Connect(t.Context(), bus.ConnectOptions{Embedded: e, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	want := map[uint64]string{} // the reading's id by its place; empty: refused
	who := map[uint64]string{}
	seq := uint64(0)
	body := func(printer string) ([]byte, string) {
		r := b.reading(monday.Add(time.Duration(seq) * time.Second))
		r.ID, r.Printer = uuid.Must(uuid.NewV7()).String(), printer
		data, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		return data, r.ID
	}
	honest := func(printer string) {
		t.Helper()
		data, id := body(printer)
		ack, err := js.Publish(t.Context(), protocol.ReadingSubject("quay", printer), data)
		if err != nil {
			t.Fatal(err)
		}
		seq = ack.Sequence
		want[seq], who[seq] = id, printer
	}
	hostile := func(data []byte, headers map[string]string) {
		t.Helper()
		m := nats.NewMsg(protocol.ReadingSubject("quay", "heron"))
		m.Data = data
		for key, v := range headers {
			m.Header.Set(key, v)
		}
		ack, err := js.PublishMsg(t.Context(), m)
		if err != nil {
			t.Fatal(err)
		}
		seq = ack.Sequence
		want[seq], who[seq] = "", "heron"
	}
	some := func() {
		for range 6 { // so that the worker reads ahead
			honest("heron")
			honest("plover")
		}
	}
	some()
	for _, status := range []string{"409", "404", "503", "100", "400", "408", "423"} {
		hostile(nil, map[string]string{"Status": status, "Description": "Consumer Deleted"})
		honest("plover")
	}
	hostile(nil, map[string]string{"Status": "204", "Nats-Num-Pending": "0"})
	some()
	// A reading of another printer, with the place of the honest one that comes after it.
	forged, _ := body("plover")
	hostile(forged, map[string]string{
		"Nats-Stream": protocol.StreamInbox, "Nats-Subject": protocol.ReadingSubject("quay", "plover"), "Nats-Sequence": fmt.Sprint(seq + 2),
		"Nats-Time-Stamp": "2026-03-02T06:00:00Z", "Nats-Pin-Id": "another",
	})
	honest("plover")
	some()
	// The same, with the end of the headers before what the bus puts there.
	forged, _ = body("plover")
	for _, head := range []string{
		"NATS/1.0\r\nNats-Stream: SWK_INBOX\r\nNats-Subject: swk.reading.quay.plover\r\nNats-Sequence: %d\r\nNats-Time-Stamp: 2026-03-02T06:00:00Z\r\nNats-Pin-Id: another\r\n\r\nX: y\r\n\r\n",
		"NATS/1.0 204 EOB\r\n\r\nX: y%d\r\n\r\n",
		"no headers at all %d",
	} {
		head := fmt.Appendf(nil, head, seq+2)
		bustest.PublishRaw(t, e.Endpoint.Address, e.Endpoint.Token, protocol.ReadingSubject("quay", "heron"), head, forged)
		seq++
		want[seq], who[seq] = "", "heron"
		honest("plover")
		bustest.PublishRaw(t, e.Endpoint.Address, e.Endpoint.Token, protocol.ReadingSubject("quay", "heron"), head, nil)
		seq++
		want[seq], who[seq] = "", "heron"
		some()
	}
	s, err := js.Stream(t.Context(), protocol.StreamInbox)
	if err != nil || s.CachedInfo().State.LastSeq != seq {
		t.Fatalf("%d messages were sent; the inbox: %+v, %v", seq, s, err)
	}
	read := uint64(0)
	if err := bus.ReadDirect(t.Context(), js, protocol.StreamInbox, ">", 1, time.Time{}, func(m bus.Message) error {
		if read++; m.Seq != read || m.Subject != protocol.ReadingSubject("quay", who[read]) {
			t.Errorf("input %d is read as input %d, %s", read, m.Seq, m.Subject)
		}
		return nil
	}); err != nil || read != seq {
		t.Errorf("%d of %d inputs can be read: %v", read, seq, err)
	}
	nc.Close()
	e.Stop()

	b.start()
	for n := uint64(1); n <= seq; n++ {
		rec := b.wait(n)
		if rec.Printer != who[n] {
			t.Errorf("input %d: a record of %s, sent by %s", n, rec.Printer, who[n])
		}
		switch {
		case want[n] == "" && rec.Kind != protocol.KindRefusal:
			t.Errorf("input %d, with false headers: %s", n, rec.Kind)
		case want[n] != "" && (rec.Verdict == nil || rec.Verdict.Reading != want[n]):
			t.Errorf("input %d: want a verdict on %s: %s, %+v", n, want[n], rec.Kind, rec.Verdict)
		}
	}
	orderly(t, b, int(seq))
}
