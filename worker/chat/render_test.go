package chat

import (
	"fmt"
	"math/rand/v2"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"swathkeeper/protocol"
	"swathkeeper/worker/alert"
)

var allChanges = []string{
	protocol.ChangeRaised, protocol.ChangeWorse, protocol.ChangeBetter, protocol.ChangeReminder, protocol.ChangeCleared,
	protocol.ChangeHeld, protocol.ChangeClosed, protocol.ChangeAbsorbed,
}

// rendered is a change as the rules make it, with the longest names that may travel.
func rendered(advice, level, change, channel string, long bool) (site, printer string, c protocol.Change, v *protocol.Verdict) {
	site, printer = "quay", "heron"
	p := alert.PlanFor(advice, channel)
	c = protocol.Change{
		Key: "quay/heron/" + advice + "/x", Advice: advice, Channel: channel, Level: level, Change: change, Reason: "confirmed",
		Since: morning, LastGood: &protocol.LastGood{Reading: "r", At: morning.Add(-20 * time.Hour)}, Readings: []string{"a", "b"},
		Why: "12 light lines every 6.35 mm, up to 0.8 dE00", Likelihood: 0.8, Rival: protocol.AdvicePress, Steps: p.Steps, Cautions: p.Cautions,
	}
	v = &protocol.Verdict{Findings: []protocol.Finding{{Advice: advice, Channel: channel, Moves: []protocol.Move{
		{Channel: "C", Percent: 5.2, ExpectedDE00: 0.4}, {Channel: "M", Percent: -1.1, ExpectedDE00: 0.4},
	}}}}
	if long {
		site, printer = strings.Repeat("s", protocol.MaxToken), "heron"+strings.Repeat("p", protocol.MaxToken-5)
		c.Why = "12 light lines every 6.35 mm" + strings.Repeat(" and another thing that was seen", 40)
		c.Channel = strings.Repeat("Chan", 20)
		c.Steps = []string{strings.Repeat("First step with many words. ", 30), strings.Repeat("second ", 80)}
		c.Cautions = []string{strings.Repeat("Mind the hot platen. ", 40)}
	}
	return site, printer, c, v
}

// Every advice, level and change, with everyday names and with the longest ones.
func TestEveryMessageIsShortAndComplete(t *testing.T) {
	digit := regexp.MustCompile(`\d`)
	for _, advice := range protocol.Advices() {
		for _, level := range []string{protocol.LevelAct, protocol.LevelStop} {
			for _, change := range allChanges {
				for _, channel := range []string{"", "C"} {
					for i := range 4 {
						long, late := i%2 == 1, time.Duration(1+i)*time.Hour
						site, printer, c, v := rendered(advice, level, change, channel, long)
						text := renderChange(site, printer, c, v, morning.Add(time.Hour), morning.Add(late), time.UTC)
						name := strings.Join([]string{advice, level, change, channel}, " ")
						if n := utf8.RuneCountInString(text); n >= MaxText {
							t.Errorf("%s: %d characters:\n%s", name, n, text)
						}
						if !strings.Contains(firstLine(text), "heron") {
							t.Errorf("%s: does not name the printer:\n%s", name, text)
						}
						if !strings.Contains(firstLine(text), strings.TrimPrefix(cause(c), "no ")) {
							t.Errorf("%s: does not name the cause:\n%s", name, text)
						}
						if !digit.MatchString(text) {
							t.Errorf("%s: gives no number:\n%s", name, text)
						}
						step := clip(sentence(clean(c.Steps[0])), maxPart)
						if !strings.Contains(text, step) {
							t.Errorf("%s: does not give the first step:\n%s", name, text)
						}
						if len(c.Cautions) > 0 && !strings.Contains(text, "\nCare: "+clip(sentence(clean(c.Cautions[0])), maxPart)) {
							t.Errorf("%s: no caution:\n%s", name, text)
						}
						if told := strings.Contains(text, "\nLate: this was Wed 4 Mar 08:00."); told != (late-time.Hour > lateAfter) {
							t.Errorf("%s, told %v after it happened:\n%s", name, late-time.Hour, text)
						}
						if (level == protocol.LevelStop) != strings.HasPrefix(text, "STOP ") && change == protocol.ChangeRaised {
							t.Errorf("%s: stop is not the first word:\n%s", name, text)
						}
						for _, jargon := range []string{"likelihood", "sigma", "p-value", "hysteresis", "<nil>", "%!", "0001"} {
							if strings.Contains(text, jargon) {
								t.Errorf("%s: %q is no word for a printer:\n%s", name, jargon, text)
							}
						}
					}
				}
			}
		}
	}
}

