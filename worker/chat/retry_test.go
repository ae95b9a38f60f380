package chat

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"swathkeeper/worker/handclock"
)

// Every status code, as the table in the documentation of Retry has it.
func TestRetryTable(t *testing.T) {
	for status := 100; status < 600; status++ {
		want := GiveUp
		switch {
		case status/100 == 2:
			want = Sent
		case status == 408, status == 425, status == 429, status/100 == 5:
			want = Again
		case status == 413:
			want = Shorter
		}
		if got := Retry(status); got != want {
			t.Errorf("%d: %s, want %s", status, got, want)
		}
	}
}

// RFC 9110, 10.2.3: a number of seconds, or a date of the form in 5.6.7. Its two examples.
func TestRetryAfter(t *testing.T) {
	now := time.Date(1999, 12, 31, 23, 58, 59, 0, time.UTC)
	for _, c := range []struct {
		header, body string
		want         time.Duration
	}{
		{"Fri, 31 Dec 1999 23:59:59 GMT", "", time.Minute},
		{"120", "", 2 * time.Minute},
		{"", `{"retry_after": 0.64}`, 640 * time.Millisecond},
		{"", `{"ok":false,"error_code":429,"parameters":{"retry_after":37}}`, 37 * time.Second},
		{"nonsense", "<html>", 0},
		{"-5", "", 0},
		{"1e300", "", time.Hour},
		{"NaN", "", 0},
		{"Fri, 31 Dec 1998 23:59:59 GMT", "", 0},
	} {
		h := http.Header{}
		if c.header != "" {
			h.Set("Retry-After", c.header)
		}
		if got := retryAfter(h, []byte(c.body), now); got != c.want {
			t.Errorf("%q %q: %v, want %v", c.header, c.body, got, c.want)
		}
	}
}

func TestPause(t *testing.T) {
	for _, c := range []struct {
		failed int
		asked  time.Duration
		want   time.Duration
	}{{1, 0, 5 * time.Second}, {2, 0, 15 * time.Second}, {100, 0, 10 * time.Minute}, {1, 90 * time.Second, 90 * time.Second}, {6, time.Second, 10 * time.Minute}, {1, 5 * time.Hour, time.Hour}} {
		if got := pause(c.failed, c.asked); got != c.want {
			t.Errorf("after %d failures, asked for %v: %v, want %v", c.failed, c.asked, got, c.want)
		}
	}
}

func reset(w http.ResponseWriter, _ *http.Request) {
	conn, _, err := w.(http.Hijacker).Hijack()
	if err == nil {
		_ = conn.Close()
	}
}

func hang(w http.ResponseWriter, r *http.Request) { <-r.Context().Done() }

