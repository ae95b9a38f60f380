package chat

import (
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/handclock"
)

func TestQuietHours(t *testing.T) {
	zone := time.FixedZone("shop", 3600)
	clock := func(s string) time.Time {
		at, err := time.ParseInLocation("15:04:05", s, zone)
		if err != nil {
			t.Fatal(err)
		}
		return at
	}
	for _, c := range []struct {
		quiet string
		at    string
		want  bool
	}{
		{"21:00-06:00", "20:59:59", false}, {"21:00-06:00", "21:00:00", true}, {"21:00-06:00", "00:00:00", true}, {"21:00-06:00", "05:59:59", true},
		{"21:00-06:00", "06:00:00", false}, {"12:00-13:00", "12:30:00", true}, {"12:00-13:00", "23:00:00", false}, {"", "23:00:00", false},
	} {
		q, err := parseQuiet(c.quiet)
		if err != nil {
			t.Fatal(err)
		}
		if got := q.holds(clock(c.at).UTC(), zone); got != c.want {
			t.Errorf("%s at %s: %v", c.quiet, c.at, got)
		}
	}
}

func alertOf(c protocol.Change) protocol.Alert {
	return protocol.Alert{Key: c.Key, Advice: c.Advice, Channel: c.Channel, Level: c.Level, Since: c.Since}
}

func keyed(c protocol.Change, printer, level, change string) protocol.Change {
	c.Key, c.Level, c.Change = "quay/"+printer+"/clean_head/C", level, change
	return c
}

// A night: an alert at act, one that comes and goes, one at stop, and one that people knew of and
// that clears. Stop goes out at once; in the morning one message tells the rest, once.
func TestANight(t *testing.T) {
	b := newBench(t)
	s := newFakeService(t)
	evening := time.Date(2026, 3, 4, 20, 0, 0, 0, time.UTC)
	clock := handclock.New(evening)
	o := Options{Clock: clock, Targets: []Target{{Name: "phone", URL: s.URL, AllowLocal: true, Quiet: "21:00-06:00"}}}
	c := b.start(o)

	known := keyed(raised(1), "dunlin", "act", protocol.ChangeRaised)
	b.record("dunlin", []protocol.Alert{alertOf(known)}, known)
	s.next(t)
	b.settled("phone")

	clock.Set(evening.Add(3 * time.Hour))
	act := keyed(raised(2), "heron", "act", protocol.ChangeRaised)
	b.record("heron", []protocol.Alert{alertOf(act)}, act)
	short := keyed(raised(3), "plover", "act", protocol.ChangeRaised)
	b.record("plover", []protocol.Alert{alertOf(short)}, short)
	b.record("plover", nil, keyed(short, "plover", "act", protocol.ChangeCleared))
	b.record("dunlin", nil, keyed(known, "dunlin", "act", protocol.ChangeCleared))
	stop := keyed(raised(4), "stint", "stop", protocol.ChangeRaised)
	b.record("stint", []protocol.Alert{alertOf(stop)}, stop)
	if m := s.message(t); m.Printer != "stint" || m.Level != "stop" {
		t.Fatalf("%+v", m)
	}
	b.settled("phone")
	s.none(t)

	clock.Set(evening.Add(10 * time.Hour)) // six
	m := s.message(t)
	if m.Kind != KindOpen || len(m.Open) != 1 || m.Open[0].Key != act.Key || !strings.Contains(m.Text, "Good morning. 1 alert still open") ||
		!strings.Contains(m.Text, "- heron (quay): cyan nozzles missing or weak, since") || !strings.Contains(m.Text, "- Over: dunlin (quay)") ||
		strings.Contains(m.Text, "plover") || strings.Contains(m.Text, "stint") || len([]rune(m.Text)) >= MaxText {
		t.Errorf("%s", m.Text)
	}
	// A restart tells it no second time.
	b.stop(c)
	b.start(o)
	b.record("heron", nil, keyed(act, "heron", "act", protocol.ChangeCleared))
	if m := s.message(t); m.Kind != KindChange {
		t.Errorf("%+v", m)
	}
	s.none(t)
}

