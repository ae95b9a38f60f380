package alert

import (
	"testing"
	"time"

	"swathkeeper/protocol"
)

// weeks reads a steady chart at seven every working morning of n weeks.
func weeks(p *play, n int, shut func(time.Time) bool) {
	p.t.Helper()
	for d := range 7 * n {
		at := morning.AddDate(0, 0, d)
		if shut(at) {
			continue
		}
		p.pass(at.Sub(p.now))
		p.step(Input{Verdict: p.verdict(reading{})})
	}
}

func weekend(at time.Time) bool {
	return at.Weekday() == time.Saturday || at.Weekday() == time.Sunday
}

func TestALearnedRhythmIsMissed(t *testing.T) {
	p := newPlay(t, Options{})
	weeks(p, 4, weekend)
	if len(p.told) != 0 {
		t.Fatalf("weekends are no silence: %+v", p.told)
	}
	last := p.now // Tuesday, seven
	p.pass(2 * day)
	if len(p.told) != 1 || p.told[0].Change != protocol.ChangeRaised || p.told[0].Advice != protocol.AdviceSilent {
		t.Fatalf("%+v", p.told)
	}
	// A day is usual; half a day more is not.
	if due := last.Add(36 * time.Hour); !p.told[0].Since.Equal(due) {
		t.Errorf("told at %v, want %v", p.told[0].Since, due)
	}
	if p.told[0].Key != "quay/heron/station_silent/bench-1" || p.told[0].LastGood == nil || !p.told[0].LastGood.At.Equal(last) {
		t.Errorf("%+v", p.told[0])
	}
	want(t, p.read(), "cleared station_silent/bench-1 act (heard)")
}

func TestSilenceBeginningOnAFridayIsToldOnMonday(t *testing.T) {
	p := newPlay(t, Options{ClosedDays: []time.Weekday{time.Saturday, time.Sunday}})
	weeks(p, 3, weekend) // the last one on a Tuesday
	for range 3 {        // Wednesday, Thursday, Friday
		p.pass(day)
		p.step(Input{Verdict: p.verdict(reading{})})
	}
	p.pass(3 * day) // Monday, seven: a day of open time has passed
	if len(p.told) != 0 {
		t.Fatalf("%+v", p.told)
	}
	p.pass(12 * time.Hour)
	if len(p.told) != 1 || p.told[0].Since.Weekday() != time.Monday {
		t.Fatalf("%+v", p.told)
	}
}

func TestAMaintenanceWindowIsRespected(t *testing.T) {
	from := morning.AddDate(0, 0, 28)
	rest := Period{Printer: "heron", From: from, Till: from.Add(10 * day)}
	p := newPlay(t, Options{Closed: []Period{rest}})
	weeks(p, 4, weekend)
	p.pass(12*day + 36*time.Hour)
	if len(p.told) != 1 || p.told[0].Since.Before(rest.Till) {
		t.Fatalf("%+v", p.told)
	}
}

func TestAnIrregularPrinterIsLeftAlone(t *testing.T) {
	p := newPlay(t, Options{})
	for i, gap := range []int{1, 4, 2, 6, 1, 3, 5, 2, 6, 4, 1, 5} {
		if i > 0 {
			p.pass(time.Duration(gap) * day)
		}
		p.step(Input{Verdict: p.verdict(reading{})})
	}
	p.pass(7 * day)
	if len(p.told) != 0 {
		t.Fatalf("%+v", p.told)
	}
}

func TestAConfiguredStationNeverHeard(t *testing.T) {
	p := newPlay(t, Options{Expect: []Expect{{Site: "quay", Printer: "heron", Station: "bench-2", Every: 24 * time.Hour}}})
	p.read()
	p.pass(36 * time.Hour)
	if len(p.told) != 1 || p.told[0].Key != "quay/heron/station_silent/bench-2" {
		t.Fatalf("%+v", p.told)
	}
	want(t, p.note(protocol.Note{Close: &protocol.CloseNote{Key: p.told[0].Key, Why: "not installed yet"}}), "closed station_silent/bench-2 act (by_hand)")
	p.pass(9 * day)
	if len(p.told) != 2 {
		t.Fatalf("closed by hand, told again: %+v", p.told[2:])
	}
}

