package alert

import (
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol"
)

func outcomes(p *play) string {
	var b []string
	for _, o := range p.out {
		b = append(b, o.What+" "+o.Channel+" "+strings.TrimPrefix(o.Key, "quay/heron/")+" "+o.Outcome)
	}
	p.out = nil
	return strings.Join(b, "; ")
}

func TestACleanThatHelped(t *testing.T) {
	p := newPlay(t, Options{})
	p.read()
	p.read(lines)
	p.read(lines)
	want(t, p.did(protocol.DidClean, "C"))
	want(t, p.read())
	if got := outcomes(p); got != "clean C clean_head/C helped" {
		t.Errorf("%q", got)
	}
	d := p.read()
	want(t, d, "cleared clean_head/C act (steady)")
	if why := d.Changes[0].Why; !strings.Contains(why, "The clean of Wed 4 Mar") || !strings.Contains(why, "helped") {
		t.Errorf("why %q", why)
	}
}

func TestSecondCleanWithoutEffectTurnsTheAdvice(t *testing.T) {
	p := newPlay(t, Options{})
	p.read()
	good := p.now
	p.read(lines)
	p.read(lines)
	p.did(protocol.DidClean, "")
	d := p.read(lines)
	want(t, d, "reminder clean_head/C act (no_change)")
	if !strings.HasPrefix(d.Changes[0].Why, "No change after the clean of Wed") {
		t.Errorf("why %q", d.Changes[0].Why)
	}
	want(t, p.read(lines)) // told once
	p.did(protocol.DidClean, "C")
	d = p.read(lines)
	want(t, d, "absorbed clean_head/C act (cleans_no_effect)", "raised check_ink/C act (cleans_no_effect)")
	c := d.Changes[1]
	if !strings.Contains(c.Why, "2 cleans without effect") || !strings.HasPrefix(c.Steps[0], "Stop cleaning. Let cyan rest") || len(c.Cautions) == 0 {
		t.Errorf("%+v", c)
	}
	if c.LastGood == nil || !c.LastGood.At.Equal(good) {
		t.Errorf("last good %+v, want %v", c.LastGood, good)
	}
	if got := outcomes(p); got != "clean C clean_head/C no_change; clean C clean_head/C no_change" {
		t.Errorf("%q", got)
	}
	// The lines, still there, keep the ink's alert open and raise nothing new.
	want(t, p.read(lines))
	want(t, p.read(lines))
	want(t, p.read())
	want(t, p.read(), "cleared check_ink/C act (steady)")
}

func TestMadeWorse(t *testing.T) {
	p := newPlay(t, Options{})
	p.read(lines)
	p.read(lines)
	p.did(protocol.DidClean, "C")
	want(t, p.read(seen{protocol.AdviceClean, "C", protocol.LevelAct, 1.5}), "worse clean_head/C act (worse_after)")
	if got := outcomes(p); got != "clean C clean_head/C worse" {
		t.Errorf("%q", got)
	}
}

func TestACleanOfAnotherInkAnswersNothingHere(t *testing.T) {
	p := newPlay(t, Options{})
	p.read(lines)
	p.read(lines)
	p.did(protocol.DidClean, "K")
	want(t, p.read(lines))
	if got := outcomes(p); got != "clean K  no_change" {
		t.Errorf("%q", got)
	}
}

func TestAnOldPrintDoesNotAnswer(t *testing.T) {
	p := newPlay(t, Options{})
	p.readAs(reading{print: "11"}, lines)
	p.readAs(reading{print: "12"}, lines)
	p.did(protocol.DidClean, "C")
	p.readAs(reading{print: "12"}, lines) // read again: it was printed before the clean
	if got := outcomes(p); got != "" {
		t.Errorf("%q", got)
	}
	p.readAs(reading{print: "13"})
	if got := outcomes(p); got != "clean C clean_head/C helped" {
		t.Errorf("%q", got)
	}
}

func TestNewInkQuestionsTheBaseline(t *testing.T) {
	p := newPlay(t, Options{})
	p.read()
	p.did(protocol.DidInk, "C")
	p.read(weak)
	d := p.read(weak)
	want(t, d, "raised check_ink/C act (after_new_ink)")
	if !strings.Contains(d.Changes[0].Steps[0], "learn a new baseline") {
		t.Errorf("steps %q", d.Changes[0].Steps)
	}
	// Another ink is not questioned, nor is the same one against a baseline learned since.
	black := seen{protocol.AdviceInk, "K", protocol.LevelAct, 2}
	p.read(weak, black)
	want(t, p.read(weak, black), "raised check_ink/K act (confirmed)")
	want(t, p.note(protocol.Note{Baseline: &protocol.BaselineNote{Do: protocol.BaselineLearn}}),
		"closed check_ink/C act (new_baseline)", "closed check_ink/K act (new_baseline)")
	p.readAs(reading{baseline: "baseline-2"})
	p.readAs(reading{baseline: "baseline-2"}, weak)
	want(t, p.readAs(reading{baseline: "baseline-2"}, weak), "raised check_ink/C act (confirmed)")
}

func TestLinesAfterNewInkAreStillLines(t *testing.T) {
	p := newPlay(t, Options{})
	p.read()
	p.did(protocol.DidInk, "C")
	p.read(lines)
	want(t, p.read(lines), "raised clean_head/C act (confirmed)")
}

