package alert

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"swathkeeper/protocol"
)

// unsure is a colour finding with a likelihood and a rival.
func (p *play) unsure(advice, channel string, likelihood float64, rival string) Decision {
	p.t.Helper()
	p.pass(time.Hour)
	v := p.verdict(reading{}, seen{advice, channel, protocol.LevelAct, 2})
	v.Findings[0].Likelihood, v.Findings[0].Rival = likelihood, rival
	return p.step(Input{Verdict: v})
}

// Two readings beyond tolerance are enough, also when they name different causes of colour: people
// are told at the second, with the cause that the two together support better.
func TestTwoDifferentCausesRaiseAtTheSecond(t *testing.T) {
	for _, c := range []struct {
		name             string
		first, second    [3]any // advice, channel, likelihood
		rivals           [2]string
		raised           string
		likelihoodAbout  float64
		rival, otherSaid string
	}{
		{"the surer reading wins", [3]any{protocol.AdviceInk, "C", 0.55}, [3]any{protocol.AdvicePress, "", 0.9}, [2]string{},
			"raised check_press/- act (causes_differ)", 0.45, protocol.AdviceInk, "cyan ink not as usual"},
		{"also when it came first", [3]any{protocol.AdvicePress, "", 0.9}, [3]any{protocol.AdviceInk, "C", 0.55}, [2]string{},
			"raised check_press/- act (causes_differ)", 0.45, protocol.AdviceInk, "cyan ink not as usual"},
		{"a rival named by the other reading counts", [3]any{protocol.AdviceInk, "C", 0.6}, [3]any{protocol.AdvicePress, "", 0.7}, [2]string{"", protocol.AdviceInk},
			"raised check_ink/C act (causes_differ)", 0.45, protocol.AdvicePress, "heat press not as usual"},
		{"even: the newer", [3]any{protocol.AdviceInk, "C", 0.8}, [3]any{protocol.AdviceInk, "M", 0.8}, [2]string{},
			"raised check_ink/M act (causes_differ)", 0.4, "", "cyan ink not as usual"},
		{"a doubt and a cause", [3]any{protocol.AdviceRemeasure, "", 0.6}, [3]any{protocol.AdviceInk, "C", 0.8}, [2]string{},
			"raised check_ink/C act (causes_differ)", 0.4, protocol.AdviceRemeasure, "a reading in doubt"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := newPlay(t, Options{})
			p.read()
			good := p.now
			want(t, p.unsure(c.first[0].(string), c.first[1].(string), c.first[2].(float64), c.rivals[0]))
			first := p.now
			d := p.unsure(c.second[0].(string), c.second[1].(string), c.second[2].(float64), c.rivals[1])
			want(t, d, c.raised)
			ch := d.Changes[0]
			if !ch.Since.Equal(first) || ch.LastGood == nil || !ch.LastGood.At.Equal(good) {
				t.Errorf("since %v, last good %+v; colours were off from the first of the two on", ch.Since, ch.LastGood)
			}
			if len(ch.Readings) != 2 || ch.Readings[0] != "reading-2" || ch.Readings[1] != "reading-3" {
				t.Errorf("evidence %q", ch.Readings)
			}
			if off := ch.Likelihood - c.likelihoodAbout; off < -0.01 || off > 0.01 {
				t.Errorf("likelihood %.2f, the two readings together give %.2f", ch.Likelihood, c.likelihoodAbout)
			}
			if ch.Rival != c.rival || !strings.Contains(ch.Why, c.otherSaid) || ch.SplittingCheck == "" || ch.Steps[0] != ch.SplittingCheck {
				t.Errorf("rival %q, why %q, check %q, first %q", ch.Rival, ch.Why, ch.SplittingCheck, ch.Steps[0])
			}
		})
	}
}