// A service's answers, one after another, and what becomes of the message: how often it was tried,
// how long was waited, and whether it was given up, and why.
func TestAgainstAServiceThatAnswers(t *testing.T) {
	elsewhere := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("the redirect to another host was followed") }))
	defer elsewhere.Close()
	for _, c := range []struct {
		name    string
		script  []http.HandlerFunc
		tries   int // requests that must arrive
		waited  time.Duration
		givenUp string // part of the reason; empty: delivered
	}{
		{"200", []http.HandlerFunc{answer(200, "ok")}, 1, 0, ""},
		{"204", []http.HandlerFunc{answer(204, "")}, 1, 0, ""},
		{"400", []http.HandlerFunc{answer(400, "invalid_payload")}, 1, 0, "answered 400 Bad Request: invalid_payload"},
		{"401", []http.HandlerFunc{answer(401, "")}, 1, 0, "no longer valid"},
		{"404", []http.HandlerFunc{answer(404, "no_service")}, 1, 0, "no longer valid: no_service"},
		{"410", []http.HandlerFunc{answer(410, "")}, 1, 0, "no longer valid"},
		{"413 and short enough", []http.HandlerFunc{answer(413, "")}, 2, 0, ""},
		{"413 for ever", []http.HandlerFunc{answer(413, ""), answer(413, "")}, 2, 0, "answered 413"},
		{"429 with seconds", []http.HandlerFunc{answer(429, "slow down", "Retry-After", "90")}, 2, 90 * time.Second, ""},
		{"429 in the body", []http.HandlerFunc{answer(429, `{"retry_after": 42.5}`)}, 2, 42500 * time.Millisecond, ""},
		{"429 without a word", []http.HandlerFunc{answer(429, "")}, 2, 5 * time.Second, ""},
		{"500 twice", []http.HandlerFunc{answer(500, ""), answer(500, "")}, 3, 20 * time.Second, ""},
		{"503 with Retry-After", []http.HandlerFunc{answer(503, "", "Retry-After", "30")}, 2, 30 * time.Second, ""},
		{"reset", []http.HandlerFunc{reset}, 2, 5 * time.Second, ""},
		{"hang", []http.HandlerFunc{hang}, 2, 5 * time.Second, ""},
		{"redirect to another host", []http.HandlerFunc{answer(307, "", "Location", elsewhere.URL)}, 1, 0, "redirects to another host"},
		{"redirect to another scheme", []http.HandlerFunc{func(w http.ResponseWriter, r *http.Request) {
			answer(308, "", "Location", "https://"+r.Host+"/")(w, r)
		}}, 1, 0, "redirects to another host"},
		{"redirect within the host", []http.HandlerFunc{answer(307, "", "Location", "/moved")}, 2, 0, ""},
		{"redirect that loses the message", []http.HandlerFunc{answer(302, "", "Location", "/moved")}, 1, 0, "loses the message"},
		{"redirect in circles", []http.HandlerFunc{
			answer(307, "", "Location", "/"), answer(307, "", "Location", "/"), answer(307, "", "Location", "/"), answer(307, "", "Location", "/"),
		}, 4, 0, "in circles"},
		{"dead for a day", many(500, 300), 149, 0, "answered 500"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newFakeService(t, c.script...)
			clock := newJumpClock()
			o := Options{Clock: clock, Timeout: time.Minute} // a slow machine answers all the same
			if c.name == "hang" {
				o.Timeout = 2 * time.Second // for the answer that never comes; the second must come within as long
			}
			w := newTestTeller(t, Target{Name: "phone", URL: s.URL + "/secret-path-1234", AllowLocal: true}, o)
			start := clock.Now()
			m := Message{ID: "one", Title: "title", Text: strings.Repeat("long ", 200)}
			failure := w.run(m)
			if n := len(s.got); n != c.tries {
				t.Errorf("tried %d times, want %d", n, c.tries)
			}
			if waited := clock.Now().Sub(start); c.name != "dead for a day" && waited != c.waited {
				t.Errorf("waited %v, want %v", waited, c.waited)
			} else if waited > 24*time.Hour {
				t.Errorf("tried for %v", waited)
			}
			if (failure == nil) != (c.givenUp == "") || failure != nil && !strings.Contains(failure.Why, c.givenUp) {
				t.Errorf("given up: %+v; want %q", failure, c.givenUp)
			}
			if c.name == "413 and short enough" {
				s.next(t)
				if m := s.message(t); len([]rune(m.Text)) > shortText {
					t.Errorf("still %d characters", len(m.Text))
				}
			}
		})
	}
}

func many(status, n int) []http.HandlerFunc {
	out := make([]http.HandlerFunc, n)
	for i := range out {
		out[i] = answer(status, "")
	}
	return out
}

// testTeller is a teller without a bus.
type testTeller struct {
	*teller
	t   *testing.T
	log *syncBuffer
}

func newTestTeller(t *testing.T, target Target, o Options) *testTeller {
	t.Helper()
	return newBench(t).teller(t, target, o)
}

