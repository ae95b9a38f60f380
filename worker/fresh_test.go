package worker_test

import (
	"testing"
	"time"

	"github.com/google/uuid"

	"swathkeeper/protocol"
	"swathkeeper/worker/history"
)

// note sends a baseline note for printer heron.
func (b *bench) note(do, series, reason string) *protocol.Record {
	b.t.Helper()
	n := &protocol.Note{
		Schema: protocol.SchemaNote, ID: uuid.NewString(), At: b.clock.now, Site: "quay", Printer: "heron",
		Baseline: &protocol.BaselineNote{Do: do, Series: series, Reason: reason},
	}
	data, err := protocol.Encode(n)
	if err != nil {
		b.t.Fatal(err)
	}
	rec := b.put(protocol.NoteSubject(n.Site, n.Printer), data, "")
	if rec.Refusal != nil {
		b.t.Fatalf("%s %s: %v", do, series, rec.Refusal)
	}
	return rec
}

// TestAcceptEndsLearningOfItsSeries: with several printing conditions being learned, one accepted
// baseline is judged by at once, and the others go on learning until they have theirs.
func TestAcceptEndsLearningOfItsSeries(t *testing.T) {
	b := setup(t)
	at := monday
	read := func(mode string) *protocol.Record {
		t.Helper()
		at = at.Add(time.Hour)
		r := b.reading(at)
		r.Instrument.Mode = mode
		rec := b.send(r)
		if rec.Verdict == nil {
			t.Fatalf("no verdict: %s", rec.Text)
		}
		return rec
	}
	b.note(protocol.BaselineLearn, "", "")
	m1 := read("M1").Series
	read("M1")
	m0 := read("M0").Series
	b.note(protocol.BaselineAccept, m1, "")
	if v := read("M1").Verdict; v.Outcome == protocol.Learning {
		t.Error("a reading after accept was taken as known-good")
	}
	if v := read("M0").Verdict; v.Outcome != protocol.Learning {
		t.Errorf("the other series no longer learns: %s", v.Outcome)
	}
	b.stop()
	b.start()
	if v := read("M1").Verdict; v.Outcome == protocol.Learning {
		t.Error("after a restart a reading was taken as known-good again")
	}
	b.note(protocol.BaselineAccept, "", "") // only one is left to accept
	for _, mode := range []string{"M0", "M1"} {
		if v := read(mode).Verdict; v.Outcome == protocol.Learning {
			t.Errorf("%s still learns when all is accepted", mode)
		}
	}
	// Learning one series anew leaves the other alone; learning all begins anew with all.
	b.note(protocol.BaselineLearn, m0, "")
	read("M0")
	if v := read("M1").Verdict; v.Outcome == protocol.Learning {
		t.Error("learning one series took in another")
	}
	b.note(protocol.BaselineLearn, "", "")
	read("M0")
	if rec := b.note(protocol.BaselineAccept, m0, "new ink"); rec.Baseline.Count != 1 {
		t.Errorf("baseline of %d readings, 1 has come since the last learn", rec.Baseline.Count)
	}
}

// TestForeignMessageAmongRecords: what an administrator puts among the records by mistake stops
// neither judging nor history, and the printer's state from before it holds.
func TestForeignMessageAmongRecords(t *testing.T) {
	b := setup(t)
	b.note(protocol.BaselineLearn, "", "")
	series := b.send(b.reading(monday)).Series
	b.note(protocol.BaselineAccept, "", "")
	for _, subject := range []string{
		protocol.RecordSubject("quay", "heron", protocol.KindVerdict, series),
		protocol.RecordSubject("quay", "plover", protocol.KindVerdict, series),
	} {
		for _, text := range []string{"garbage", `{"schema":"x"}`} {
			if _, err := b.w.JetStream().Publish(t.Context(), subject, []byte(text)); err != nil {
				t.Fatal(err)
			}
		}
	}
	b.stop()
	b.start()
	rec := b.send(b.reading(monday.Add(time.Hour)))
	if rec.Verdict == nil || rec.Verdict.Baseline.Count != 1 {
		t.Fatalf("the baseline is forgotten: %s", rec.Text)
	}
	r := b.reading(monday)
	r.Printer = "plover"
	if rec := b.send(r); rec.Verdict == nil {
		t.Errorf("plover: %s", rec.Text)
	}
	n := 0
	if err := history.Read(t.Context(), b.w.JetStream(), history.Query{}, func(history.Entry) error { n++; return nil }); err != nil || n != 5 {
		t.Errorf("history: %d records, 5 were made; %v", n, err)
	}
}

