package alert

import (
	"testing"
	"time"

	"swathkeeper/protocol"
)

// A chart read without its strips cannot show lines: it neither clears an alert about them nor
// answers whether a clean helped.
func TestOnlyStripsSpeakForLines(t *testing.T) {
	p := newPlay(t, Options{})
	p.read(lines)
	want(t, p.read(lines), "raised clean_head/C act (confirmed)")
	p.did(protocol.DidClean, "C")
	for range 5 {
		want(t, p.readAs(reading{noTraces: true}))
	}
	if len(p.out) != 0 {
		t.Errorf("answered by a reading without strips: %+v", p.out)
	}
	want(t, p.read(lines), "reminder clean_head/C act (no_change)")
	want(t, p.read())
	want(t, p.read(), "cleared clean_head/C act (steady)")
}

// Strips without patches do not speak for colours.
func TestOnlyPatchesSpeakForColours(t *testing.T) {
	p := newPlay(t, Options{})
	p.read(weak)
	want(t, p.read(weak), "raised check_ink/C act (confirmed)")
	p.did(protocol.DidInk, "C")
	for range 5 {
		want(t, p.readAs(reading{noPatches: true}))
	}
	if len(p.out) != 0 {
		t.Errorf("answered by a reading without patches: %+v", p.out)
	}
	p.read()
	want(t, p.read(), "cleared check_ink/C act (steady)")
	if len(p.out) != 1 || p.out[0].Outcome != protocol.Helped {
		t.Errorf("%+v", p.out)
	}
}

// A weak section that the patches showed is cleared by patches.
func TestASectionOnThePatchesIsClearedByPatches(t *testing.T) {
	p := newPlay(t, Options{})
	one := reading{noTraces: true}
	section := seen{protocol.AdviceClean, "C", protocol.LevelAct, 0}
	p.readAs(one, section)
	want(t, p.readAs(one, section), "raised clean_head/C act (confirmed)")
	p.readAs(one)
	want(t, p.readAs(one), "cleared clean_head/C act (steady)")
}

// The strips of another ink do not speak for this one's lines.
func TestAnotherInksStripsDoNotSpeak(t *testing.T) {
	p := newPlay(t, Options{})
	p.read(lines)
	p.read(lines)
	for range 4 {
		v := p.verdict(reading{})
		v.Banding.Channels = v.Banding.Channels[1:] // cyan's are missing
		want(t, p.step(Input{Verdict: v}))
	}
}

// Lines stand out from their own strip: without a baseline they are told all the same, and they are
// over when the strips no longer show them, be it while a baseline is learned.
func TestLinesAreToldWithoutABaseline(t *testing.T) {
	p := newPlay(t, Options{})
	none := reading{noBaseline: true, noPatches: true}
	quiet := reading{noBaseline: true, noPatches: true, outcome: protocol.Learning}
	want(t, p.readAs(quiet))
	p.readAs(none, lines)
	want(t, p.readAs(none, lines), "raised clean_head/C act (confirmed)")
	// Taken as known-good, and yet with lines: no reading of that speaks for their end.
	p.pass(time.Hour)
	v := p.verdict(quiet)
	v.Banding.Channels[0].Lines = []protocol.Line{{Kind: "dropout", ContrastDE00: 1}}
	want(t, p.step(Input{Verdict: v}))
	want(t, p.readAs(quiet))
	want(t, p.readAs(quiet), "cleared clean_head/C act (steady)")
	// Colours are another matter: learning does not judge them.
	p = newPlay(t, Options{})
	p.read(weak)
	p.read(weak)
	for range 4 {
		want(t, p.readAs(quiet))
	}
}
