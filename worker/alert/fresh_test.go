package alert

import (
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol"
)

// Where a profile must wait for an earlier fault, colours beyond the stop limit do not: production is to
// be held, whatever is mended first. It is told once, by the alert that is open, and once more when it
// is over.
func TestAStopThatWaitsForAnEarlierCauseIsTold(t *testing.T) {
	far := seen{advice: protocol.AdviceRefit, level: "stop", size: 6}
	p := newPlay(t, Options{})
	p.read(lines)
	want(t, p.read(lines), "raised clean_head/C act (confirmed)")
	want(t, p.read(lines, far))
	d := p.read(lines, far)
	want(t, d, "worse clean_head/C stop (stop_level)")
	if c := d.Changes[0]; !strings.Contains(c.Why, "Refit_profile  by 6.0") {
		t.Errorf("%q", c.Why)
	}
	for range 5 {
		want(t, p.read(lines, far))
	}
	want(t, p.read(lines))
	want(t, p.read(lines), "better clean_head/C act (below_stop)")
	p.read()
	want(t, p.read(), "cleared clean_head/C act (steady)")
}

// One more good reading is promised as the end only where it is.
func TestTheReminderPromisesTheEndOnlyWhereItIsOne(t *testing.T) {
	p := newPlay(t, Options{ClearAfter: 3, NoLearnedSilence: true})
	p.read(lines)
	p.read(lines)
	p.read()
	n := len(p.told)
	p.pass(25 * time.Hour)
	if len(p.told) != n+1 || !strings.Contains(p.told[n].Why, "2 more like that") {
		t.Fatalf("%+v", p.told[n:])
	}
}

// A hold of an alert beyond the stop limit says that production is still to be held: what passes the
// limit would break the hold, and this has passed it.
func TestHoldingAStopSaysSo(t *testing.T) {
	p := newPlay(t, Options{})
	p.read(seen{advice: protocol.AdvicePress, level: "stop!", size: 5})
	d := p.note(protocol.Note{Hold: &protocol.HoldNote{Key: "quay/heron/check_press/-", Until: p.now.Add(8 * time.Hour), Why: "fitter comes"}})
	want(t, d, "held check_press/- stop (by_hand)")
	if s := d.Changes[0].Steps[0]; strings.Contains(s, "unless it passes") || !strings.Contains(s, "stop limit") {
		t.Errorf("%q", s)
	}
}

// The steps of an open alert are those that its message gave.
func TestTheListGivesTheStepsOfTheMessage(t *testing.T) {
	p := newPlay(t, Options{})
	p.read()
	p.did(protocol.DidInk, "M")
	hue := seen{advice: protocol.AdviceInk, channel: "M", level: "act", size: 2}
	p.read(hue)
	d := p.read(hue)
	want(t, d, "raised check_ink/M act (after_new_ink)")
	if got := PlanOf(d.Open[0]).Steps[0]; got != d.Changes[0].Steps[0] {
		t.Errorf("listed %q, told %q", got, d.Changes[0].Steps[0])
	}
}

// A fault that came back after it had been answered "helped" was not ended by what was done.
func TestWhatCameBackWasNotHelped(t *testing.T) {
	p := newPlay(t, Options{})
	p.read(lines)
	p.read(lines)
	p.did(protocol.DidClean, "C")
	p.read()
	p.read(lines)
	p.read(lines)
	p.read()
	d := p.read()
	want(t, d, "cleared clean_head/C act (steady)")
	if strings.Contains(d.Changes[0].Why, "helped") {
		t.Errorf("%q", d.Changes[0].Why)
	}
}

