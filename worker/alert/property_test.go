package alert

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"swathkeeper/protocol"
)

var advices = []string{
	protocol.AdviceClean, protocol.AdviceRefit, protocol.AdviceInk, protocol.AdvicePress, protocol.AdviceMedia,
	protocol.AdviceFeed, protocol.AdviceSettings, protocol.AdviceRemeasure,
}

func drawInput(t *rapid.T, n int, now time.Time, open []protocol.Alert) Input {
	pick := func(name string, from ...string) string { return rapid.SampledFrom(from).Draw(t, name) }
	key := func() string {
		keys := []string{"quay/heron/*", "quay/heron/clean_head/C", "quay/heron/nothing/-"}
		for _, a := range open {
			keys = append(keys, a.Key)
		}
		return rapid.SampledFrom(keys).Draw(t, "key")
	}
	note := protocol.Note{Schema: protocol.SchemaNote, ID: protocol.DerivedID("note", fmt.Sprint(n)), At: now, Site: "quay", Printer: "heron"}
	switch rapid.IntRange(0, 9).Draw(t, "kind") {
	case 0:
		note.Journal = &protocol.JournalNote{What: pick("what", "clean", "ink", "profile", "press", "media", "service", "note"), Channel: pick("ch", "", "C", "K")}
		return Input{Note: &note}
	case 1:
		switch rapid.IntRange(0, 2).Draw(t, "note") {
		case 0:
			note.Hold = &protocol.HoldNote{Key: key(), Until: now.Add(time.Duration(rapid.IntRange(-5, 50).Draw(t, "hold")) * time.Hour), Why: "known"}
		case 1:
			note.Close = &protocol.CloseNote{Key: key(), Why: "seen to"}
		default:
			note.Baseline = &protocol.BaselineNote{Do: pick("do", "learn", "accept", "retire"), Series: pick("s", "", "aaaaaaaaaaaa")}
		}
		return Input{Note: &note}
	case 2:
		return Input{}
	}
	v := &protocol.Verdict{
		ID: fmt.Sprint("v", n), Reading: fmt.Sprint("r", n), At: now, Site: "quay", Printer: "heron",
		Series: pick("series", "aaaaaaaaaaaa", "bbbbbbbbbbbb", "cccccccccccc"), Station: pick("station", "", "bench-1", "bench-2"),
		Print: pick("print", "", "1", "2", "3"), Late: rapid.IntRange(0, 9).Draw(t, "late") == 0,
		Outcome:  pick("outcome", "steady", "steady", "steady", "note", "act", "act", "stop", "learning", "unusable"),
		Baseline: protocol.BaselineRef{ID: pick("baseline", "one", "one", "one", "two"), Grade: pick("grade", "full", "provisional", "tentative", "none")},
		Colour:   &protocol.Colour{MeanDE00: rapid.Float64Range(0, 5).Draw(t, "de")},
	}
	v.Condition.Stage = map[string]string{"aaaaaaaaaaaa": "pressed", "bbbbbbbbbbbb": "transfer", "cccccccccccc": "direct"}[v.Series]
	v.Condition.Path = pick("path", "", "device", "managed")
	switch rapid.IntRange(0, 4).Draw(t, "seen by") {
	case 0:
		v.Colour = nil
		fallthrough
	case 1, 2:
		v.Banding = &protocol.Banding{Channels: []protocol.BandingChannel{{Channel: "C"}, {Channel: "all"}}}
		if rapid.Bool().Draw(t, "line") {
			v.Banding.Channels[0].Lines = []protocol.Line{{Kind: "dropout", ContrastDE00: rapid.Float64Range(0, 3).Draw(t, "contrast")}}
		}
	}
	if v.Colour != nil {
		for _, ch := range []string{"C", "K"} {
			v.Colour.Channels = append(v.Colour.Channels, protocol.ColourChannel{Channel: ch, SinceReadings: rapid.IntRange(0, 6).Draw(t, "since")})
		}
	}
	if v.Outcome == "act" || v.Outcome == "stop" || v.Outcome == "note" {
		for range rapid.IntRange(1, 3).Draw(t, "findings") {
			v.Findings = append(v.Findings, protocol.Finding{
				Advice: rapid.SampledFrom(advices).Draw(t, "advice"), Channel: pick("channel", "", "C", "K"),
				Level: pick("level", "note", "act", "act", "stop"), Likelihood: rapid.Float64Range(0, 1).Draw(t, "likelihood"),
				Overwhelming: rapid.IntRange(0, 9).Draw(t, "overwhelming") == 0, Why: "seen",
			})
		}
	}
	return Input{Verdict: v}
}

