package history_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/bus/bustest"
	"swathkeeper/worker/history"
)

// publish stores n records of three printers: made of the examples, with other ids and times.
func publish(t *testing.T, js jetstream.JetStream, n int, seed uint64) {
	t.Helper()
	names := []string{"record-verdict.json", "record-journal.json", "record-alert.json", "record-baseline.json", "record-refusal.json"}
	r := rand.New(rand.NewPCG(seed, 1))
	for i := range n {
		rec := *example(t, names[r.IntN(len(names))])
		rec.ID, rec.Printer = uuid.NewString(), []string{"heron", "plover", "dunlin"}[r.IntN(3)]
		rec.At = rec.At.Add(time.Duration(i) * time.Minute)
		if v := rec.Verdict; v != nil {
			w := *v
			w.Reading, w.At = uuid.NewString(), rec.At
			rec.Verdict = &w
			if r.IntN(4) == 0 {
				rec.Kind = protocol.KindAlert // as a verdict that raised one is filed
			}
		}
		data, err := protocol.Encode(&rec)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := js.Publish(t.Context(), protocol.RecordSubject(rec.Site, rec.Printer, rec.Kind, rec.Series), data); err != nil {
			t.Fatal(err)
		}
	}
}

// queries asks in every way that a command can.
func queries(t *testing.T) []history.Query {
	at := example(t, "record-verdict.json").At
	out := []history.Query{{}, {Printer: "heron"}, {Site: "quay", Printer: "plover", Last: 7}, {Last: 5}, {Site: "nowhere"},
		{Since: at.Add(time.Hour)}, {Until: at.Add(time.Hour)}, {Since: at.Add(time.Hour), Until: at.Add(2 * time.Hour), Printer: "dunlin"},
		{Changes: true}, {Channel: "C"}, {Series: example(t, "record-verdict.json").Series}}
	for _, k := range []string{protocol.KindVerdict, protocol.KindAlert, protocol.KindRefusal, protocol.KindJournal, protocol.KindBaseline} {
		out = append(out, history.Query{Kind: k})
	}
	for _, l := range []string{protocol.LevelNote, protocol.LevelAct, protocol.LevelStop} {
		out = append(out, history.Query{Level: l}, history.Query{Level: l, Channel: "C", Advice: protocol.AdviceClean})
	}
	return out
}

