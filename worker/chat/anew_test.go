package chat

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"swathkeeper/worker/bus"
)

// A target's place that a power cut has torn is made anew: what was not told is told, and nothing twice.
// Where that cannot be done from here, the other targets are told all the same.
func TestATornPlaceSkipsNothing(t *testing.T) {
	dir := t.TempDir()
	var server *bus.Embedded
	open := func() (*bench, func()) {
		t.Helper()
		e, js, stop, err := openStore(t.Context(), dir)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(stop)
		server = e
		return &bench{t: t, js: js, log: &syncBuffer{}}, stop
	}
	tear := func(target string, content []byte) {
		t.Helper()
		found, err := filepath.Glob(filepath.Join(dir, "bus", "jetstream", "*", "streams", "SWK_RECORD", "obs", "chat-"+target))
		if err != nil || len(found) != 1 {
			t.Fatalf("%v %v", found, err)
		}
		if err := os.WriteFile(filepath.Join(found[0], "o.dat"), content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	phone, other := newFakeService(t), newFakeService(t)
	o := Options{Targets: []Target{{Name: "phone", URL: phone.URL, AllowLocal: true}, {Name: "other", URL: other.URL, AllowLocal: true, Printers: []string{"plover"}}}}

	b, stop := open()
	c := b.start(o)
	b.record("heron", nil, raised(1))
	b.record("heron", nil, raised(2))
	phone.message(t)
	phone.message(t)
	b.settled("phone")
	b.stop(c)
	b.record("heron", nil, raised(3))
	b.record("plover", nil, raised(4))
	stop()

	// One was told before, the other never.
	tear("phone", make([]byte, 40))
	tear("other", []byte{22, 2, 1})
	b, stop = open()
	o.SetAside = server.SetAside
	c = b.start(o)
	for n := 3; n <= 4; n++ {
		if m := phone.message(t); !strings.Contains(m.Text, raised(n).Why) {
			t.Fatalf("want message %d, got %q", n, m.Text)
		}
	}
	if m := other.message(t); !strings.Contains(m.Text, raised(4).Why) {
		t.Fatalf("want message 4, got %q", m.Text)
	}
	b.settled("phone", "other")
	phone.none(t)
	other.none(t)
	if n := strings.Count(b.log.String(), "place in the records was damaged"); n != 2 {
		t.Errorf("it was said %d times:\n%s", n, b.log.String())
	}
	if aside, err := os.ReadDir(filepath.Join(dir, bus.AsideFolder)); err != nil || len(aside) != 2 {
		t.Errorf("set aside: %v %v", aside, err)
	}
	b.stop(c)
	stop()

	tear("phone", make([]byte, 40))
	b, _ = open()
	o.SetAside = nil
	c = b.start(o)
	b.record("plover", nil, raised(5))
	if m := other.message(t); !strings.Contains(m.Text, raised(5).Why) {
		t.Fatalf("want message 5, got %q", m.Text)
	}
	if s := c.Status()[0]; s.Target != "phone" || !strings.Contains(s.Error, "obs/chat-phone") {
		t.Errorf("its status says nothing of it: %+v", s)
	}
}
