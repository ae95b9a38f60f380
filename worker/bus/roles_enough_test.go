package bus_test

import (
	"bytes"
	"context"
	"io"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/chat"
	"swathkeeper/worker/detail"
	"swathkeeper/worker/doctor"
	"swathkeeper/worker/handclock"
	"swathkeeper/worker/history"
	"swathkeeper/worker/station"
)

// A worker's credentials are enough to judge on a bus outside its process, and a viewer's to read
// what it recorded, without a denial on the way.
func TestWorkerAndViewer(t *testing.T) {
	t.Parallel()
	s := openShop(t, "127.0.0.1:0", nil)
	judge := grant(t, s.dir, bus.Grant{Name: "judge-1", Role: bus.RoleWorker})
	office := grant(t, s.dir, bus.Grant{Name: "office", Role: bus.RoleViewer})
	records := make(chan *protocol.Record, 8)
	w, err := worker.New(worker.Options{
		Bus: bus.ConnectOptions{URL: s.bus.Endpoint.Address, NKey: judge}, Log: zerolog.Nop(),
		Chat:     chat.Options{Targets: []chat.Target{{Name: "bench", URL: "console:"}}, Console: io.Discard},
		OnRecord: func(r *protocol.Record) { records <- r },
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	stop := sync.OnceFunc(func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		if err := w.Stop(ctx); err != nil {
			t.Error(err)
		}
	})
	defer stop()
	stores, err := bus.OpenStores(t.Context(), s.js)
	if err != nil {
		t.Fatal(err)
	}
	defer stores.Close()
	chart := &protocol.Chart{Schema: protocol.SchemaChart, ID: "pennant-cmyk", Channels: []string{"C", "M", "Y", "K"}, Driven: protocol.DrivenInk,
		Patches: []protocol.Patch{{ID: "A1", Device: []float64{0, 0, 0, 0}}}}
	if err := stores.PutChart(t.Context(), chart); err != nil {
		t.Fatal(err)
	}
	r := reading("heron")
	data, err := station.Pack(r)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := station.Publish(t.Context(), s.js, r, data); err != nil {
		t.Fatal(err)
	}
	select {
	case got := <-records:
		if got.Verdict == nil {
			t.Errorf("no verdict: %s", got.Text)
		}
	case <-time.After(time.Minute):
		t.Fatal("no record")
	}
	// What a worker keeps besides records.
	_, wjs, err := s.enter(t, judge, nil)
	if err != nil {
		t.Fatal(err)
	}
	kept, err := bus.OpenStores(t.Context(), wjs)
	if err != nil {
		t.Fatal(err)
	}
	defer kept.Close()
	digest, err := kept.PutBaseline(t.Context(), bytes.Repeat([]byte("a baseline "), 50_000))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := kept.Baseline(t.Context(), digest); err != nil {
		t.Error(err)
	}
	if err := kept.SetActive(t.Context(), "quay", "heron", "0123456789ab", []byte("{}")); err != nil {
		t.Error(err)
	}
	vnc, vjs, err := s.enter(t, office, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, ask := range []string{protocol.SubjectStatus, "$SRV.PING", "$SRV.STATS.swathkeeper"} {
		if m, err := vnc.Request(ask, nil, time.Minute); err != nil || !bytes.Contains(m.Data, []byte(`"judge`)) && !bytes.Contains(m.Data, []byte(`"worker"`)) {
			t.Errorf("the viewer asks %s: %v", ask, err)
		}
	}
	n := 0
	if err := history.Read(t.Context(), vjs, history.Query{Printer: "heron"}, func(history.Entry) error { n++; return nil }); err != nil || n != 1 {
		t.Errorf("the viewer reads %d records: %v", n, err)
	}
	// The worker's credentials allow making the rows, and the viewer's reading them. The worker makes them by
	// itself, too, perhaps just now, and who comes second is told so.
	limited, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	err = history.NewClerk(w.JetStream(), zerolog.Nop()).CatchUp(limited)
	for err != nil && strings.Contains(err.Error(), "another worker is writing") {
		err = history.NewClerk(w.JetStream(), zerolog.Nop()).CatchUp(limited)
	}
	if err != nil {
		t.Errorf("the worker makes rows: %v", err)
	}
	for _, q := range []history.Query{{}, {Printer: "heron", Last: 1}, {Kind: protocol.KindVerdict}, {Since: time.Now().AddDate(-20, 0, 0)}} {
		n = 0
		if err := history.ReadRows(t.Context(), vjs, q, func(history.Row) error { n++; return nil }); err != nil || n != 1 {
			t.Errorf("the viewer reads %d rows of %+v: %v", n, q, err)
		}
		n = 0
		if err := history.Read(t.Context(), vjs, q, func(history.Entry) error { n++; return nil }); err != nil || n != 1 {
			t.Errorf("the viewer reads %d records of %+v: %v", n, q, err)
		}
	}
	if l, err := history.Printers(t.Context(), vjs, "", ""); err != nil || len(l) != 1 {
		t.Errorf("the viewer lists %d printers: %v", len(l), err)
	}
	if _, _, err := station.Publish(t.Context(), s.js, r, data); err != nil {
		t.Fatal(err)
	}
	vstores, err := bus.OpenStores(t.Context(), vjs)
	if err != nil {
		t.Fatal(err)
	}
	defer vstores.Close()
	if _, err := vstores.Baseline(t.Context(), digest); err != nil {
		t.Errorf("the viewer reads a baseline: %v", err)
	}
	if c, err := vstores.Charts(t.Context()); err != nil || len(c) != 1 {
		t.Errorf("the viewer reads %d layouts: %v", len(c), err)
	}
	// A chart is drawn from the reading behind its verdict.
	if got, err := detail.Reading(t.Context(), vjs, &protocol.Verdict{Reading: r.ID, ReadingSeq: 1}); err != nil || got == nil || got.ID != r.ID {
		t.Errorf("the viewer reads a reading: %v, %v", got, err)
	}
	if f := doctor.Damage(t.Context(), vjs); doctor.Worst(f) != doctor.Fine {
		t.Errorf("the viewer looks for damage: %+v", f)
	}
	stop()
	s.log.mu.Lock()
	defer s.log.mu.Unlock()
	for _, l := range s.log.lines {
		if l["message"] == "denied" {
			t.Errorf("denied: %v", l)
		}
	}
}

func TestServerConfigParses(t *testing.T) {
	t.Parallel()
	for _, role := range bus.Roles() {
		g := bus.Grant{Name: "one", Role: role}
		if role == bus.RoleStation {
			g.Site, g.Printers = "quay", []string{"heron"}
		}
		var err error
		if g.Key, _, err = bus.NewKey(); err != nil {
			t.Fatal(err)
		}
		checkServerConfig(t, bus.ServerAccounts([]bus.Grant{g}), g.Permissions())
	}
}

// told gives what is written to it, one write at a time.
type told chan string

func (w told) Write(b []byte) (int, error) { w <- string(b); return len(b), nil }

// A worker's credentials are enough for all that chat does: telling, holding back over night, telling
// in the morning what is still open, and the digest.
func TestWorkerTellsThroughTheNight(t *testing.T) {
	t.Parallel()
	s := openShop(t, "127.0.0.1:0", nil)
	_, js, err := s.enter(t, grant(t, s.dir, bus.Grant{Name: "judge-1", Role: bus.RoleWorker}), nil)
	if err != nil {
		t.Fatal(err)
	}
	night := time.Date(2026, 3, 4, 23, 0, 0, 0, time.UTC)
	clock := handclock.New(night)
	out := make(told, 8)
	c, err := chat.New(js, chat.Options{
		Clock: clock, Zone: time.UTC, Console: out, Log: zerolog.Nop(),
		Targets: []chat.Target{{Name: "bench", URL: "console:", Quiet: "21:00-06:00", Digest: "07:30"}},
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	defer func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		if err := c.Stop(ctx); err != nil {
			t.Error(err)
		}
	}()
	kv, err := s.js.KeyValue(t.Context(), protocol.BucketSent)
	if err != nil {
		t.Fatal(err)
	}
	held, err := kv.Watch(t.Context(), "bench.quiet.*")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = held.Stop() }()
	change := protocol.Change{Key: "quay/heron/clean_head/C", Advice: protocol.AdviceClean, Channel: "C", Level: protocol.LevelAct,
		Change: protocol.ChangeRaised, Reason: "confirmed", Since: night, Why: "light lines"}
	rec := &protocol.Record{
		Schema: protocol.SchemaRecord, ID: "0198c5a4-7b1e-7c3a-9f0e-2a6d1c4b8e21", Kind: protocol.KindAlert, At: night, Site: "quay", Printer: "heron", Series: "-",
		Text: "x", Changes: []protocol.Change{change}, Open: []protocol.Alert{{Key: change.Key, Advice: change.Advice, Channel: "C", Level: change.Level, Since: night}},
	}
	data, err := protocol.Encode(rec)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.js.Publish(t.Context(), protocol.RecordSubject("quay", "heron", protocol.KindAlert, "-"), data); err != nil {
		t.Fatal(err)
	}
	limit := time.After(time.Minute)
	for got := false; !got; {
		select {
		case e := <-held.Updates():
			got = e != nil
		case text := <-out:
			t.Fatalf("told at night: %s", text)
		case <-limit:
			t.Fatal("nothing was held back")
		}
	}
	for _, step := range []struct {
		at   time.Time
		want string
	}{{night.Add(7 * time.Hour), "heron (quay): cyan nozzles missing"}, {night.Add(8*time.Hour + 30*time.Minute), "The day to Thu 5 Mar 07:30"}} {
		clock.Set(step.at)
		select {
		case text := <-out:
			if !strings.Contains(text, step.want) {
				t.Errorf("%s, want %s", text, step.want)
			}
		case <-time.After(time.Minute):
			t.Fatalf("not told: %s", step.want)
		}
	}
	for _, line := range s.log.all() {
		if line["message"] == "denied" {
			t.Errorf("denied on the way: %v", line)
		}
	}
}
