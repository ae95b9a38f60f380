package alert

import (
	"testing"
	"time"

	"swathkeeper/protocol"
)

// slow reads a chart on which cyan's strength began to change since readings ago, this one counted.
func (p *play) slow(since int, found ...seen) Decision {
	p.t.Helper()
	p.pass(time.Hour)
	v := p.verdict(reading{}, found...)
	if len(v.Colour.Channels) == 0 {
		v.Colour.Channels = []protocol.ColourChannel{{Channel: "C"}}
	}
	v.Colour.Channels[0].SinceReadings = since
	return p.step(Input{Verdict: v})
}

// A change that crept in: goods are suspect since the last reading before it began, as the message
// itself dates it, and not since the last reading that was within tolerance.
func TestSuspectSinceBeforeTheOnset(t *testing.T) {
	p := newPlay(t, Options{})
	p.slow(2)
	p.slow(0)
	before := p.now
	p.slow(1)
	p.slow(2)
	p.slow(3)
	want(t, p.slow(4, weak))
	d := p.slow(5, weak)
	want(t, d, "raised check_ink/C act (confirmed)")
	if g := d.Changes[0].LastGood; g == nil || !g.At.Equal(before) || g.Reading != "reading-2" {
		t.Errorf("last good %+v, it began 5 readings ago: want reading-2 of %v", g, before)
	}
	if g := d.Open[0].LastGood; g == nil || !g.At.Equal(before) {
		t.Errorf("in the list: %+v", g)
	}
}

// At once: the reading before the first that showed it.
func TestSuspectSinceTheReadingBefore(t *testing.T) {
	p := newPlay(t, Options{})
	p.slow(0)
	p.slow(1)
	before := p.now
	p.slow(1, weak)
	d := p.slow(2, weak)
	want(t, d, "raised check_ink/C act (confirmed)")
	if g := d.Changes[0].LastGood; g == nil || !g.At.Equal(before) {
		t.Errorf("last good %+v, want %v", g, before)
	}
}

// The estimate may move back while an alert is open; it is then told so. Another ink's onset is its own.
func TestTheOnsetMovesBackNeverForward(t *testing.T) {
	p := newPlay(t, Options{})
	p.slow(0)
	before := p.now
	p.slow(1)
	p.slow(1, weak)
	p.slow(1, weak)
	d := p.slow(4, weak)
	if g := d.Open[0].LastGood; g == nil || !g.At.Equal(before) {
		t.Errorf("last good %+v, want %v", g, before)
	}
	p.slow(0)
	d = p.slow(3, weak)
	if g := d.Open[0].LastGood; g == nil || !g.At.Equal(before) {
		t.Errorf("moved forward to %+v", g)
	}
	d = p.slow(0, seen{protocol.AdviceInk, "M", protocol.LevelStop + "!", 3})
	if g := d.Changes[0].LastGood; g == nil || g.At.Equal(before) {
		t.Errorf("magenta: %+v", g)
	}
}

// With no reading from before the onset, none is claimed to have been good.
func TestNoReadingBeforeTheOnset(t *testing.T) {
	p := newPlay(t, Options{})
	p.slow(1)
	p.slow(2)
	p.slow(3, weak)
	d := p.slow(4, weak)
	want(t, d, "raised check_ink/C act (confirmed)")
	if g := d.Changes[0].LastGood; g != nil {
		t.Errorf("last good %+v", g)
	}
}

// A cause that takes another over takes its suspect goods too, from the earlier of the two on.
func TestTheEarlierSuspicionIsTakenOver(t *testing.T) {
	p := newPlay(t, Options{})
	p.slow(0)
	before := p.now
	p.slow(1)
	p.slow(2)
	p.slow(3, weak)
	want(t, p.slow(4, weak), "raised check_ink/C act (confirmed)")
	p.slow(5, weak, press)
	d := p.slow(6, weak, press)
	want(t, d, "raised check_press/- act (confirmed)", "absorbed check_ink/C act (explained)")
	if g := d.Changes[0].LastGood; g == nil || !g.At.Equal(before) {
		t.Errorf("last good %+v, the ink's was %v", g, before)
	}
}

// What had begun before the new ink came is not laid at its door.
func TestTheNewInkDidNotBeginIt(t *testing.T) {
	p := newPlay(t, Options{})
	p.slow(0)
	p.slow(1)
	p.slow(2)
	p.did(protocol.DidInk, "C")
	p.slow(3, weak)
	want(t, p.slow(4, weak), "raised check_ink/C act (confirmed)")
	// And what began with it is.
	p = newPlay(t, Options{})
	p.slow(0)
	p.slow(0)
	p.did(protocol.DidInk, "C")
	p.slow(1)
	p.slow(2)
	p.slow(3, weak)
	want(t, p.slow(4, weak), "raised check_ink/C act (after_new_ink)")
}