func TestProfileOnTheDevicePathClosesAndAsksForABaseline(t *testing.T) {
	left := seen{protocol.AdviceRefit, "", protocol.LevelAct, 1.5}
	p := newPlay(t, Options{})
	p.read(left)
	p.read(left)
	d := p.did(protocol.DidProfile, "")
	want(t, d, "closed refit_profile/aaaaaaaaaaaa act (refitted)")
	if !strings.Contains(d.Changes[0].Steps[0], "baseline learn") {
		t.Errorf("steps %q", d.Changes[0].Steps)
	}
	for range 4 { // the chart still differs; that is no news
		want(t, p.read(left))
	}
	want(t, p.readAs(reading{baseline: "baseline-2"}, left))
	want(t, p.readAs(reading{baseline: "baseline-2"}, left), "raised refit_profile/aaaaaaaaaaaa act (confirmed)")
}

func TestWithoutANewBaselineTheRefitComesBack(t *testing.T) {
	left := seen{protocol.AdviceRefit, "", protocol.LevelAct, 1.5}
	p := newPlay(t, Options{NoLearnedSilence: true})
	p.read(left)
	p.read(left)
	p.did(protocol.DidProfile, "")
	p.pass(7 * day)
	p.read(left)
	want(t, p.read(left), "raised refit_profile/aaaaaaaaaaaa act (confirmed)")
}

func TestProfileOnTheManagedPathIsAnsweredByReadings(t *testing.T) {
	left := seen{protocol.AdviceRefit, "", protocol.LevelAct, 1.5}
	managed := reading{path: protocol.PathManaged}
	p := newPlay(t, Options{})
	p.readAs(managed, left)
	p.readAs(managed, left)
	want(t, p.did(protocol.DidProfile, ""))
	want(t, p.readAs(managed))
	want(t, p.readAs(managed), "cleared refit_profile/aaaaaaaaaaaa act (steady)")
	if got := outcomes(p); got != "profile  refit_profile/aaaaaaaaaaaa helped" {
		t.Errorf("%q", got)
	}
}

func TestHoldAndClose(t *testing.T) {
	p := newPlay(t, Options{NoLearnedSilence: true})
	p.read()
	p.read(lines)
	first := p.now
	p.read(lines)
	key := "quay/heron/clean_head/C"
	d := p.note(protocol.Note{Hold: &protocol.HoldNote{Key: key, Until: p.now.Add(8 * time.Hour), Why: "the engineer comes at noon"}})
	want(t, d, "held clean_head/C act (by_hand)")
	if !d.Open[0].Held || d.Open[0].HeldTill.IsZero() {
		t.Errorf("%+v", d.Open)
	}
	want(t, p.read(seen{protocol.AdviceClean, "C", protocol.LevelAct, 9}))
	want(t, p.read(seen{protocol.AdviceClean, "C", protocol.LevelAct, 9}))
	n := len(p.told)
	p.pass(8 * time.Hour)
	if len(p.told) != n+1 || p.told[n].Reason != ReasonHoldEnded || p.open[0].Held {
		t.Fatalf("%+v", p.told[n:])
	}
	want(t, p.note(protocol.Note{Close: &protocol.CloseNote{Key: key, Why: "seen to"}}), "closed clean_head/C act (by_hand)")
	want(t, p.note(protocol.Note{Close: &protocol.CloseNote{Key: key, Why: "again"}})) // nothing open: no change
	want(t, p.read(lines))
	d = p.read(lines)
	want(t, d, "raised clean_head/C act (confirmed)")
	if lg := d.Changes[0].LastGood; lg == nil || !lg.At.Before(first) {
		t.Errorf("goods were suspect all the while: %+v", lg)
	}
}

func TestStopBreaksAHold(t *testing.T) {
	p := newPlay(t, Options{})
	p.read(lines)
	p.read(lines)
	p.note(protocol.Note{Hold: &protocol.HoldNote{Key: "quay/heron/*", Until: p.now.Add(48 * time.Hour), Why: "known"}})
	want(t, p.read(seen{protocol.AdviceClean, "C", "stop!", 4}), "worse clean_head/C stop (stop_level)")
	if p.open[0].Held {
		t.Error("still held")
	}
}

func TestNoReminderWhileTheAnswerIsAwaited(t *testing.T) {
	p := newPlay(t, Options{NoLearnedSilence: true})
	p.read(lines)
	p.read(lines)
	n := len(p.told)
	p.pass(20 * time.Hour)
	p.did(protocol.DidClean, "C")
	p.pass(23 * time.Hour)
	if len(p.told) != n {
		t.Fatalf("%+v", p.told[n:])
	}
	p.pass(2 * time.Hour)
	if len(p.told) != n+1 || p.told[n].Reason != ReasonStillOpen {
		t.Fatalf("%+v", p.told[n:])
	}
}

// Cleaned twice on one sighting, and still there at the second: told once, as what cleaning does not
// clear.
func TestCleanedTwiceBeforeItWasTold(t *testing.T) {
	p := newPlay(t, Options{})
	p.read(lines)
	p.did(protocol.DidClean, "C")
	p.did(protocol.DidClean, "C")
	want(t, p.read(lines), "raised check_ink/C act (cleans_no_effect)")
	p.read()
	want(t, p.read(), "cleared check_ink/C act (steady)")
}