// same compares what rows and records say to every query.
func same(t *testing.T, js jetstream.JetStream, when string) {
	t.Helper()
	for _, q := range queries(t) {
		var rows, records []history.Row
		if err := history.ReadRows(t.Context(), js, q, func(r history.Row) error { rows = append(rows, r); return nil }); err != nil {
			t.Fatalf("%s: %+v: %v", when, q, err)
		}
		// The reference reads every record and sifts by hand, so that no row is used.
		all := q
		all.Printer, all.Last = "", 0
		var ids []string
		err := history.Read(t.Context(), js, all, func(e history.Entry) error {
			if q.Printer == "" || e.Record.Printer == q.Printer {
				records, ids = append(records, history.RowOf(e.Record)), append(ids, e.Record.ID)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if q.Last > 0 {
			records, ids = records[max(0, len(records)-q.Last):], ids[max(0, len(ids)-q.Last):]
		}
		var full []string
		if err := history.Read(t.Context(), js, q, func(e history.Entry) error { full = append(full, e.Record.ID); return nil }); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(full, ids) {
			t.Errorf("%s: %+v: whole records %v, want %v", when, q, full, ids)
		}
		if len(rows) != len(records) {
			t.Errorf("%s: %+v: %d rows, %d records", when, q, len(rows), len(records))
			continue
		}
		for i := range rows {
			if !rows[i].At.Equal(records[i].At) {
				t.Errorf("%s: %+v: row %d at %s, record at %s", when, q, i, rows[i].At, records[i].At)
			}
			rows[i].At = records[i].At
			if !reflect.DeepEqual(rows[i], records[i]) {
				t.Errorf("%s: %+v: row %d\n%+v, record\n%+v", when, q, i, rows[i], records[i])
			}
		}
	}
}

// once checks that every record has one row, in order. It gives how many rows there are.
func once(t *testing.T, js jetstream.JetStream) int {
	t.Helper()
	s, err := js.Stream(t.Context(), protocol.StreamRows)
	if err != nil {
		t.Fatal(err)
	}
	st := s.CachedInfo().State
	var last uint64
	for seq := st.FirstSeq; seq <= st.LastSeq && st.Msgs > 0; seq++ {
		m, err := s.GetMsg(t.Context(), seq)
		if err != nil {
			t.Fatal(err)
		}
		var row struct {
			Seq uint64 `json:"seq"`
		}
		if err := json.Unmarshal(m.Data, &row); err != nil {
			t.Fatal(err)
		}
		if row.Seq <= last {
			t.Errorf("row %d is of record %d, the one before of %d", seq, row.Seq, last)
		}
		last = row.Seq
	}
	return int(st.Msgs)
}

func catchUp(t *testing.T, js jetstream.JetStream) {
	t.Helper()
	if err := history.NewClerk(js, zerolog.Nop()).CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// Rows say what records say, whatever part of them is there: none (an old folder), all, all but the
// newest (a crash), all but the oldest (pruned), and those of another store.
func TestRowsSayWhatRecordsSay(t *testing.T) {
	js := bustest.Store(t, t.TempDir())
	publish(t, js, 60, 1)
	// Something that is no record must neither hide records nor get a row.
	if _, err := js.Publish(t.Context(), protocol.RecordSubject("quay", "heron", protocol.KindVerdict, "x"), []byte("no record")); err != nil {
		t.Fatal(err)
	}
	same(t, js, "no rows")
	catchUp(t, js)
	same(t, js, "all rows")
	publish(t, js, 20, 2)
	same(t, js, "some newer records")
	catchUp(t, js)
	if n := once(t, js); n != 80 {
		t.Errorf("%d rows of 80 records", n)
	}
	rows, err := js.Stream(t.Context(), protocol.StreamRows)
	if err != nil {
		t.Fatal(err)
	}
	if err := rows.Purge(t.Context(), jetstream.WithPurgeSequence(15)); err != nil {
		t.Fatal(err)
	}
	same(t, js, "without the oldest rows")
	// The tail is lost, as on a power cut.
	for seq := uint64(71); seq <= 80; seq++ {
		if err := rows.DeleteMsg(t.Context(), seq); err != nil {
			t.Fatal(err)
		}
	}
	same(t, js, "without the newest rows")
	catchUp(t, js)
	same(t, js, "with them again")
	if err := js.DeleteStream(t.Context(), protocol.StreamRecord); err != nil {
		t.Fatal(err)
	}
	if err := bus.Provision(t.Context(), js, bus.DefaultLimits()); err != nil {
		t.Fatal(err)
	}
	publish(t, js, 30, 3)
	same(t, js, "rows of another store")
	catchUp(t, js)
	same(t, js, "their place taken")
	defer func() {
		// A bus that was set up before there were rows.
		if err := js.DeleteStream(t.Context(), protocol.StreamRows); err != nil {
			t.Fatal(err)
		}
		same(t, js, "no stream of rows")
		if err := history.NewClerk(js, zerolog.Nop()).CatchUp(t.Context()); err == nil || !strings.Contains(err.Error(), "swathkeeper init") {
			t.Errorf("no stream of rows: %v", err)
		}
	}()
	if n := once(t, js); n != 30 {
		t.Errorf("%d rows of 30 records", n)
	}
}

// Several clerks at once, told of some records and not of others, write every row once.
func TestClerksWriteEveryRowOnce(t *testing.T) {
	js := bustest.Store(t, t.TempDir())
	publish(t, js, 40, 1)
	var wg sync.WaitGroup
	for range 3 {
		wg.Go(func() {
			for {
				if err := history.NewClerk(js, zerolog.Nop()).CatchUp(t.Context()); err == nil {
					return
				}
			}
		})
	}
	publish(t, js, 40, 2)
	wg.Wait()
	catchUp(t, js)
	if n := once(t, js); n != 80 {
		t.Errorf("%d rows of 80 records", n)
	}
	same(t, js, "three clerks")
}

// A record can be found by the beginning of its own id and of its reading's, with rows and without.
func TestFind(t *testing.T) {
	js := bustest.Store(t, t.TempDir())
	publish(t, js, 20, 1)
	var all []history.Entry
	if err := history.Read(t.Context(), js, history.Query{}, func(e history.Entry) error { all = append(all, e); return nil }); err != nil {
		t.Fatal(err)
	}
	for _, when := range []string{"no rows", "rows"} {
		for _, e := range all {
			ids := []string{e.Record.ID, e.Record.ID[:8]}
			if e.Record.Verdict != nil {
				ids = append(ids, e.Record.Verdict.Reading[:10])
			}
			for _, id := range ids {
				got, err := history.Find(t.Context(), js, id, history.Query{})
				if err != nil || len(got) != 1 || got[0].Seq != e.Seq {
					t.Errorf("%s: %s: %d found, %v", when, id, len(got), err)
				}
			}
		}
		got, err := history.Find(t.Context(), js, "00000000-0000", history.Query{})
		if err != nil || len(got) != 0 {
			t.Errorf("%s: %d found, %v", when, len(got), err)
		}
		catchUp(t, js)
	}
	for s, want := range map[string]bool{"84f959": true, "84f95": false, "84F959ED": true, "84f959ed-": true, "84f959ed-1": true, "heron": false, "84f959e-": false, fmt.Sprint(uuid.New()): true} {
		if history.IsIDPrefix(s) != want {
			t.Errorf("%q: %v", s, !want)
		}
	}
}

// The last few are found from the end, in steps that grow; what is found is what reading everything
// finds, with and without its whole records.
func TestTheLastFew(t *testing.T) {
	js := bustest.Store(t, t.TempDir())
	publish(t, js, 1300, 4) // more than one step
	catchUp(t, js)
	publish(t, js, 3, 5) // and some that have no row yet
	for _, q := range []history.Query{
		{Last: 1}, {Last: 5}, {Last: 900}, {Last: 2000}, {Last: 5000}, {Last: 3, Printer: "heron"}, {Last: 700, Printer: "heron"}, {Last: 4, Level: protocol.LevelStop},
		{Last: 2, Kind: protocol.KindJournal}, {Last: 500, Kind: protocol.KindBaseline}, {Last: 6, Site: "nowhere"}, {Last: 7, Until: example(t, "record-verdict.json").At.Add(time.Hour)},
		{Last: 40, Since: example(t, "record-verdict.json").At.Add(40 * time.Hour)},
	} {
		all := q
		all.Last = 0
		var want, rows, records []string
		for _, err := range []error{
			history.ReadRows(t.Context(), js, all, func(r history.Row) error { want = append(want, r.ID); return nil }),
			history.ReadRows(t.Context(), js, q, func(r history.Row) error { rows = append(rows, r.ID); return nil }),
			history.Read(t.Context(), js, q, func(e history.Entry) error { records = append(records, e.Record.ID); return nil }),
		} {
			if err != nil {
				t.Fatalf("%+v: %v", q, err)
			}
		}
		want = want[max(0, len(want)-q.Last):]
		if !slices.Equal(rows, want) || !slices.Equal(records, want) {
			t.Errorf("%+v: %d rows and %d records, want %d: %.80v, %.80v, %.80v", q, len(rows), len(records), len(want), rows, records, want)
		}
	}
}