// What can hurt carries its caution: every advice whose steps send people to a machine.
func TestNoWorkWithoutACaution(t *testing.T) {
	for _, advice := range append(protocol.Advices(), "check_something_new") {
		p := alert.PlanFor(advice, "C")
		if len(p.Steps) == 0 {
			t.Errorf("%s: no steps", advice)
		}
		if advice == protocol.AdviceSilent { // look at a computer
			continue
		}
		if len(p.Cautions) == 0 {
			t.Errorf("%s: no caution", advice)
			continue
		}
		first := p.Cautions[0]
		if utf8.RuneCountInString(first) > maxPart {
			t.Errorf("%s: the first caution would be cut in a message: %q", advice, first)
		}
		if !strings.Contains(first, "manual") || !strings.Contains(first, "local rules") {
			t.Errorf("%s: defers to no manual or rules: %q", advice, first)
		}
		if utf8.RuneCountInString(p.Steps[0]) > maxPart {
			t.Errorf("%s: the first step would be cut in a message: %q", advice, p.Steps[0])
		}
	}
	for _, advice := range []string{protocol.AdvicePress, protocol.AdviceMedia} {
		if c := alert.PlanFor(advice, "").Cautions[0]; !strings.Contains(c, "200 °C") || !strings.Contains(c, "fumes") {
			t.Errorf("%s: the platen and the fumes are not mentioned: %q", advice, c)
		}
	}
}

func TestAMessageInFull(t *testing.T) {
	site, printer, c, _ := rendered(protocol.AdviceClean, protocol.LevelAct, protocol.ChangeRaised, "C", false)
	c.Rival = ""
	want := `heron (quay): cyan nozzles missing or weak.
Seen: 12 light lines every 6.35 mm, up to 0.8 dE00, in 2 readings.
Sure: likely (80 %).
First: Print the printer's own nozzle pattern; if cyan has gaps, run one normal clean, then print and read a chart.
Then: Log it: ` + "`swathkeeper journal add clean`" + `. The next reading tells whether it helped.
Care: Keep hands, hair and sleeves out: the carriage moves without warning. Gloves and eye protection with ink or cleaning fluid. Follow the maker's manual, data sheets and local rules.
Suspect: everything printed since Tue 3 Mar 11:00.`
	if got := renderChange(site, printer, c, nil, morning, morning, time.UTC); got != want {
		t.Errorf("got:\n%s\nwant:\n%s", got, want)
	}
}

func TestRenderLeavesOutWhatWasAbsorbed(t *testing.T) {
	r := protocol.Record{Site: "quay", Printer: "heron", Changes: []protocol.Change{raised(1), raised(2)}}
	r.Changes[0].Change = protocol.ChangeAbsorbed
	if got := Render(r, nil); len(got) != 1 || !strings.Contains(got[0], "number 2") {
		t.Errorf("%q", got)
	}
}

// Whatever stands in a text from outside stays one line of plain text.
func FuzzClean(f *testing.F) {
	for _, s := range []string{"heron", "a\nb", "\x1b[31mred", "\u202egnp.exe", "@here <!channel>", "\xff\xfe", "a\u2028b\r\nTo: x"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got := clean(s)
		if !utf8.ValidString(got) || strings.ContainsAny(got, "\n\r\t\x00\x1b\u2028\u2029\u202e\u2066") {
			t.Errorf("clean(%q) = %q", s, got)
		}
		if again := clean(got); again != got {
			t.Errorf("clean(%q) = %q, and again %q", s, got, again)
		}
	})
}

