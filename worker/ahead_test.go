package worker_test

import (
	"encoding/json"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// message is an input as it is published.
type message struct {
	subject string
	data    []byte
}

// mixedInputs are readings of three printers, each with a little noise and some with a weak ink or
// lines on its strips, and among them notes, refusals, a reading sent twice and late ones.
func mixedInputs(b *bench, n int) []message {
	rng := rand.New(rand.NewPCG(7, 3))
	var out []message
	put := func(subject string, v any) {
		data, err := json.Marshal(v)
		if err != nil {
			b.t.Fatal(err)
		}
		out = append(out, message{subject, data})
	}
	note := func(printer, do, reason string) {
		put(protocol.NoteSubject("quay", printer), &protocol.Note{
			Schema: protocol.SchemaNote, ID: uuid.Must(uuid.NewV7()).String(), At: monday, Site: "quay", Printer: printer,
			Baseline: &protocol.BaselineNote{Do: do, Reason: reason},
		})
	}
	printers := []string{"heron", "plover", "dunlin"}
	for _, p := range printers {
		note(p, protocol.BaselineLearn, "")
	}
	for i := range n {
		p := printers[rng.IntN(len(printers))]
		at := monday.Add(time.Duration(i) * time.Minute)
		if i%17 == 11 {
			at = at.Add(-time.Hour) // late
		}
		r := b.reading(at)
		r.Printer, r.Edition = p, b.chart.Edition
		weak := 0.0
		if i > n*2/5 && p == "plover" {
			weak = 20
		}
		for k := range r.Patches.Lab {
			cyan := b.chart.Patches[k].Device[0] / 100
			r.Patches.Lab[k][0] += 0.1*rng.NormFloat64() + weak*cyan
			r.Patches.Lab[k][1] += 0.1*rng.NormFloat64() + weak*cyan
			r.Patches.Lab[k][2] += 0.1 * rng.NormFloat64()
		}
		strip := protocol.Trace{Strip: "C-left", Channel: "C", TintPercent: 50, StartMM: 20, PitchUM: 84.667, Unit: protocol.UnitDensity}
		samples := make([]float64, 300)
		for k := range samples {
			samples[k] = 0.6 + 0.01*rng.NormFloat64()
			if i%13 == 5 && k%75 < 2 {
				samples[k] -= 0.15
			}
		}
		strip.F32 = protocol.PackF32(samples)
		if i%4 == 1 { // looking for lines takes long under the race detector
			r.Traces = []protocol.Trace{strip}
		}
		put(protocol.ReadingSubject("quay", p), r)
		switch {
		case i%19 == 7:
			put(protocol.ReadingSubject("quay", p), r) // the same once more
		case i%23 == 9:
			out = append(out, message{protocol.ReadingSubject("quay", p), []byte(`{"schema":"swathkeeper.reading/1"`)})
		case i == n/3:
			for _, p := range printers {
				note(p, protocol.BaselineAccept, "")
			}
		case i == n*9/10:
			note("plover", protocol.BaselineRetire, "another ink")
		}
	}
	return out
}

// told is what of a record must not depend on how it came about.
func told(t *testing.T, r *protocol.Record) string {
	t.Helper()
	v := *r
	v.Inbox, v.PrinterState = time.Time{}, nil
	if v.Refusal != nil { // its id is made of the inbox's own time
		short := *v.Refusal
		short.Payload = nil
		v.ID, v.Refusal = "", &short
	}
	var state map[string]any
	if err := json.Unmarshal(r.PrinterState, &state); err != nil {
		t.Fatal(err)
	}
	delete(state, "inbox")
	delete(state, "inbox_at")
	data, err := json.Marshal(map[string]any{"record": v, "state": state})
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// What waits in the inbox is read and decided ahead; the records must be the same, to the letter, as
// those of inputs that come one by one. Neither a record that somebody else slips in between nor an
// inbox that is judged in parts must change that.
func TestDecidedAheadIsTheSame(t *testing.T) {
	one := setup(t)
	one.chart.Edition = "e2"
	one.chart.Strips = []protocol.Strip{{ID: "C-left", Channel: "C", TintPercent: 50}}
	addChart(one)
	inputs := mixedInputs(one, 50)
	want := map[uint64]string{}
	for _, m := range inputs {
		r := one.put(m.subject, m.data, "")
		want[r.InboxSeq] = told(t, r)
	}
	outcomes := map[string]int{}
	for _, r := range one.seen {
		outcomes[r.Kind]++
	}
	if outcomes[protocol.KindAlert] == 0 || outcomes[protocol.KindRefusal] < 4 || outcomes[protocol.KindBaseline] < 5 || outcomes[protocol.KindVerdict] < 30 {
		t.Fatalf("the inputs are not mixed enough: %v", outcomes)
	}

	for _, c := range []struct {
		name   string
		meddle bool
		parts  int
	}{{"whole", false, 1}, {"meddled with", true, 1}, {"in parts", false, 3}} {
		t.Run(c.name, func(t *testing.T) {
			many := setup(t)
			many.chart, many.change = one.chart, inParts(c.parts)
			addChart(many)
			many.stop()
			many.start() // divides the inbox
			many.stop()
			fill(many, inputs)
			n := 0
			many.onRecord = func(r *protocol.Record) {
				many.w.AwaitReadAhead()
				if n++; !c.meddle || n%9 != 4 {
					return
				}
				// Not a record, but it takes the place of the printer's newest message.
				if _, err := many.w.JetStream().Publish(t.Context(), protocol.RecordSubject(r.Site, r.Printer, protocol.KindJournal, ""), []byte("{}")); err != nil {
					t.Error(err)
				}
			}
			many.start()
			for i := range inputs {
				seq := uint64(i + 1)
				if got := told(t, many.wait(seq)); got != want[seq] {
					at := 0
					for at < min(len(got), len(want[seq])) && got[at] == want[seq][at] {
						at++
					}
					from := max(0, at-200)
					t.Fatalf("input %d, %s, byte %d:\nahead      %s\none by one %s", seq, inputs[i].subject, at, got[from:min(len(got), at+200)], want[seq][from:min(len(want[seq]), at+200)])
				}
			}
			// All but notes and what follows some of them: whoever reads ahead is waited for.
			if ahead := many.w.DecidedAhead(); c.parts == 1 && ahead < uint64(len(inputs)*3/4) {
				t.Errorf("only %d of %d inputs were decided ahead", ahead, len(inputs))
			}
			orderly(t, many, len(inputs))
			partsPinned(t, many, c.parts)
		})
	}
}

// partsPinned wants the inbox in as many parts, and more than one of them judged if there are several.
func partsPinned(t *testing.T, b *bench, parts int) {
	t.Helper()
	d, err := bus.ReadDivision(t.Context(), b.w.JetStream())
	if err != nil {
		t.Fatal(err)
	}
	queues, err := d.Queues(t.Context(), b.w.JetStream())
	if err != nil {
		t.Fatal(err)
	}
	judged := 0
	for _, q := range queues {
		if q.Pinned != "" {
			judged++
		}
	}
	if d.Count() != parts || judged < min(2, parts) {
		t.Errorf("%d parts, of which %d are judged; want %d parts", d.Count(), judged, parts)
	}
}

func addChart(b *bench) {
	b.t.Helper()
	stores, err := bus.OpenStores(b.t.Context(), b.w.JetStream())
	if err != nil {
		b.t.Fatal(err)
	}
	defer stores.Close()
	if err := stores.PutChart(b.t.Context(), b.chart); err != nil {
		b.t.Fatal(err)
	}
}

// fill puts inputs into the inbox of a worker that is stopped.
func fill(b *bench, inputs []message) {
	b.t.Helper()
	_, js, done := openFolder(b)
	defer done()
	for _, m := range inputs {
		if _, err := js.Publish(b.t.Context(), m.subject, m.data, jetstream.WithExpectStream(protocol.StreamInbox)); err != nil {
			b.t.Fatal(err)
		}
	}
}

// openFolder opens the bus of a worker that is stopped.
func openFolder(b *bench) (*nats.Conn, jetstream.JetStream, func()) {
	b.t.Helper()
	e, err := bus.StartEmbedded(b.t.Context(), bus.EmbeddedOptions{Dir: b.dir, MaxStore: bus.DefaultLimits().Total(), Log: zerolog.Nop()})
	if err != nil {
		b.t.Fatal(err)
	}
	nc, js, err := bus.Connect(b.t.Context(), bus.ConnectOptions{Embedded: e, Log: zerolog.Nop()})
	if err != nil {
		e.Stop()
		b.t.Fatal(err)
	}
	return nc, js, func() { nc.Close(); e.Stop() }
}