// No sequence of inputs gives two open alerts with one key, an alert that ends without having been
// raised or is raised twice, a message without a change, or a state that grows.
func TestAnySequenceKeepsTheBooks(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		opts := Options{ClosedDays: []time.Weekday{time.Sunday}, Expect: []Expect{{Site: "quay", Printer: "heron", Station: "bench-1", Every: 30 * time.Hour}}}
		now := morning
		var state State
		var last Decision
		open := map[string]string{}
		for n := range rapid.IntRange(1, 40).Draw(rt, "inputs") {
			now = now.Add(time.Duration(rapid.IntRange(0, 40).Draw(rt, "hours")) * time.Hour)
			in := drawInput(rt, n, now, last.Open)
			if !last.NextWake.IsZero() && last.NextWake.Before(now) && rapid.Bool().Draw(rt, "timer first") {
				now, in = last.NextWake, Input{}
			}
			before := must(json.Marshal(state))
			next, d := Next(state, in, now, opts)
			if after := must(json.Marshal(state)); string(after) != string(before) {
				rt.Fatalf("the state given was changed:\n%s\n%s", before, after)
			}
			var back State
			if err := json.Unmarshal(before, &back); err != nil {
				rt.Fatal(err)
			}
			again, e := Next(back, in, now, opts)
			if string(must(json.Marshal(again))) != string(must(json.Marshal(next))) || string(must(json.Marshal(d))) != string(must(json.Marshal(e))) {
				rt.Fatalf("the same input decided twice, from memory and from JSON, differs:\n%s\n%s", must(json.Marshal(d)), must(json.Marshal(e)))
			}

			told := map[string]bool{}
			for _, c := range d.Changes {
				if told[c.Key] {
					rt.Fatalf("%s told twice for one input: %+v", c.Key, d.Changes)
				}
				told[c.Key] = true
				if c.LastGood != nil && c.LastGood.At.After(c.Since) && c.Advice != protocol.AdviceSilent {
					rt.Fatalf("good after it began: %+v", c)
				}
				if c.Reason == "" || len(c.Steps) == 0 || rank(c.Level) < rank(protocol.LevelAct) || c.Since.IsZero() {
					rt.Fatalf("a change without reason, steps, level or since: %+v", c)
				}
				_, was := open[c.Key]
				switch c.Change {
				case protocol.ChangeRaised:
					if was {
						rt.Fatalf("%s raised twice", c.Key)
					}
					open[c.Key] = c.Level
				case protocol.ChangeCleared, protocol.ChangeClosed, protocol.ChangeAbsorbed:
					if !was {
						rt.Fatalf("%s %s without having been raised", c.Key, c.Change)
					}
					delete(open, c.Key)
				default:
					if !was {
						rt.Fatalf("%s %s without having been raised", c.Key, c.Change)
					}
					open[c.Key] = c.Level
				}
			}
			if len(d.Open) != len(open) {
				rt.Fatalf("open %+v, by the changes %v", d.Open, open)
			}
			refit, earlier := false, false
			listed := map[string]bool{}
			for _, a := range d.Open {
				if _, ok := open[a.Key]; !ok || listed[a.Key] {
					rt.Fatalf("%s is listed open; by the changes %v", a.Key, open)
				}
				listed[a.Key] = true
				refit = refit || a.Advice == protocol.AdviceRefit
				earlier = earlier || strength(a.Advice) > strength(protocol.AdviceRefit)
			}
			if refit && earlier {
				rt.Fatalf("a refit is advised while an earlier cause is open: %+v", d.Open)
			}
			late := in.Verdict != nil && in.Verdict.Late
			if late && (len(d.Changes) > 0 || len(d.Outcomes) > 0) {
				rt.Fatalf("a late reading moved something: %+v", d)
			}
			if !late && !d.NextWake.IsZero() && !d.NextWake.After(now) {
				rt.Fatalf("the timer would go off at once: %v at %v", d.NextWake, now)
			}
			if size := len(must(json.Marshal(next))); size > 24<<10 {
				rt.Fatalf("the state grew to %d bytes", size)
			}
			state, last = next, d
		}
	})
}

func must(b []byte, err error) []byte {
	if err != nil {
		panic(err)
	}
	return b
}