func (b *bench) teller(t *testing.T, target Target, o Options) *testTeller {
	t.Helper()
	log := &syncBuffer{}
	o.Targets, o.Log, o.Zone = []Target{target}, zerolog.New(log), time.UTC
	c, err := New(b.js, o)
	if err != nil {
		t.Fatal(err)
	}
	kv, err := b.js.KeyValue(t.Context(), "SWK_SENT")
	if err != nil {
		t.Fatal(err)
	}
	w := c.targets[0]
	w.sent = sent{kv: kv, target: target.Name, now: c.o.Clock.Now}
	t.Cleanup(w.service.close)
	return &testTeller{w, t, log}
}

// run delivers a message and returns the failure that was recorded for it, if any.
func (w *testTeller) run(m Message) *Failure {
	w.t.Helper()
	if err := w.deliver(w.t.Context(), m, func() error { return nil }); err != nil {
		w.t.Fatal(err)
	}
	fs, err := Failures(w.t.Context(), w.c.js, w.Name)
	if err != nil {
		w.t.Fatal(err)
	}
	if len(fs) == 0 {
		return nil
	}
	return &fs[0]
}

func TestLoopbackAndLinkLocalAreRefusedUnlessAllowed(t *testing.T) {
	s := newFakeService(t)
	post := func(g *guard, to string) error {
		defer g.close()
		_, err := g.post(t.Context(), to, "text/plain", strings.NewReader("x"), nil)
		return err
	}
	var e *sendError
	for _, url := range []string{s.URL, "http://169.254.169.254/", "http://[fe80::1]/", "http://0.0.0.0:1/", "http://[::ffff:127.0.0.1]:1/", "http://224.0.0.1/"} {
		err := post(newGuard(false, false, time.Minute, time.Now), url)
		if !errors.As(err, &e) || e.what != GiveUp {
			t.Errorf("%s: %v", url, err)
		}
	}
	s.none(t)
	if err := post(newGuard(false, true, time.Minute, time.Now), s.URL); err != nil {
		t.Errorf("the url names this machine: %v", err)
	}
	if err := post(newGuard(true, false, time.Minute, time.Now), s.URL); err != nil {
		t.Errorf("allowed: %v", err)
	}
	// A name is looked at by what it resolves to.
	if a, err := (Target{URL: "http://localhost:80/x"}).address(); err != nil || !a.loopback() {
		t.Error("localhost names this machine")
	}
	if a, err := (Target{URL: "http://127.0.0.1.example/x"}).address(); err != nil || a.loopback() {
		t.Error("a name that looks like this machine is none")
	}
}

func TestOneDeadServiceDelaysNoOther(t *testing.T) {
	b := newBench(t)
	dead := newFakeService(t, many(500, 900)...)
	alive := newFakeService(t)
	clock := handclock.New(morning) // the dead one's waits never end
	b.start(Options{Clock: clock, Targets: []Target{
		{Name: "dead", URL: dead.URL, AllowLocal: true}, {Name: "alive", URL: alive.URL, AllowLocal: true},
	}})
	for n := range 5 {
		b.record("heron", nil, raised(n))
	}
	for n := range 5 {
		if m := alive.message(t); !strings.Contains(m.Text, fmt.Sprintf("number %d", n)) {
			t.Fatalf("%q", m.Text)
		}
	}
	dead.next(t)
}

func TestGivingUpIsRecordedAndTheNextMessageGoesOut(t *testing.T) {
	b := newBench(t)
	s := newFakeService(t, answer(404, "no_service"))
	c := b.start(Options{Targets: []Target{{Name: "phone", URL: s.URL, AllowLocal: true}}})
	r := b.record("heron", nil, raised(1))
	b.record("heron", nil, raised(2))
	s.next(t)
	if m := s.message(t); !strings.Contains(m.Text, "number 2") {
		t.Fatalf("%q", m.Text)
	}
	b.settled("phone")
	fs, err := Failures(t.Context(), b.js, "")
	if err != nil || len(fs) != 1 || fs[0].Target != "phone" || fs[0].Message != r.ID+".0" || fs[0].Tries != 1 || !strings.Contains(fs[0].Title, "heron") {
		t.Errorf("%+v %v", fs, err)
	}
	if st := c.Status()[0]; st.Sent != 1 || st.GivenUp != 1 {
		t.Errorf("%+v", st)
	}
}

