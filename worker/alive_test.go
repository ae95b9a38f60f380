package worker_test

import (
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/doctor"
	"swathkeeper/worker/health"
)

// awaited is a log that tells when a line with a text has come.
type awaited struct {
	lines
	text string
	come chan struct{}
}

func (a *awaited) Write(p []byte) (int, error) {
	n, err := a.lines.Write(p)
	if strings.Contains(string(p), a.text) {
		select {
		case a.come <- struct{}{}:
		default:
		}
	}
	return n, err
}

func TestSignOfLife(t *testing.T) {
	calls := make(chan string, 1000)
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { calls <- r.Method + " " + r.URL.Path }))
	defer s.Close()
	log := &awaited{text: "no sign of life was given", come: make(chan struct{}, 1)}
	b := &bench{t: t, dir: t.TempDir(), clock: &fixedClock{now: monday}, seen: map[uint64]*protocol.Record{}, chart: tinyChart()}
	b.change = func(o *worker.Options) {
		o.Log, o.Alive, o.AliveEvery = zerolog.New(log), s.URL+"/secret-of-the-shop", 10*time.Millisecond
	}
	b.start()
	for range 3 {
		select {
		case c := <-calls:
			if c != "GET /secret-of-the-shop" {
				t.Fatalf("called: %s", c)
			}
		case <-time.After(time.Minute):
			t.Fatal("no sign of life")
		}
	}
	if err := b.w.JetStream().DeleteStream(t.Context(), "KV_"+protocol.BucketActive); err != nil {
		t.Fatal(err)
	}
	<-log.come
	// Whoever waits for the next call now waits in vain: each comes after a look at the worker, and the
	// report of a worker that is not ready stays.
	for len(calls) > 0 {
		<-calls
	}
	if r := b.w.Report(t.Context()); r.Ready {
		t.Error("ready without a store")
	}
	select {
	case <-calls:
		t.Error("a worker that is not ready gave a sign of life")
	case <-time.After(100 * time.Millisecond): // ten times what is between two calls
	}
	if strings.Contains(log.lines.text(), "secret-of-the-shop") {
		t.Error("the log shows the address")
	}
}

// TestSignOfLifeThatFailsIsShown: a person who looks is told that nobody would miss this worker.
func TestSignOfLifeThatFailsIsShown(t *testing.T) {
	s := httptest.NewServer(http.NotFoundHandler())
	defer s.Close()
	log := &awaited{text: "no sign of life was given", come: make(chan struct{}, 1)}
	b := &bench{t: t, dir: t.TempDir(), clock: &fixedClock{now: monday}, seen: map[uint64]*protocol.Record{}, chart: tinyChart()}
	b.change = func(o *worker.Options) {
		o.Log, o.Alive, o.AliveEvery = zerolog.New(log), s.URL+"/secret-of-the-shop", 10*time.Millisecond
	}
	b.start()
	<-log.come
	r := fresh(t, b.w, func(r *health.Report) bool {
		return slices.ContainsFunc(r.Checks, func(c health.Check) bool { return c.Name == "alive" && !c.OK })
	})
	if !r.Ready {
		t.Error("a worker is not ready for want of somebody who would miss it")
	}
	for _, f := range doctor.Workers([]health.Report{*r}, time.UTC) {
		if f.Verdict == doctor.Look && strings.Contains(f.Text, "sign of life") && strings.Contains(f.Next, "--alive") && !strings.Contains(f.Text, "secret-of-the-shop") {
			return
		}
	}
	t.Errorf("doctor: %+v", doctor.Workers([]health.Report{*r}, time.UTC))
}

// TestSignOfLifeStaysOutside: the address cannot be turned against the inside of a network by whoever
// answers there.
func TestSignOfLifeStaysOutside(t *testing.T) {
	inner := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("the redirect was followed") }))
	defer inner.Close()
	outer := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		http.Redirect(w, r, inner.URL, http.StatusFound)
	}))
	defer outer.Close()
	log := &awaited{text: "redirects to another host", come: make(chan struct{}, 1)}
	b := &bench{t: t, dir: t.TempDir(), clock: &fixedClock{now: monday}, seen: map[uint64]*protocol.Record{}, chart: tinyChart()}
	b.change = func(o *worker.Options) { o.Log, o.Alive = zerolog.New(log), outer.URL }
	b.start()
	select {
	case <-log.come:
	case <-time.After(time.Minute):
		t.Fatalf("no word of the redirect:\n%s", log.lines.text())
	}
	for _, bad := range []string{"ftp://example.org/x", "no address", "https://"} {
		if _, err := worker.New(worker.Options{DataDir: t.TempDir(), Alive: bad}); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}