// What the rules make of any readings and notes: each message short, complete, and with its caution.
func TestWhateverTheRulesTell(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 1))
	pick := func(from ...string) string { return from[rng.IntN(len(from))] }
	reasons := map[string]int{}
	for run := range 120 {
		advice, did := protocol.Advices(), []string{"clean", "clean", "ink", "profile", "press", "media", "service"}
		if run%3 == 0 { // lines, cleaned again and again
			advice, did = []string{protocol.AdviceClean}, []string{"clean"}
		}
		var state alert.State
		now := morning
		for n := range 60 {
			now = now.Add(time.Duration(rng.IntN(20)) * time.Hour)
			in := alert.Input{}
			switch rng.IntN(8) {
			case 0:
				in.Note = &protocol.Note{ID: protocol.DerivedID("n", fmt.Sprint(n)), At: now, Site: "quay", Printer: "heron",
					Journal: &protocol.JournalNote{What: pick(did...), Channel: pick("", "C")}}
			case 1: // the timer
			case 2:
				in.Note = &protocol.Note{ID: protocol.DerivedID("n", fmt.Sprint(n)), At: now, Site: "quay", Printer: "heron"}
				switch rng.IntN(6) {
				case 0:
					in.Note.Baseline = &protocol.BaselineNote{Do: protocol.BaselineLearn}
				case 1:
					in.Note.Close = &protocol.CloseNote{Key: "quay/heron/*", Why: "seen to"}
				default:
					in.Note.Hold = &protocol.HoldNote{Key: "quay/heron/*", Until: now.Add(9 * time.Hour), Why: "the engineer comes at noon"}
				}
			default:
				v := &protocol.Verdict{ID: fmt.Sprint("v", n), Reading: fmt.Sprint("r", n), At: now, Site: "quay", Printer: "heron",
					Series: pick("aaaaaaaaaaaa", "bbbbbbbbbbbb"), Outcome: pick("steady", "act", "act", "unusable"), Baseline: protocol.BaselineRef{Grade: "full", ID: "b"},
					Colour:  &protocol.Colour{MeanDE00: 3 * rng.Float64(), Channels: []protocol.ColourChannel{{Channel: "C", StrengthPercent: -9 * rng.Float64(), SinceReadings: rng.IntN(7)}}},
					Banding: &protocol.Banding{Channels: []protocol.BandingChannel{{Channel: "C"}, {Channel: "all"}}}}
				v.Condition.Stage = map[string]string{"aaaaaaaaaaaa": protocol.StagePressed, "bbbbbbbbbbbb": protocol.StageTransfer}[v.Series]
				if v.Outcome == "act" {
					f := protocol.Finding{Advice: pick(advice...), Level: pick("act", "stop"), Likelihood: rng.Float64(), Why: "seen by 3.1", Rival: pick("", protocol.AdvicePress, protocol.AdviceInk)}
					if f.Advice == protocol.AdviceClean || f.Advice == protocol.AdviceInk {
						f.Channel = "C"
					}
					if f.Advice == protocol.AdviceClean {
						v.Banding.Channels[0].Lines = []protocol.Line{{Kind: "dropout", ContrastDE00: 2 * rng.Float64()}}
					}
					v.Findings = append(v.Findings, f)
				}
				in.Verdict = v
			}
			var d alert.Decision
			state, d = alert.Next(state, in, now, alert.Options{})
			for _, text := range Render(protocol.Record{Site: "quay", Printer: "heron", At: now, Verdict: in.Verdict, Changes: d.Changes}, time.UTC) {
				if utf8.RuneCountInString(text) >= MaxText || !strings.Contains(firstLine(text), "heron (quay)") {
					t.Errorf("%d characters:\n%s", utf8.RuneCountInString(text), text)
				}
			}
			for _, c := range d.Changes {
				reasons[c.Change+" "+c.Reason]++
				text := renderChange("quay", "heron", c, in.Verdict, now, now, time.UTC)
				if !strings.Contains(text, sentence(clean(c.Steps[0]))) {
					t.Errorf("%s %s: the first step is cut:\n%s", c.Change, c.Reason, text)
				}
				work := regexp.MustCompile(`(?i)\b(clean|print|press|read|ink|roll|calibrate|profile|feed)\b`).MatchString(c.Steps[0])
				if work && len(c.Cautions) == 0 && c.Advice != protocol.AdviceSilent {
					t.Errorf("%s %s of %s: work without a caution: %s", c.Change, c.Reason, c.Advice, c.Steps[0])
				}
				if len(c.Cautions) > 0 && !strings.Contains(text, "\nCare: "+sentence(clean(c.Cautions[0]))) {
					t.Errorf("%s %s: the caution is cut:\n%s", c.Change, c.Reason, text)
				}
			}
		}
	}
	// All that the rules can tell is among it.
	for _, want := range []string{
		"raised confirmed", "raised supported", "raised causes_differ", "raised after_new_ink", "raised after_new_media", "raised cleans_no_effect", "raised unusable",
		"raised silent", "worse stop_level", "worse worse_after", "better below_stop", "reminder still_open", "reminder no_change", "reminder hold_ended",
		"cleared steady", "cleared other_cause", "cleared readable", "cleared heard", "closed by_hand", "closed refitted", "closed new_baseline", "held by_hand", "absorbed explained",
	} {
		if reasons[want] == 0 {
			t.Errorf("never told: %s", want)
		}
	}
}
