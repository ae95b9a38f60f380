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

// herald is a log that says when a line with a word has come.
type herald struct {
	word string
	came chan string
}

func (l *herald) Write(p []byte) (int, error) {
	if strings.Contains(string(p), l.word) {
		select {
		case l.came <- string(p):
		default:
		}
	}
	return len(p), nil
}

// TestOwnStreamsAreWatched changes a stream of a worker's own bus under it, as its administrator may: it says
// so, and is not ready until the stream is as it must be.
func TestOwnStreamsAreWatched(t *testing.T) {
	t.Parallel()
	remark := &herald{word: "SWK_INBOX denies purging", came: make(chan string, 1)}
	dir := t.TempDir()
	for range 2 { // what is remarked on is said at the next start
		log := &herald{word: "remove its max age", came: make(chan string, 1)}
		w, err := worker.New(worker.Options{DataDir: dir, NoSync: true, Log: zerolog.New(zerolog.MultiLevelWriter(log, remark))})
		if err != nil {
			t.Fatal(err)
		}
		w.HurryWatch(20 * time.Millisecond)
		if err := w.Start(t.Context()); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = w.Stop(context.Background()) })
		change := func(age time.Duration) {
			t.Helper()
			for _, name := range []string{protocol.StreamInbox, protocol.StreamRecord} {
				s, err := w.JetStream().Stream(t.Context(), name)
				if err != nil {
					t.Fatal(err)
				}
				c := s.CachedInfo().Config
				c.MaxAge, c.DenyPurge = age, name == protocol.StreamInbox
				if _, err := w.JetStream().UpdateStream(t.Context(), c); err != nil {
					t.Fatal(err)
				}
			}
		}
		change(1000 * time.Hour)
		select {
		case <-log.came:
		case <-time.After(time.Minute):
			t.Fatal("the worker does not say that its streams would forget")
		}
		if r := w.Report(t.Context()); r.Ready {
			t.Errorf("it is ready all the same: %+v", r.Checks)
		}
		change(0)
		if err := w.Stop(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	select {
	case <-remark.came:
	case <-time.After(time.Minute):
		t.Error("the worker does not remark on a stream that denies purging")
	}
}
