package bus_test

import (
	"context"
	"encoding/json"
	"os"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// BenchmarkCommit stores records of some 9 KB under the guard of the printer's newest one, on an
// embedded bus. The folder lies beside this file: a temporary one may be in memory, where waiting
// for the disk costs nothing.
func BenchmarkCommit(b *testing.B) {
	for _, c := range []struct {
		name string
		sync bool
	}{{"sync-always", true}, {"not-sync", false}} {
		b.Run(c.name, func(b *testing.B) {
			dir, err := os.MkdirTemp(".", ".bench-")
			if err != nil {
				b.Fatal(err)
			}
			b.Cleanup(func() { _ = os.RemoveAll(dir) })
			ctx := context.Background()
			limits := bus.DefaultLimits()
			e, err := bus.StartEmbedded(ctx, bus.EmbeddedOptions{Dir: dir, SyncAlways: c.sync, MaxStore: limits.Total(), Log: zerolog.Nop()})
			if err != nil {
				b.Fatal(err)
			}
			b.Cleanup(e.Stop)
			nc, js, err := bus.Connect(ctx, bus.ConnectOptions{Embedded: e, Log: zerolog.Nop()})
			if err != nil {
				b.Fatal(err)
			}
			b.Cleanup(nc.Close)
			if err := bus.Provision(ctx, js, limits); err != nil {
				b.Fatal(err)
			}
			records, err := bus.OpenRecords(ctx, js)
			if err != nil {
				b.Fatal(err)
			}
			rec := &protocol.Record{Schema: protocol.SchemaRecord, Kind: protocol.KindJournal, Series: protocol.NoSeries, Site: "quay", Printer: "heron",
				Text: strings.Repeat("x", 9000)}
			var last uint64
			b.ReportAllocs()
			for b.Loop() {
				rec.ID = uuid.NewString()
				data, err := json.Marshal(rec)
				if err != nil {
					b.Fatal(err)
				}
				if last, err = records.Commit(ctx, rec, data, last); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
