package chat

import (
	"strings"
	"testing"
	"time"
)

// What could not be delivered can be read from outside, also of a target that nobody tells any more;
// no secret is in it.
func TestPlaces(t *testing.T) {
	b := newBench(t)
	if p, err := Places(t.Context(), b.js); err != nil || len(p) != 0 {
		t.Fatalf("on a new bus: %+v, %v", p, err)
	}
	gone := newFakeService(t, answer(404, "no_service"))
	good := newFakeService(t)
	o := Options{Clock: newJumpClock(), Targets: []Target{
		{Name: "attic", URL: gone.URL + "/secret-path-1234", AllowLocal: true}, {Name: "phone", URL: good.URL, AllowLocal: true},
	}}
	c := b.start(o)
	b.record("heron", nil, raised(1))
	gone.next(t)
	good.next(t)
	b.settled("attic")
	b.settled("phone")
	b.stop(c)
	b.record("heron", nil, raised(2)) // while nobody tells
	b.verdict("heron", "steady")      // this is nothing to tell
	p, err := Places(t.Context(), b.js)
	// The server counts what waits a moment after it has stored it.
	for limit := time.Now().Add(time.Minute); err == nil && len(p) == 2 && (p[0].Behind == 0 || p[1].Behind == 0) && time.Now().Before(limit); {
		rest(t.Context(), 5*time.Millisecond)
		p, err = Places(t.Context(), b.js)
	}
	if err != nil {
		t.Fatal(err)
	}
	if len(p) != 2 || p[0].Target != "attic" || p[1].Target != "phone" || p[0].Behind != 1 || p[1].Behind != 1 || p[0].Gone || len(p[1].GivenUp) != 0 {
		t.Fatalf("%+v", p)
	}
	if f := p[0].GivenUp; len(f) != 1 || f[0].Tries != 1 || !strings.Contains(f[0].Why, "404") || strings.Contains(f[0].Why, "secret") {
		t.Errorf("%+v", f)
	}
	if err := b.js.DeleteConsumer(t.Context(), "SWK_RECORD", "chat-attic"); err != nil {
		t.Fatal(err)
	}
	if p, err = Places(t.Context(), b.js); err != nil || len(p) != 2 || !p[0].Gone || len(p[0].GivenUp) != 1 {
		t.Errorf("%+v, %v", p, err)
	}
}