// One thing still open is told in full, with its step and caution.
func TestAMorningWithOneAlertOpen(t *testing.T) {
	b := newBench(t)
	s := newFakeService(t)
	night := time.Date(2026, 3, 4, 23, 0, 0, 0, time.UTC)
	clock := handclock.New(night)
	b.start(Options{Clock: clock, Targets: []Target{{Name: "phone", URL: s.URL, AllowLocal: true, Quiet: "21:00-06:00"}}})
	act := keyed(raised(1), "heron", "act", protocol.ChangeRaised)
	b.record("heron", []protocol.Alert{alertOf(act)}, act)
	b.settled("phone")
	s.none(t)
	clock.Set(night.Add(7 * time.Hour))
	if m := s.message(t); m.Kind != KindOpen || !strings.Contains(m.Text, "Care: mind the carriage.") || !strings.Contains(m.Text, "First: look.") {
		t.Errorf("%+v", m)
	}
}

func TestAQuietNightHasNoMorning(t *testing.T) {
	b := newBench(t)
	s := newFakeService(t)
	clock := handclock.New(time.Date(2026, 3, 4, 23, 0, 0, 0, time.UTC))
	b.start(Options{Clock: clock, Targets: []Target{{Name: "phone", URL: s.URL, AllowLocal: true, Quiet: "21:00-06:00"}}})
	want := time.Date(2026, 3, 5, 6, 0, 0, 0, time.UTC)
	await(t, clock, want)
	clock.Set(want)
	await(t, clock, want.AddDate(0, 0, 1)) // it has looked, and waits for the next morning
	s.none(t)
}

// await waits until somebody waits for the time at.
func await(t *testing.T, c *handclock.Clock, at time.Time) {
	t.Helper()
	limit := time.After(time.Minute)
	for {
		select {
		case got := <-c.Asked():
			if got.Equal(at) {
				return
			}
		case <-limit:
			t.Fatalf("nobody waits for %v", at)
		}
	}
}

func TestDigest(t *testing.T) {
	b := newBench(t)
	s := newFakeService(t)
	clock := handclock.New(time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC))
	b.start(Options{Clock: clock, Targets: []Target{{Name: "office", URL: s.URL, AllowLocal: true, Digest: "07:30", Level: "stop", Printers: []string{"heron", "plover"}}}})
	for _, r := range []struct{ printer, outcome string }{{"heron", "steady"}, {"heron", "act"}, {"heron", "unusable"}, {"plover", "steady"}, {"dunlin", "steady"}} {
		b.verdict(r.printer, r.outcome)
	}
	due := time.Date(2026, 3, 5, 7, 30, 0, 0, time.UTC)
	await(t, clock, due)
	clock.Set(due)
	m := s.message(t)
	want := `The day to Thu 5 Mar 07:30: 4 readings, 1 alert open.
- heron (quay): 3 readings, 1 beyond tolerance, 1 unusable; open: cyan nozzles missing or weak.
- plover (quay): 1 reading; nothing open.
More: swathkeeper history.`
	if m.Kind != KindDigest || m.Text != want {
		t.Errorf("got:\n%s\nwant:\n%s", m.Text, want)
	}
}

func TestLongListsAreCounted(t *testing.T) {
	var lines []string
	for range 100 {
		lines = append(lines, "- "+strings.Repeat("x", 60))
	}
	if text := list("head", lines, "foot"); len(text) >= MaxText || !strings.Contains(text, "more.\nfoot") {
		t.Errorf("%d: %s", len(text), text)
	}
}

// A morning message that was retried into the next night does not take with it what that night held
// back about the same alert.
func TestTheNextNightIsKept(t *testing.T) {
	b := newBench(t)
	kv, err := b.js.KeyValue(t.Context(), protocol.BucketSent)
	if err != nil {
		t.Fatal(err)
	}
	s := sent{kv: kv, target: "phone", now: time.Now}
	c := keyed(raised(1), "heron", "act", protocol.ChangeRaised)
	other := keyed(raised(1), "plover", "act", protocol.ChangeRaised)
	for _, k := range []protocol.Change{c, other} {
		if err := s.keep(t.Context(), kept{Site: "quay", Printer: "heron", Record: "one", Last: k}); err != nil {
			t.Fatal(err)
		}
	}
	told, err := s.heldBack(t.Context())
	if err != nil || len(told) != 2 {
		t.Fatalf("%v, %v", told, err)
	}
	if err := s.keep(t.Context(), kept{Site: "quay", Printer: "heron", Record: "two", Last: keyed(c, "heron", "act", protocol.ChangeWorse)}); err != nil {
		t.Fatal(err)
	}
	if err := s.forget(t.Context(), told); err != nil {
		t.Fatal(err)
	}
	left, err := s.heldBack(t.Context())
	if err != nil || len(left) != 1 {
		t.Fatalf("%v, %v", left, err)
	}
	for _, k := range left {
		if k.Record != "two" || k.Last.Key != c.Key {
			t.Errorf("%+v", k)
		}
	}
}
