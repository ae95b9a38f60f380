package worker_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/station"
)

// stalling starts a worker that looks often whether inputs are taken, and lets it ask for no more.
func stalling(t *testing.T, helps bool) (w *worker.Worker, records chan *protocol.Record, log *lines) {
	t.Helper()
	log, records = &lines{}, make(chan *protocol.Record, 16)
	w, err := worker.New(worker.Options{DataDir: t.TempDir(), NoSync: true, Log: zerolog.New(log), OnRecord: func(r *protocol.Record) { records <- r }})
	if err != nil {
		t.Fatal(err)
	}
	w.HurryStalls(20*time.Millisecond, 100*time.Millisecond, helps)
	if err := w.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = w.Stop(context.Background()) })
	send(t, w)
	one(t, records)
	w.Stall()
	send(t, w)
	return w, records, log
}

func send(t *testing.T, w *worker.Worker) {
	t.Helper()
	n := &protocol.Note{Schema: protocol.SchemaNote, ID: protocol.DerivedID(t.Name(), time.Now().String()), At: time.Now(), Site: "quay", Printer: "heron", Text: "made up", Journal: &protocol.JournalNote{What: protocol.DidNote}}
	if _, err := station.PublishNote(t.Context(), w.JetStream(), n); err != nil {
		t.Fatal(err)
	}
}

func one(t *testing.T, records <-chan *protocol.Record) {
	t.Helper()
	select {
	case <-records:
	case <-time.After(time.Minute):
		t.Fatal("an input has no record")
	}
}

// TestStalledJudgeIsStartedAnew sends to a worker that has ceased to ask for inputs.
func TestStalledJudgeIsStartedAnew(t *testing.T) {
	t.Parallel()
	w, records, log := stalling(t, true)
	one(t, records)
	send(t, w) // and goes on
	one(t, records)
	if err := w.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(log.text(), "taking them anew") {
		t.Errorf("the worker's log:\n%s", log.text())
	}
}

// TestStalledJudgeEndsTheWorker: where taking inputs anew does not help the worker ends with an error, so
// that it is started again.
func TestStalledJudgeEndsTheWorker(t *testing.T) {
	t.Parallel()
	w, _, _ := stalling(t, false)
	limited, cancel := context.WithTimeoutCause(t.Context(), time.Minute, errors.New("it waits for ever"))
	defer cancel()
	err := w.Wait(limited)
	if err == nil || !strings.Contains(err.Error(), "1 input waits at judge and none is delivered") {
		t.Errorf("the worker ended with %v, %v", err, context.Cause(limited))
	}
}