// Days whose clocks change at midnight begin at one, or not at midnight of the day before, and a day
// opens at its own hour whatever its clocks did in the night. Dates of the changes: the time zone
// database (2026: Chile 6 September, Egypt 24 April, Germany 29 March and 25 October).
func TestDaysOnWhichClocksChange(t *testing.T) {
	for _, c := range []struct {
		zone   string
		closed time.Weekday
		at     time.Time // local, on the closed day
		want   string
	}{
		{"America/Santiago", time.Saturday, time.Date(2026, 9, 5, 12, 0, 0, 0, time.UTC), "2026-09-06 06:00"},
		{"America/Santiago", time.Saturday, time.Date(2026, 9, 5, 23, 30, 0, 0, time.UTC), "2026-09-06 06:00"},
		{"Africa/Cairo", time.Thursday, time.Date(2026, 4, 23, 12, 0, 0, 0, time.UTC), "2026-04-24 06:00"},
		{"Europe/Berlin", time.Saturday, time.Date(2026, 3, 28, 12, 0, 0, 0, time.UTC), "2026-03-29 06:00"},
		{"Europe/Berlin", time.Saturday, time.Date(2026, 10, 24, 12, 0, 0, 0, time.UTC), "2026-10-25 06:00"},
	} {
		zone, err := time.LoadLocation(c.zone)
		if err != nil {
			t.Skip("no time zones on this machine")
		}
		y, m, d := c.at.Date()
		at := time.Date(y, m, d, c.at.Hour(), c.at.Minute(), 0, 0, zone)
		turn := &turn{now: at, opts: Options{Zone: zone, ClosedDays: []time.Weekday{c.closed}}.withDefaults()}
		if got := turn.opening(at).In(zone).Format("2006-01-02 15:04"); got != c.want {
			t.Errorf("%s: closed at %v, opens at %s, want %s", c.zone, at, got, c.want)
		}
	}
}

// What the shop took as its known-good state was good: what comes right after it makes nothing suspect
// that was printed before.
func TestGoodSinceTheBaselineWasLearned(t *testing.T) {
	p := newPlay(t, Options{})
	p.readAs(reading{outcome: protocol.Learning, noBaseline: true})
	p.readAs(reading{outcome: protocol.Learning, noBaseline: true})
	last := p.now
	d := p.read(seen{advice: protocol.AdviceClean, channel: "C", level: "stop!", size: 2})
	want(t, d, "raised clean_head/C stop (overwhelming)")
	if g := d.Changes[0].LastGood; g == nil || !g.At.Equal(last) || g.Reading != "reading-2" {
		t.Errorf("%+v", g)
	}
}

// Where no good reading is known, what was printed is suspect all the more.
func TestTheEndSaysToLookOverTheGoods(t *testing.T) {
	p := newPlay(t, Options{})
	want(t, p.read(lines))
	want(t, p.read(lines), "raised clean_head/C act (confirmed)")
	p.read()
	d := p.read()
	want(t, d, "cleared clean_head/C act (steady)")
	if c := d.Changes[0]; c.LastGood != nil || !strings.Contains(c.Steps[0], "Look over what was printed") {
		t.Errorf("%+v", c)
	}
}

// Lines are no other cause of what the press did, and nobody is told to carry on while another alert of
// the printer is open.
func TestOverWhileSomethingElseIsOpen(t *testing.T) {
	cold := seen{advice: protocol.AdvicePress, level: "stop!", size: 5}
	dead := seen{advice: protocol.AdviceClean, channel: "C", level: "stop!", size: 2}
	p := newPlay(t, Options{})
	want(t, p.read(cold), "raised check_press/- stop (overwhelming)")
	p.did(protocol.DidPress, "")
	want(t, p.read(dead), "raised clean_head/C stop (overwhelming)")
	d := p.read(dead)
	want(t, d, "cleared check_press/- stop (steady)")
	if c := d.Changes[0]; strings.Contains(c.Steps[0], "Carry on") || !strings.Contains(c.Steps[0], "another alert open") || !strings.HasSuffix(c.Why, "helped.") {
		t.Errorf("%q %q", c.Why, c.Steps)
	}
	p.read()
	d = p.read()
	want(t, d, "cleared clean_head/C stop (steady)")
	if c := d.Changes[0]; !strings.HasPrefix(c.Steps[0], "Carry on.") {
		t.Errorf("%q", c.Steps)
	}
}
