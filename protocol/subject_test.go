package protocol_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol"
)

// The keys were computed by another program: printf '%s' 'chart|edition|...' | sha256sum | cut -c1-12
func TestSeriesVectors(t *testing.T) {
	base := func(edit func(r *protocol.Reading)) *protocol.Reading {
		r := &protocol.Reading{Chart: "pennant-cmyk", Edition: "a1b2c3d4",
			Condition:  protocol.Condition{Media: "pennant-knit", Preset: "deep", Stage: "pressed", Path: "device"},
			Instrument: protocol.Instrument{Kind: "spectrophotometer", Mode: "M1"}}
		edit(r)
		return r
	}
	for _, c := range []struct {
		name string
		r    *protocol.Reading
		want string
	}{
		{"all", base(func(*protocol.Reading) {}), "b96ec5d86f0f"},
		{"path filled in", base(func(r *protocol.Reading) { r.Condition.Path = "" }), "b96ec5d86f0f"},
		{"what does not belong to the condition", base(func(r *protocol.Reading) {
			r.Site, r.Printer, r.Instrument.Serial, r.Instrument.Backing, r.Note = "quay", "heron", "0417", "black", "x"
		}), "b96ec5d86f0f"},
		{"M0 is another series", base(func(r *protocol.Reading) { r.Instrument.Mode = "M0" }), "035ad4bcb421"},
		{"no edition, no mode", base(func(r *protocol.Reading) { r.Edition, r.Instrument.Mode = "", "" }), "d48ce4a42086"},
		{"transfer, managed, scanner", base(func(r *protocol.Reading) {
			r.Condition.Stage, r.Condition.Path, r.Instrument = "transfer", "managed", protocol.Instrument{Kind: "scanner"}
		}), "8ae72f046c10"},
	} {
		if got := c.r.Series(); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// The ids were computed by another implementation of RFC 9562, 5.5: Python's uuid.uuid5.
func TestDerivedIDVectors(t *testing.T) {
	for _, c := range [][3]string{
		{"0198c5a4-7b1e-7c3a-9f0e-2a6d1c4b8e11", "verdict", "25d8482a-7f9a-56ce-8311-c2aea618983b"},
		{"0198C5A4-7B1E-7C3A-9F0E-2A6D1C4B8E11", "verdict", "25d8482a-7f9a-56ce-8311-c2aea618983b"},
		{"inbox#7", "refusal", "dc77a95f-3901-5184-bb2d-3e772b2a0493"},
	} {
		if got := protocol.DerivedID(c[0], c[1]); got != c[2] {
			t.Errorf("DerivedID(%q, %q) = %s, want %s", c[0], c[1], got, c[2])
		}
	}
}

func TestSubjects(t *testing.T) {
	for got, want := range map[string]string{
		protocol.ReadingSubject("quay", "heron"):                                      "swk.reading.quay.heron",
		protocol.NoteSubject("quay", "heron"):                                         "swk.note.quay.heron",
		protocol.RecordSubject("quay", "heron", protocol.KindVerdict, "b96ec5d86f0f"): "swk.record.quay.heron.verdict.b96ec5d86f0f",
		protocol.RecordSubject("quay", "heron", protocol.KindRefusal, ""):             "swk.record.quay.heron.refusal.-",
		protocol.PrinterRecords("quay", "heron"):                                      "swk.record.quay.heron.>",
		protocol.MsgID("quay", "heron", "1"):                                          "quay.heron.1",
		protocol.ChartKey("pennant-cmyk", "a1b2c3d4"):                                 "pennant-cmyk.a1b2c3d4",
		protocol.ChartKey("pennant-cmyk", ""):                                         "pennant-cmyk.-",
	} {
		if got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

func TestParseInput(t *testing.T) {
	for subject, want := range map[string][3]string{
		"swk.reading.quay.heron":       {"reading", "quay", "heron"},
		"swk.note.quay.heron":          {"note", "quay", "heron"},
		"0.swk.reading.quay.heron":     {"reading", "quay", "heron"},
		"15.swk.note.quay.plover":      {"note", "quay", "plover"},
		"16.15.swk.note.quay.plover":   {"note", "quay", "plover"},
		"64.0.swk.reading.quay.heron":  {"reading", "quay", "heron"},
		"swk.reading.swk.reading":      {"reading", "swk", "reading"},
		"swk.reading.Quay.heron_2":     {"reading", "Quay", "heron_2"}, // no tokens, and yet a refusal is filed under them
		"007.swk.reading.1.2":          {"reading", "1", "2"},
		protocol.NoteSubject("a", "b"): {"note", "a", "b"},
	} {
		what, site, printer, err := protocol.ParseInput(subject)
		if got := [3]string{what, site, printer}; err != nil || got != want {
			t.Errorf("%s: %q, %v; want %q", subject, got, err, want)
		}
	}
	for _, subject := range []string{
		"", ".", "swk", "swk.reading", "swk.reading.quay", "swk.reading.quay.heron.2", "swk.record.quay.heron", "SWK.reading.quay.heron",
		"x.swk.reading.quay.heron", "-1.swk.reading.quay.heron", ".swk.reading.quay.heron", "1.2.3.swk.reading.quay.heron", "1.x.swk.reading.quay.heron", "swk.readings.quay.heron",
		"swk.record.quay.heron.verdict.-", strings.Repeat("x", 5000),
	} {
		what, site, printer, err := protocol.ParseInput(subject)
		var r *protocol.Refusal
		if !errors.As(err, &r) || r.Code != protocol.CodeBadSubject || what+site+printer != "" {
			t.Errorf("%.40q: %q %q %q, %v; want %s", subject, what, site, printer, err, protocol.CodeBadSubject)
		}
		if err != nil && len(err.Error()) > 400 {
			t.Errorf("%.40q: the error has %d bytes", subject, len(err.Error()))
		}
	}
}

func TestIsToken(t *testing.T) {
	for s, want := range map[string]bool{
		"quay": true, "0": true, "a-": true, "a1-b2": true, strings.Repeat("x", 63): true,
		"": false, "-a": false, "Quay": false, "a.b": false, "a b": false, "a_b": false, "ä": false, "*": false, ">": false, "a\n": false, "a\x00": false, strings.Repeat("x", 64): false,
	} {
		if got := protocol.IsToken(s); got != want {
			t.Errorf("IsToken(%q) = %v", s, got)
		}
	}
}

// What the worker checks with its clock and with the subject: both edges.
func TestTimeAndSubjectOfAMessage(t *testing.T) {
	now := time.Date(2026, 3, 4, 7, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		ahead time.Duration
		code  string
	}{
		{-20 * 365 * 24 * time.Hour, ""}, {0, ""}, {protocol.MaxAhead, ""}, {protocol.MaxAhead + time.Nanosecond, protocol.CodeFuture}, {1000 * time.Hour, protocol.CodeFuture},
	} {
		at := now.Add(c.ahead).In(time.FixedZone("", 3600))
		refusedAs(t, (&protocol.Reading{TakenAt: at}).CheckTime(now), c.code, "taken_at")
		refusedAs(t, (&protocol.Note{At: at}).CheckTime(now), c.code, "at")
	}
	for _, c := range []struct{ site, printer, code, field string }{
		{"quay", "heron", "", ""}, {"mole", "heron", protocol.CodeWrongSubject, "site"}, {"quay", "plover", protocol.CodeWrongSubject, "printer"}, {"Quay", "heron", protocol.CodeWrongSubject, "site"},
	} {
		refusedAs(t, (&protocol.Reading{Site: "quay", Printer: "heron"}).CheckSubject(c.site, c.printer), c.code, c.field)
		refusedAs(t, (&protocol.Note{Site: "quay", Printer: "heron"}).CheckSubject(c.site, c.printer), c.code, c.field)
	}
}

// refusedAs checks for no error where code is empty.
func refusedAs(t *testing.T, err error, code, field string) {
	t.Helper()
	if code == "" {
		if err != nil {
			t.Errorf("refused: %v", err)
		}
		return
	}
	var r *protocol.Refusal
	if !errors.As(err, &r) {
		t.Errorf("got %v, want %s at %s", err, code, field)
		return
	}
	if r.Code != code || r.Field != field {
		t.Errorf("got %s at %q, want %s at %q (%s)", r.Code, r.Field, code, field, r.Hint)
	}
	checkHint(t, r)
}
