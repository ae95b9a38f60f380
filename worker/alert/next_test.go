package alert

import (
	"encoding/json"
	"testing"
	"time"

	"swathkeeper/protocol"
)

func rebuild(t *testing.T, s State) State {
	t.Helper()
	b, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	var out State
	if err := json.Unmarshal(b, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

var (
	lines = seen{protocol.AdviceClean, "C", protocol.LevelAct, 0.8}
	dots  = seen{protocol.AdviceClean, "C", protocol.LevelNote, 0.2}
	weak  = seen{protocol.AdviceInk, "C", protocol.LevelAct, 2}
)

func TestTwoOfThreeRaiseAndTwoSteadyClear(t *testing.T) {
	p := newPlay(t, Options{})
	want(t, p.read())
	good := p.now
	want(t, p.read(lines))
	first := p.now
	want(t, p.read())
	d := p.read(lines)
	want(t, d, "raised clean_head/C act (confirmed)")
	c := d.Changes[0]
	if !c.Since.Equal(first) || c.LastGood == nil || !c.LastGood.At.Equal(good) || c.LastGood.Reading != "reading-1" {
		t.Errorf("since %v, last good %+v; want the first sighting and the reading before it", c.Since, c.LastGood)
	}
	if c.Verdict != "verdict-4" || len(c.Readings) != 2 || c.Readings[0] != "reading-2" || c.Readings[1] != "reading-4" {
		t.Errorf("evidence %q %q", c.Verdict, c.Readings)
	}
	if len(d.Open) != 1 || d.Open[0].Key != "quay/heron/clean_head/C" || d.Open[0].Level != protocol.LevelAct {
		t.Errorf("open %+v", d.Open)
	}
	want(t, p.read(lines)) // no repeats without change
	want(t, p.read())
	want(t, p.read(lines)) // flapping keeps it open and quiet
	want(t, p.read())
	d = p.read()
	want(t, d, "cleared clean_head/C act (steady)")
	if len(d.Open) != 0 {
		t.Errorf("open %+v", d.Open)
	}
	want(t, p.read(lines)) // and begins anew
}

func TestTwoIdenticalReadingsInARowRaiseEveryAdvice(t *testing.T) {
	for _, advice := range []string{
		protocol.AdviceClean, protocol.AdviceRefit, protocol.AdviceInk, protocol.AdvicePress, protocol.AdviceMedia,
		protocol.AdviceFeed, protocol.AdviceSettings, protocol.AdviceRemeasure, "check_something_new",
	} {
		p := newPlay(t, Options{})
		f := seen{advice, "", protocol.LevelAct, 1.3}
		want(t, p.read(f))
		if d := p.read(f); len(d.Changes) != 1 || d.Changes[0].Change != protocol.ChangeRaised {
			t.Errorf("%s: %+v", advice, d.Changes)
		}
		p.read()
		if d := p.read(); len(d.Changes) != 1 || d.Changes[0].Change != protocol.ChangeCleared || len(d.Open) != 0 {
			t.Errorf("%s: %+v", advice, d.Changes)
		}
	}
}

func TestOverwhelmingNeedsNoSecondReading(t *testing.T) {
	p := newPlay(t, Options{})
	want(t, p.read())
	want(t, p.read(seen{protocol.AdviceClean, "K", "stop!", 3}), "raised clean_head/K stop (overwhelming)")
}

func TestOneStopIsNotEnoughUnlessOverwhelming(t *testing.T) {
	stop := seen{protocol.AdviceClean, "C", protocol.LevelStop, 2}
	p := newPlay(t, Options{})
	want(t, p.read(stop))
	want(t, p.read(lines), "raised clean_head/C act (confirmed)")
	want(t, p.read(stop))
	want(t, p.read(stop), "worse clean_head/C stop (stop_level)")
	want(t, p.read(lines))
	want(t, p.read(lines), "better clean_head/C act (below_stop)")
}

func TestWorseAndBetterOnlyPastAStep(t *testing.T) {
	p := newPlay(t, Options{})
	at := func(size float64) seen { return seen{protocol.AdviceClean, "C", protocol.LevelAct, size} }
	p.read(at(1))
	want(t, p.read(at(1)), "raised clean_head/C act (confirmed)")
	want(t, p.read(at(1.4)))
	want(t, p.read(at(1.4)))
	want(t, p.read(at(1.6)))
	want(t, p.read(at(1.6)), "worse clean_head/C act (grown)")
	want(t, p.read(at(1.6)))
	want(t, p.read(at(0.7)))
	want(t, p.read(at(0.7)), "better clean_head/C act (shrunk)")
	want(t, p.read(at(0.7)))
}

func TestWithinToleranceHoldsOpenThenClears(t *testing.T) {
	p := newPlay(t, Options{})
	p.read(lines)
	p.read(lines)
	want(t, p.read(dots))
	want(t, p.read(dots))
	want(t, p.read(dots))
	want(t, p.read(dots), "cleared clean_head/C act (within_tolerance)")
}

func TestLateMovesNothing(t *testing.T) {
	p := newPlay(t, Options{})
	p.read(lines)
	before, _ := json.Marshal(p.state)
	want(t, p.readAs(reading{late: true}, lines))
	want(t, p.readAs(reading{late: true}, seen{protocol.AdviceClean, "K", "stop!", 9}))
	after, _ := json.Marshal(p.state)
	if string(before) != string(after) {
		t.Errorf("state moved:\n%s\n%s", before, after)
	}
}

func TestLearningAndNoBaselineMoveNothing(t *testing.T) {
	p := newPlay(t, Options{})
	p.read(lines, seen{protocol.AdviceInk, "K", protocol.LevelAct, 2})
	p.read(lines, seen{protocol.AdviceInk, "K", protocol.LevelAct, 2})
	for range 4 {
		want(t, p.readAs(reading{outcome: protocol.Learning, noTraces: true}))
		want(t, p.readAs(reading{outcome: protocol.Learning, noTraces: true, noPatches: true, noBaseline: true}))
	}
	if len(p.open) != 2 {
		t.Errorf("open %+v", p.open)
	}
}

func TestUnusableReadingsInARowAreTold(t *testing.T) {
	p := newPlay(t, Options{})
	want(t, p.readAs(reading{outcome: protocol.Unusable}))
	d := p.readAs(reading{outcome: protocol.Unusable})
	want(t, d, "raised remeasure/aaaaaaaaaaaa act (unusable)")
	want(t, p.readAs(reading{outcome: protocol.Unusable}))
	want(t, p.read(), "cleared remeasure/aaaaaaaaaaaa act (readable)")
}

func TestReminderAndQuietDays(t *testing.T) {
	p := newPlay(t, Options{ClosedDays: []time.Weekday{time.Saturday, time.Sunday}, NoLearnedSilence: true})
	p.pass(2 * day) // Friday
	p.read(lines)
	p.read(lines)
	n := len(p.told)
	p.pass(36 * time.Hour)
	if len(p.told) != n {
		t.Fatalf("reminded on a closed day: %+v", p.told[n:])
	}
	p.pass(36 * time.Hour)
	if len(p.told) != n+1 || p.told[n].Change != protocol.ChangeReminder || p.told[n].Reason != ReasonStillOpen {
		t.Fatalf("%+v", p.told[n:])
	}
}