func TestDifferentCausesAreNotToldWhereOneIsNotEnough(t *testing.T) {
	// The same print read twice is one sighting, whatever it is taken for.
	p := newPlay(t, Options{})
	one := reading{print: "000412"}
	p.readAs(one, weak)
	want(t, p.readAs(one, press))
	// Out of the window.
	p = newPlay(t, Options{})
	p.read(weak)
	p.read()
	p.read()
	want(t, p.read(press))
	// Lines are another question.
	p = newPlay(t, Options{})
	p.read(lines)
	want(t, p.read(press))
	// What an open alert explains is no second fault.
	p = newPlay(t, Options{})
	p.read(lines)
	p.read(lines)
	want(t, p.read(lines, weak))
	want(t, p.read(lines, refit))
	// While one is open, the next waits for its own confirmation.
	p = newPlay(t, Options{})
	p.read(weak)
	p.read(weak)
	want(t, p.read(press))
	want(t, p.read(press), "raised check_press/- act (confirmed)", "absorbed check_ink/C act (explained)")
	// Two series that disagree: a good transfer speaks against the ink, not against the press.
	p = newPlay(t, Options{})
	p.readAs(transfer)
	p.readAs(goods)
	p.readAs(goods, weak)
	p.readAs(transfer)
	want(t, p.readAs(goods, seen{protocol.AdviceInk, "M", protocol.LevelAct, 2}))
	p = newPlay(t, Options{})
	p.readAs(transfer)
	p.readAs(goods)
	p.readAs(goods, weak)
	p.readAs(transfer)
	want(t, p.readAs(goods, press), "raised check_press/- act (causes_differ)")
}

func TestDifferentCausesThenOneOfThem(t *testing.T) {
	p := newPlay(t, Options{})
	p.read(weak)
	want(t, p.read(press), "raised check_press/- act (causes_differ)")
	want(t, p.read(press))
	want(t, p.read(weak)) // the press explains it
	want(t, p.read(weak), "raised check_ink/C act (confirmed)", "cleared check_press/- act (other_cause)")
	want(t, p.read())
	want(t, p.read(), "cleared check_ink/C act (steady)")
}

func TestTwoDifferentStopsRaiseAStop(t *testing.T) {
	p := newPlay(t, Options{})
	p.read(seen{protocol.AdviceInk, "C", protocol.LevelStop, 4})
	want(t, p.read(seen{protocol.AdvicePress, "", protocol.LevelStop, 4}), "raised check_press/- stop (causes_differ)")
	p = newPlay(t, Options{})
	p.read(seen{protocol.AdviceInk, "C", protocol.LevelStop, 4})
	want(t, p.read(press), "raised check_press/- act (causes_differ)")
}

// Whatever causes two readings in a row name, people hear of it at the second.
func TestTwoReadingsBeyondToleranceAreAlwaysTold(t *testing.T) {
	colours := []string{protocol.AdviceRefit, protocol.AdviceInk, protocol.AdvicePress, protocol.AdviceMedia, protocol.AdviceSettings, protocol.AdviceRemeasure}
	rapid.Check(t, func(rt *rapid.T) {
		p := newPlay(t, Options{NoLearnedSilence: true})
		row := 0
		for range rapid.IntRange(2, 12).Draw(rt, "readings") {
			if rapid.IntRange(0, 2).Draw(rt, "steady") == 0 {
				p.read()
				row = 0
				continue
			}
			ch := ""
			advice := rapid.SampledFrom(colours).Draw(rt, "advice")
			if advice == protocol.AdviceInk {
				ch = rapid.SampledFrom([]string{"C", "M"}).Draw(rt, "channel")
			}
			p.unsure(advice, ch, rapid.Float64Range(0.3, 1).Draw(rt, "likelihood"), rapid.SampledFrom(append(colours, "")).Draw(rt, "rival"))
			if row++; row >= 2 && len(p.open) == 0 {
				rt.Fatalf("%d readings in a row beyond tolerance and nothing is open", row)
			}
		}
	})
}
