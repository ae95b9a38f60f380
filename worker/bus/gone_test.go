package bus_test

import (
	"slices"
	"testing"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/bus/bustest"
)

// Stores that were emptied are told by those that hold what cannot be without them.
func TestEmptiedStores(t *testing.T) {
	js := bustest.Store(t, t.TempDir())
	const charts, active, baselines = "KV_" + protocol.BucketCharts, "KV_" + protocol.BucketActive, "OBJ_" + protocol.BucketBaselines
	const zone = "zone" // which the worker notes beside the baselines in force
	subject := map[string]string{
		charts: "$KV." + protocol.BucketCharts + ".c", active: "$KV." + protocol.BucketActive + ".quay.heron.0123456789ab", baselines: "$O." + protocol.BucketBaselines + ".M.b",
		protocol.StreamRecord: protocol.RecordSubject("quay", "heron", protocol.KindJournal, protocol.NoSeries),
	}
	for _, c := range []struct{ hold, want []string }{
		{},
		{hold: []string{charts}},
		{hold: []string{charts, baselines, active, protocol.StreamRecord}},
		{hold: []string{baselines, active, protocol.StreamRecord}, want: []string{charts}},
		{hold: []string{charts, active, protocol.StreamRecord}, want: []string{baselines}},
		{hold: []string{charts, baselines, protocol.StreamRecord}, want: []string{active}},
		{hold: []string{zone}},
		{hold: []string{zone, charts, protocol.StreamRecord}},
		{hold: []string{zone, charts, active, protocol.StreamRecord}, want: []string{baselines}},
	} {
		for name, s := range subject {
			st, err := js.Stream(t.Context(), name)
			if err != nil {
				t.Fatal(err)
			}
			if err := st.Purge(t.Context()); err != nil {
				t.Fatal(err)
			}
			if name == active && slices.Contains(c.hold, zone) {
				if _, err := bus.TellZone(t.Context(), js, time.UTC); err != nil {
					t.Fatal(err)
				}
			}
			if slices.Contains(c.hold, name) {
				if _, err := js.Publish(t.Context(), s, []byte("x")); err != nil {
					t.Fatal(err)
				}
			}
		}
		gone, err := bus.FindGone(t.Context(), js)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		if gone != nil {
			got = gone.Emptied
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("with messages in %v: emptied %v, want %v", c.hold, got, c.want)
		}
	}
}
