package worker_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol"
)

// A record that would be larger than any bus takes holds nothing up: its input is refused, with as much of
// it as fits, and what comes behind it is judged.
func TestTooLargeARecordIsRefused(t *testing.T) {
	b := setup(t)
	first, err := protocol.Encode(b.send(b.reading(monday)))
	if err != nil {
		t.Fatal(err)
	}
	subject := protocol.ReadingSubject("quay", "heron")
	// remember lets the printer's newest record remember so many bytes, as another worker would have left it.
	remember := func(size int) {
		t.Helper()
		s, err := b.w.JetStream().Stream(t.Context(), protocol.StreamRecord)
		if err != nil {
			t.Fatal(err)
		}
		m, err := s.GetLastMsgForSubject(t.Context(), protocol.PrinterRecords("quay", "heron"))
		if err != nil {
			t.Fatal(err)
		}
		rec, err := protocol.DecodeRecord(m.Data)
		if err != nil {
			t.Fatal(err)
		}
		var state map[string]json.RawMessage
		if err := json.Unmarshal(rec.PrinterState, &state); err != nil {
			t.Fatal(err)
		}
		state["notes"], _ = json.Marshal([]string{strings.Repeat("n", size)})
		if rec.PrinterState, err = json.Marshal(state); err != nil {
			t.Fatal(err)
		}
		data, err := protocol.Encode(rec)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := b.w.JetStream().Publish(t.Context(), m.Subject, data); err != nil {
			t.Fatal(err)
		}
	}
	remember(protocol.MaxMessage - 50_000)
	junk := bytes.Repeat([]byte("x"), protocol.MaxRefusedPayload)
	if rec := b.put(subject, junk, ""); rec.Refusal == nil || rec.Refusal.Code != protocol.CodeBadJSON || len(rec.Refusal.Payload) != 0 || rec.Refusal.Bytes != len(junk) {
		t.Errorf("junk beside a large state: %s", rec.Text)
	}
	remember(protocol.MaxMessage - len(first)) // so much that a verdict is just too large
	if rec := b.send(b.reading(monday.Add(time.Minute))); rec.Refusal == nil || rec.Refusal.Code != protocol.CodeNotJudged || !strings.Contains(rec.Refusal.Hint, "900 KB") {
		t.Errorf("a reading beside a larger one: %s", rec.Text)
	}
	other := b.reading(monday.Add(2 * time.Minute))
	other.Printer = "plover"
	if rec := b.send(other); rec.Verdict == nil {
		t.Errorf("another printer: %s", rec.Text)
	}
}
