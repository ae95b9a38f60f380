package history_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/history"
)

// A viewer, who has no consumers, reads the same records in the same order as the worker's own
// machine, and hears of new ones.
func TestViewerReadsTheSame(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	limits := bus.Limits{Inbox: 16 << 20, Record: 256 << 20, Baselines: 16 << 20, Scans: 16 << 20, Replicas: 1}
	server, err := bus.StartEmbedded(t.Context(), bus.EmbeddedOptions{Dir: dir, Listen: "127.0.0.1:0", MaxStore: limits.Total(), Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Stop)
	admin, js, err := bus.Connect(t.Context(), bus.ConnectOptions{Name: "admin", Embedded: server, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(admin.Close)
	if err := bus.Provision(t.Context(), js, limits); err != nil {
		t.Fatal(err)
	}
	key, seed, err := bus.NewKey()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := bus.PutGrant(t.Context(), dir, bus.Grant{Name: "office", Role: bus.RoleViewer, Key: key}); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "office.nk")
	if err := os.WriteFile(file, seed, 0o600); err != nil {
		t.Fatal(err)
	}
	nc, vjs, err := bus.Connect(t.Context(), bus.ConnectOptions{Name: "office", URL: server.Endpoint.Address, NKey: file, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)

	if got := read(t, vjs, history.Query{}); len(got) != 0 {
		t.Errorf("%d records of none", len(got))
	}
	kinds := map[string]string{"record-verdict": protocol.KindVerdict, "record-alert": protocol.KindAlert, "record-journal": protocol.KindJournal, "record-baseline": protocol.KindBaseline, "record-refusal": protocol.KindRefusal}
	put := func(n int, name, printer string) {
		b, err := os.ReadFile("../../testdata/messages/" + name + ".json")
		if err != nil {
			t.Fatal(err)
		}
		r, err := protocol.DecodeRecord(b)
		if err != nil {
			t.Fatal(err)
		}
		r.Printer, r.At = printer, time.Date(2026, 3, 1, 0, n, 0, 0, time.UTC)
		data, err := protocol.Encode(r)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := js.Publish(t.Context(), protocol.RecordSubject(r.Site, printer, kinds[name], r.Series), data); err != nil {
			t.Fatal(err)
		}
	}
	names := []string{"record-verdict", "record-alert", "record-journal", "record-baseline", "record-refusal"}
	const all = 1400 // more than one answer holds
	for n := range all {
		put(n, names[n%7%5], []string{"heron", "plover", "dunlin"}[n%3])
	}
	if _, err := js.Publish(t.Context(), "swk.record.quay.heron.verdict.-", []byte("no record")); err != nil {
		t.Fatal(err)
	}
	for _, q := range []history.Query{
		{}, {Printer: "heron"}, {Kind: protocol.KindVerdict}, {Kind: protocol.KindJournal, Printer: "plover"}, {Kind: protocol.KindRefusal}, {Last: 7},
		{Last: 3, Kind: protocol.KindBaseline}, {Since: time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)}, {Changes: true, Printer: "dunlin"},
		{Since: time.Now().Add(48 * time.Hour)}, {Printer: "nobody"}, {Level: protocol.LevelStop},
	} {
		want, got := read(t, js, q), read(t, vjs, q)
		if !slices.Equal(got, want) {
			t.Errorf("%+v: %d records, want %d", q, len(got), len(want))
		}
		t.Logf("%+v: %d records", q, len(got))
	}
	if n := len(read(t, vjs, history.Query{})); n != all {
		t.Errorf("%d records, want %d", n, all)
	}

	// New ones, as they come.
	for who, js := range map[string]jetstream.JetStream{"here": js, "the viewer": vjs} {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		seen := make(chan string)
		ended := make(chan error, 1)
		go func() {
			ended <- history.Read(ctx, js, history.Query{Last: 1, Printer: "heron", Follow: true}, func(e history.Entry) error {
				seen <- fmt.Sprint(e.Seq, " ", e.Record.At.Minute())
				return nil
			})
		}()
		<-seen // the last of the past
		start := time.Now()
		for n := range 3 {
			put(n, "record-verdict", "plover")
			put(n+40, "record-verdict", "heron")
			select {
			case <-seen:
			case <-ctx.Done():
				t.Fatalf("%s: no news", who)
			}
		}
		t.Logf("%s: news after %v", who, time.Since(start)/3)
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("%s: %v", who, err)
		}
	}
}

func read(t *testing.T, js jetstream.JetStream, q history.Query) (seqs []uint64) {
	t.Helper()
	if err := history.Read(t.Context(), js, q, func(e history.Entry) error { seqs = append(seqs, e.Seq); return nil }); err != nil {
		t.Fatalf("%+v: %v", q, err)
	}
	return seqs
}
