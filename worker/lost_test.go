package worker_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/doctor"
	"swathkeeper/worker/health"
)

// A worker whose records are gone from a damaged store says so: at its start, in its report, and the
// doctor does; one that is new, or whole, does not.
func TestLostRecordsAreSaid(t *testing.T) {
	b := setupWith(t, nil)
	lost := func() bool {
		t.Helper()
		return slices.ContainsFunc(b.w.Report(t.Context()).Checks, func(c health.Check) bool {
			return c.Name == "lost" && !c.OK && strings.Contains(c.Text, protocol.StreamRecord)
		})
	}
	asked := func() bool {
		t.Helper()
		return slices.ContainsFunc(doctor.Bus(t.Context(), b.w.JetStream(), true), func(f doctor.Finding) bool {
			return f.Verdict == doctor.Fault && strings.Contains(f.Text, protocol.StreamRecord+" empty")
		})
	}
	for i := range 3 {
		b.send(b.reading(monday.Add(time.Duration(i) * time.Minute)))
	}
	b.stop()
	b.start()
	if lost() || asked() {
		t.Error("a whole store is said to have lost its records")
	}
	b.stop()
	blocks, err := filepath.Glob(filepath.Join(b.dir, "bus", "jetstream", "*", "streams", protocol.StreamRecord, "msgs", "*"))
	if err != nil || len(blocks) == 0 {
		t.Fatalf("%v %v", blocks, err)
	}
	for _, f := range blocks {
		if err := os.Remove(f); err != nil {
			t.Fatal(err)
		}
	}
	b.start()
	if !lost() {
		t.Errorf("the report says nothing: %+v", b.w.Report(t.Context()))
	}
	if !asked() {
		t.Errorf("the doctor says nothing: %+v", doctor.Bus(t.Context(), b.w.JetStream(), true))
	}
}
