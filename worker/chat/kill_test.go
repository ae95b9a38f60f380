package chat

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/worker/bus"
)

// Variables by which the test's program runs as a child that may be killed.
const (
	childDir = "CHAT_TEST_DIR"
	childURL = "CHAT_TEST_URL"
)

func killOptions(url string) Options {
	return Options{
		Targets: []Target{{Name: "phone", URL: url, AllowLocal: true}}, Zone: time.UTC, Log: zerolog.Nop(),
		// Short, so that what a killed program had in hand soon comes again; an answer that a slow machine
		// gives later than that would be a duplicate without a kill.
		ackWait: 3 * time.Second, Timeout: 2500 * time.Millisecond,
	}
}

func openStore(ctx context.Context, dir string) (*bus.Embedded, jetstream.JetStream, func(), error) {
	e, err := bus.StartEmbedded(ctx, bus.EmbeddedOptions{Dir: dir, MaxStore: bus.DefaultLimits().Total(), SyncAlways: true, LockWait: 10 * time.Second, Log: zerolog.Nop()})
	if err != nil {
		return nil, nil, nil, err
	}
	nc, js, err := bus.Connect(ctx, bus.ConnectOptions{Embedded: e, Name: "kill", Log: zerolog.Nop()})
	if err != nil {
		e.Stop()
		return nil, nil, nil, err
	}
	return e, js, func() { nc.Close(); e.Stop() }, bus.Provision(ctx, js, bus.DefaultLimits())
}

// child tells what is recorded in a store until it is killed.
func child() {
	ctx := context.Background()
	_, js, _, err := openStore(ctx, os.Getenv(childDir))
	if err == nil {
		var c *Chat
		if c, err = New(js, killOptions(os.Getenv(childURL))); err == nil {
			err = c.Start(ctx)
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	select {} // until killed
}

// Twelve alerts, and a program that is killed with SIGKILL at chosen moments: when the service has
// the message and has not answered, right after it answered, and a little later. Each alert
// arrives, and there are at most as many duplicates as kills.
func TestKilledWhileSending(t *testing.T) {
	const records, kills = 12, 6
	dir := t.TempDir()
	type hit struct {
		id     string
		answer chan struct{}
	}
	hits := make(chan hit)
	done := make(chan struct{})
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		h := hit{r.Header.Get("Idempotency-Key"), make(chan struct{})}
		select {
		case hits <- h:
		case <-done:
			return
		}
		select {
		case <-h.answer:
		case <-done:
		}
	}))
	defer srv.Close()
	defer close(done)

	_, js, closeStore, err := openStore(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, js: js, log: &syncBuffer{}}
	c, err := New(js, killOptions(srv.URL))
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	b.stop(c)
	want := map[string]bool{}
	for n := range records {
		want[b.record("heron", nil, raised(n)).ID+".0"] = true
	}
	closeStore()

	rng := rand.New(rand.NewPCG(5, 2026))
	got := map[string]int{}
	killed, total := 0, 0
	for len(got) < records {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), childDir+"="+dir, childURL+"="+srv.URL)
		cmd.Stderr = os.Stderr
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		until := 1 + rng.IntN(3) // kill at this message of this run
		for n := 1; ; n++ {
			var h hit
			select {
			case h = <-hits:
			case <-time.After(2 * time.Minute):
				_ = cmd.Process.Kill()
				_ = cmd.Wait()
				t.Fatalf("nothing more came; %d of %d told, %d kills", len(got), records, killed)
			}
			got[h.id]++
			total++
			die := n == until && killed < kills
			if die && killed%3 == 0 { // not answered
				_ = cmd.Process.Kill()
			}
			close(h.answer)
			if die && killed%3 > 0 { // answered, just now or a moment ago
				for range rng.IntN(2000) * 50 {
					_ = rng.Int()
				}
				_ = cmd.Process.Kill()
			}
			if die || len(got) == records {
				break
			}
		}
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		killed++
	}
	for id := range got {
		if !want[id] {
			t.Errorf("%s was never recorded", id)
		}
	}
	if dup := total - records; dup > killed {
		t.Errorf("%d duplicates after %d kills", dup, killed)
	}
	t.Logf("%d alerts, %d kills, %d duplicates", records, killed, total-records)

	// What was told stays told. The last message may come once more: its program was killed too.
	_, js, closeStore, err = openStore(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	defer closeStore()
	b.js = js
	o := killOptions(srv.URL)
	if c, err = New(js, o); err != nil {
		t.Fatal(err)
	}
	if err := c.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	defer b.stop(c)
	mark := b.record("heron", nil, raised(99)).ID + ".0"
	for n := 0; ; n++ {
		h := <-hits
		close(h.answer)
		if h.id == mark {
			break
		}
		if n > 0 {
			t.Fatalf("%s came again without a kill", h.id)
		}
	}
}