// TestAlertsAreOneKind: whatever changes an alert is filed as an alert, under the reading's series,
// so that who wants alerts listens to one kind; and the series goes on from there after a restart.
func TestAlertsAreOneKind(t *testing.T) {
	b := setup(t)
	b.note(protocol.BaselineLearn, "", "")
	series := b.send(b.reading(monday)).Series
	b.note(protocol.BaselineAccept, "", "")
	half := func(hours int) *protocol.Record {
		r := b.reading(monday.Add(time.Duration(hours) * time.Hour))
		r.Patches.ID, r.Patches.Lab = r.Patches.ID[:4], r.Patches.Lab[:4]
		return b.send(r)
	}
	if rec := half(1); rec.Kind != protocol.KindVerdict || rec.Verdict.Outcome != protocol.Unusable {
		t.Fatalf("%s: %s", rec.Kind, rec.Text)
	}
	raised := half(2)
	if raised.Kind != protocol.KindAlert || raised.Series != series || raised.Verdict == nil || len(raised.Changes) != 1 {
		t.Fatalf("%s %s: %s", raised.Kind, raised.Series, raised.Text)
	}
	b.stop()
	b.start()
	if rec := half(2); rec.Verdict == nil || rec.Verdict.Late {
		t.Fatalf("%s", rec.Text)
	}
	if rec := b.send(b.reading(monday.Add(90 * time.Minute))); !rec.Verdict.Late {
		t.Error("the reading filed as an alert is forgotten after a restart")
	}
	// Learning closes colour alerts; its record is an alert's then, and what is learned goes on.
	closed := b.note(protocol.BaselineLearn, series, "")
	if closed.Kind != protocol.KindAlert || len(closed.Changes) != 1 || closed.Baseline == nil {
		t.Fatalf("%s: %s", closed.Kind, closed.Text)
	}
	b.stop()
	b.start()
	if rec := b.send(b.reading(monday.Add(3 * time.Hour))); rec.Verdict.Outcome != protocol.Learning || rec.Verdict.Baseline.Count != 1 {
		t.Errorf("%s %+v", rec.Text, rec.Verdict.Baseline)
	}
	kinds := map[string]int{}
	for _, kind := range []string{protocol.KindVerdict, protocol.KindAlert, protocol.KindBaseline, protocol.KindJournal} {
		if err := history.Read(t.Context(), b.w.JetStream(), history.Query{Kind: kind}, func(e history.Entry) error { kinds[kind]++; return nil }); err != nil {
			t.Fatal(err)
		}
	}
	// Every reading is found as a verdict and every baseline's record as such, also those that are alerts.
	if kinds[protocol.KindVerdict] != 6 || kinds[protocol.KindAlert] != 2 || kinds[protocol.KindBaseline] != 3 || kinds[protocol.KindJournal] != 0 {
		t.Errorf("%v", kinds)
	}
}

// TestLearningAnewKeepsTheBaseline: until the next one is accepted the old baseline is in force, also
// when the worker restarts before the first reading.
func TestLearningAnewKeepsTheBaseline(t *testing.T) {
	b := setup(t)
	b.note(protocol.BaselineLearn, "", "")
	series := b.send(b.reading(monday)).Series
	b.note(protocol.BaselineAccept, "", "")
	b.note(protocol.BaselineLearn, series, "")
	b.stop()
	b.start()
	if v := b.send(b.reading(monday.Add(time.Hour))).Verdict; v.Baseline.Count != 1 {
		t.Errorf("the baseline is forgotten: %+v", v.Baseline)
	}
}

// TestANotesTextIsOneLine: what a person writes cannot pass for lines of the history, nor turn them
// around.
func TestANotesTextIsOneLine(t *testing.T) {
	b := setup(t)
	n := &protocol.Note{Schema: protocol.SchemaNote, ID: uuid.NewString(), At: b.clock.now, Site: "quay", Printer: "heron", Who: "mo",
		Text: "all well\n2026-03-02 07:00  quay/heron  reading  stop\u202e", Journal: &protocol.JournalNote{What: protocol.DidNote}}
	data, err := protocol.Encode(n)
	if err != nil {
		t.Fatal(err)
	}
	rec := b.put(protocol.NoteSubject("quay", "heron"), data, "")
	if rec.Text != "heron: journal: note: all well 2026-03-02 07:00 quay/heron reading stop (mo)" || rec.Note.Text != n.Text {
		t.Errorf("%q, kept as %q", rec.Text, rec.Note.Text)
	}
}