func TestCalendar(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no time zones on this machine")
	}
	c := calendar{zone: zone}
	c.days[time.Sunday] = true
	// Clocks go forward on Sunday 29 March 2026; Saturday noon plus 24 open hours is Monday noon.
	sat := time.Date(2026, 3, 28, 12, 0, 0, 0, zone)
	mon := time.Date(2026, 3, 30, 12, 0, 0, 0, zone)
	if got := c.after(sat, day); !got.Equal(mon) {
		t.Errorf("after: %v", got)
	}
	if got := c.between(sat, mon); got != day {
		t.Errorf("between: %v", got)
	}
	if got := c.opens(sat.Add(20 * time.Hour)); !got.Equal(time.Date(2026, 3, 30, 0, 0, 0, 0, zone)) {
		t.Errorf("opens: %v", got)
	}
}

// A printer on hold as a whole: nothing new is told until then but a stop, and what was seen meanwhile
// and is still there is told after it.
func TestAPrinterOnHold(t *testing.T) {
	p := newPlay(t, Options{Expect: []Expect{{Site: "quay", Printer: "heron", Station: "bench-1", Every: 30 * time.Hour}}})
	p.read()
	n := len(p.told)
	all := protocol.HoldNote{Key: "quay/heron/*", Until: p.now.Add(72 * time.Hour), Why: "the printer is being moved"}
	if d := p.note(protocol.Note{Hold: &all}); !d.HeldTill.Equal(all.Until) {
		t.Errorf("held till %v", d.HeldTill)
	}
	p.pass(60 * time.Hour)
	p.read(weak)
	p.read(press) // nor what differs
	p.readAs(reading{outcome: protocol.Unusable})
	p.readAs(reading{outcome: protocol.Unusable})
	p.read(weak)
	if len(p.told) != n {
		t.Fatalf("told on hold: %+v", p.told[n:])
	}
	dead := seen{protocol.AdviceClean, "K", "stop!", 3}
	want(t, p.read(weak, dead), "raised clean_head/K stop (overwhelming)")
	p.now = all.Until
	d := p.read(weak, dead)
	want(t, d, "raised check_ink/C act (confirmed)")
	if !d.HeldTill.IsZero() {
		t.Errorf("still on hold: %v", d.HeldTill)
	}
}

func TestSilenceOnHoldIsToldAfterIt(t *testing.T) {
	p := newPlay(t, Options{Expect: []Expect{{Site: "quay", Printer: "heron", Station: "bench-1", Every: 30 * time.Hour}}})
	p.read()
	until := p.now.Add(50 * time.Hour)
	p.note(protocol.Note{Hold: &protocol.HoldNote{Key: "quay/heron/*", Until: until, Why: "the printer is being moved"}})
	n := len(p.told)
	p.pass(49 * time.Hour)
	if len(p.told) != n {
		t.Fatalf("told on hold: %+v", p.told[n:])
	}
	p.pass(2 * time.Hour)
	if len(p.told) != n+1 || p.told[n].Reason != ReasonSilent {
		t.Fatalf("%+v", p.told[n:])
	}
	// Closing all ends a hold.
	p.note(protocol.Note{Hold: &protocol.HoldNote{Key: "quay/heron/*", Until: p.now.Add(50 * time.Hour), Why: "again"}})
	if d := p.note(protocol.Note{Close: &protocol.CloseNote{Key: "quay/heron/*", Why: "it is back"}}); !d.HeldTill.IsZero() {
		t.Errorf("still on hold: %v", d.HeldTill)
	}
}