// A kill between sending and noting it: the context ends there, and nothing more is written.
func TestAKillWhileSendingCostsAtMostOneDuplicate(t *testing.T) {
	b := newBench(t)
	s := newFakeService(t)
	kills := map[int]bool{1: true, 3: true, 6: true}
	count := map[string]int{}
	target := Target{Name: "phone", URL: s.URL, AllowLocal: true}
	b.stop(b.start(Options{Targets: []Target{target}})) // the target's place
	for n := range 6 {
		b.record("heron", nil, raised(n))
	}
	told := 0
	for round := 0; told < 6+len(kills) && round < 20; round++ {
		died := make(chan struct{})
		var c *Chat
		o := Options{Targets: []Target{target}}
		ready := make(chan struct{})
		o.sentHook = func(string, Message) {
			<-ready
			told++
			if kills[told] {
				c.cancel() // nothing that needs the bus works from here on
				close(died)
			} else if told == 6+len(kills) {
				close(died)
			}
		}
		c = b.start(o)
		close(ready)
		select {
		case <-died:
		case <-time.After(time.Minute):
			t.Fatal("no more messages")
		}
		b.stop(c)
	}
	for range told {
		count[s.message(t).ID]++
	}
	s.none(t)
	extra := 0
	for id, n := range count {
		if n > 2 {
			t.Errorf("%s was told %d times", id, n)
		}
		extra += n - 1
	}
	if len(count) != 6 || extra != len(kills) {
		t.Errorf("%d messages, %d of them told again after %d kills", len(count), extra, len(kills))
	}
}

func TestStopInterruptsAWait(t *testing.T) {
	b := newBench(t)
	s := newFakeService(t, many(500, 100)...)
	c := b.start(Options{Clock: handclock.New(morning), Targets: []Target{{Name: "phone", URL: s.URL, AllowLocal: true}}})
	b.record("heron", nil, raised(1))
	s.next(t)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	if err := c.Stop(ctx); err != nil {
		t.Fatal(err)
	}
}

// What is wrong with a certificate is said in words that hold neither the host nor the path, and tried
// again: certificates are renewed.
func TestCertificates(t *testing.T) {
	own := httptest.NewUnstartedServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("the message was sent all the same") }))
	own.Config.ErrorLog = log.New(io.Discard, "", 0)
	own.StartTLS()
	defer own.Close()
	plain := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	defer plain.Close()
	for _, c := range []struct{ url, want string }{
		{own.URL, "the service's certificate is not accepted: nobody whom this machine trusts has signed it"},
		{strings.Replace(plain.URL, "http:", "https:", 1), "the service does not speak TLS at this address"},
	} {
		w := newTestTeller(t, Target{Name: "phone", URL: c.url + "/secret-path-1234", AllowLocal: true}, Options{Clock: newJumpClock(), GiveUpAfter: time.Minute})
		f := w.run(Message{ID: "one", Title: "title", Text: "text"})
		if f == nil || f.Why != c.want || f.Tries < 2 {
			t.Errorf("%+v, want %s", f, c.want)
		}
	}
	for _, c := range []struct {
		err  error
		want string
	}{
		{x509.HostnameError{Certificate: &x509.Certificate{}, Host: "secret.example.org"}, "it is for another name"},
		{x509.CertificateInvalidError{Reason: x509.Expired}, "it has expired, or this machine's clock is wrong"},
		{x509.CertificateInvalidError{Reason: x509.NotAuthorizedToSign}, "it is not valid for this"},
	} {
		if got := (&guard{}).failed(t.Context(), &tls.CertificateVerificationError{Err: c.err}); !strings.HasSuffix(got.Error(), c.want) || strings.Contains(got.Error(), "secret") {
			t.Errorf("%v, want %s", got, c.want)
		}
	}
}
