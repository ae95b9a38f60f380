package chat

import (
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"swathkeeper/protocol"
	"swathkeeper/worker/alert"
	"swathkeeper/worker/zones"
)

// MaxText is the length in characters that every message about a change stays under.
const MaxText = 600

// maxPart is the length of a step or a caution that is never cut.
const maxPart = 180

// Render writes a record's changes as chat would tell them, one text a change, in the shop's time
// zone. What was absorbed is not told: the alert that explains it is.
func Render(record protocol.Record, loc *time.Location) []string {
	if loc == nil {
		loc = time.UTC
	}
	var out []string
	for i, c := range record.Changes {
		if (Target{}).wants(c) {
			out = append(out, changeMessage(&record, i, loc).Text)
		}
	}
	return out
}

// lateAfter is from how long after what it tells a message says when that was: a service that could
// not be reached, or a station that sends what it has kept, must not make it look like news.
const lateAfter = time.Hour

// changeMessage makes the message about one change of a record.
func changeMessage(rec *protocol.Record, i int, zone *time.Location) Message {
	c := rec.Changes[i]
	render := func(now time.Time) string {
		return renderChange(rec.Site, rec.Printer, c, rec.Verdict, rec.At, now, zone)
	}
	text := render(rec.At)
	return Message{
		Schema: SchemaMessage, ID: fmt.Sprintf("%s.%d", rec.ID, i), Kind: KindChange, At: rec.At,
		Site: rec.Site, Printer: rec.Printer, Level: c.Level, Title: firstLine(text), Text: text, Change: &c,
		textAt: render,
	}
}

// renderChange writes one change for people: what is wrong where, what was seen, how sure that is,
// what to do first, what could hurt, and which goods are suspect. When room runs out, what was
// seen is shortened and the second step left out; the first step and its caution never are, and how
// sure it is only where little of what was seen would be left.
//
// at is when it happened, now when it is told.
func renderChange(site, printer string, c protocol.Change, v *protocol.Verdict, at, now time.Time, zone *time.Location) string {
	head := heading(site, printer, c, zone)
	seen, label := capital(sentence(clean(c.Why))), "Seen: "
	switch c.Change {
	case protocol.ChangeCleared:
		label = ""
		if seen != "" && c.Reason != alert.ReasonHeard && !strings.HasSuffix(seen, "helped.") {
			label = "It was: "
		}
	case protocol.ChangeHeld, protocol.ChangeClosed, protocol.ChangeAbsorbed:
		label = ""
	case protocol.ChangeRaised:
		// How well it is founded; later messages say since when.
		if len(c.Readings) > 1 && c.Reason != alert.ReasonDiffer {
			seen = strings.TrimSuffix(seen, ".") + fmt.Sprintf(", in %d readings.", len(c.Readings))
		}
	}
	sure := certainty(c)
	first, then, care := "", "", ""
	if len(c.Steps) > 0 {
		first = "First: " + clip(sentence(clean(c.Steps[0])), maxPart)
		if ended(c.Change) {
			first = clip(sentence(clean(c.Steps[0])), maxPart)
		}
	}
	if m := movesText(c, v); m != "" {
		then = m
	} else if len(c.Steps) > 1 && !ended(c.Change) {
		then = "Then: " + sentence(clean(c.Steps[1]))
	}
	if len(c.Cautions) > 0 {
		care = "Care: " + clip(sentence(clean(c.Cautions[0])), maxPart)
	}
	suspect, late := suspectText(c, at, zone), ""
	if now.Sub(at) > lateAfter {
		late = "Late: this was " + clock(at, zone) + "."
	}

	room := MaxText - 1
	for _, s := range []string{head, first, care, suspect, late} {
		if s != "" {
			room -= utf8.RuneCountInString(s) + 1
		}
	}
	if n := utf8.RuneCountInString(label + seen); seen != "" && n+1 > room-reserve(sure, room) {
		left := room - reserve(sure, room) - 1 - len(label)
		if left < 24 && late != "" {
			seen = "" // when it was matters more
		} else {
			seen = clip(seen, max(24, left))
		}
	}
	if seen != "" {
		seen = label + seen
		room -= utf8.RuneCountInString(seen) + 1
	}
	for _, s := range []*string{&sure, &then} {
		if *s == "" {
			continue
		}
		if n := utf8.RuneCountInString(*s) + 1; n <= room {
			room -= n
		} else {
			*s = ""
		}
	}
	var lines []string
	for _, s := range []string{head, late, seen, sure, first, then, care, suspect} {
		if s != "" {
			lines = append(lines, s)
		}
	}
	return strings.Join(lines, "\n")
}

// enoughSeen is how much of what was seen is told before how sure it is.
const enoughSeen = 160

// reserve is the room that how sure it is takes from the end of a long list of what was seen.
func reserve(sure string, room int) int {
	if n := utf8.RuneCountInString(sure) + 1; sure != "" && room-n > enoughSeen {
		return n
	}
	return 0
}

// ended reports whether a change asks for nothing more.
func ended(change string) bool {
	switch change {
	case protocol.ChangeCleared, protocol.ChangeHeld, protocol.ChangeClosed, protocol.ChangeAbsorbed:
		return true
	}
	return false
}

// where names a printer; names too long for a phone are cut.
func where(site, printer string) string {
	return clip(clean(printer), 36) + " (" + clip(clean(site), 16) + ")"
}

// Cause names what is wrong, in a printer's words.
func Cause(a protocol.Alert) string {
	return cause(protocol.Change{Advice: a.Advice, Channel: a.Channel, Raised: a.Raised})
}

func cause(c protocol.Change) string {
	if c.Raised == alert.ReasonUnusable {
		return "readings cannot be used"
	}
	name := clip(clean(c.Channel), 20)
	if c.Advice == protocol.AdviceSilent {
		if name == "" {
			return "no readings"
		}
		return "no readings from " + name
	}
	if c.Raised == alert.ReasonNoEffect && c.Advice == protocol.AdviceInk {
		name = alert.ChannelName(name)
		if name == "" {
			return "lines that cleaning does not clear"
		}
		return name + " lines that cleaning does not clear"
	}
	return alert.PlanFor(c.Advice, name).Cause
}

func heading(site, printer string, c protocol.Change, zone *time.Location) string {
	p, what := where(site, printer), cause(c)
	stop := c.Level == protocol.LevelStop
	switch c.Change {
	case protocol.ChangeRaised:
		if stop {
			return "STOP " + p + ": " + what + ". Hold production."
		}
		return p + ": " + what + "."
	case protocol.ChangeWorse:
		if stop {
			return "STOP " + p + ": worse, " + what + ". Hold production."
		}
		return p + ": worse, " + what + "."
	case protocol.ChangeBetter:
		if c.Reason == alert.ReasonBelowStop {
			return p + ": no longer beyond the stop limit, but not over, " + what + "."
		}
		return p + ": better but not over, " + what + "."
	case protocol.ChangeReminder:
		tail := ", open since " + clock(c.Since, zone) + "."
		if c.Reason == alert.ReasonHoldEnded {
			tail = ", the hold is over."
		}
		if stop {
			return "STOP " + p + ": still " + what + tail
		}
		return p + ": still " + what + tail
	case protocol.ChangeCleared:
		switch c.Reason {
		case alert.ReasonHeard:
			return p + ": " + strings.TrimPrefix(what, "no ") + " again."
		case alert.ReasonReadable:
			return p + ": readings can be used again."
		case alert.ReasonOtherCause:
			return p + ": it is something else. No more sign of: " + what + "."
		}
		return p + ": over. No more sign of: " + what + "."
	case protocol.ChangeHeld:
		return p + ": on hold, " + what + "."
	case protocol.ChangeClosed:
		return p + ": closed, " + what + "."
	case protocol.ChangeAbsorbed:
		return p + ": explained by another alert, " + what + "."
	}
	return p + ": " + clip(clean(c.Change), 20) + ", " + what + "."
}

// certainty puts the likelihood into words, and names the rival.
func certainty(c protocol.Change) string {
	if ended(c.Change) || c.Advice == protocol.AdviceSilent || c.Likelihood <= 0 || math.IsNaN(c.Likelihood) {
		return ""
	}
	s := "Sure: "
	switch p := c.Likelihood; {
	case p >= 0.9:
		s += "nearly certain"
	case p >= 0.7:
		s += "likely"
	case p >= 0.5:
		s += "more likely than not"
	default:
		s += "one of several"
	}
	s += fmt.Sprintf(" (%.0f %%)", 100*min(c.Likelihood, 0.99))
	if c.Rival != "" {
		s += "; or " + rivalName(c.Rival)
	}
	return s + "."
}

// rivalName names the cause that it may be as well; one that this version does not know by its word.
func rivalName(advice string) string {
	if p := alert.PlanFor(advice, ""); p.Short != "" {
		return p.Short
	}
	return clip(clean(strings.ReplaceAll(advice, "_", " ")), 30)
}

// movesText says how far to go to bring the chart back, as the verdict's finding has it.
func movesText(c protocol.Change, v *protocol.Verdict) string {
	if v == nil || ended(c.Change) {
		return ""
	}
	for _, f := range v.Findings {
		if f.Advice != c.Advice || (f.Channel != c.Channel && c.Channel != "") || len(f.Moves) == 0 {
			continue
		}
		var b []string
		for _, m := range f.Moves {
			if math.Abs(m.Percent) >= 0.5 {
				b = append(b, fmt.Sprintf("%s %+.0f %%", clip(clean(alert.ChannelName(m.Channel)), 20), m.Percent))
			}
		}
		if len(b) == 0 {
			return ""
		}
		return fmt.Sprintf("Would bring it back: %s; then about %.1f dE00 would be left.", strings.Join(b, ", "), f.Moves[0].ExpectedDE00)
	}
	return ""
}

// suspectText says which goods may be bad.
func suspectText(c protocol.Change, at time.Time, zone *time.Location) string {
	if c.Advice == protocol.AdviceSilent || c.Raised == alert.ReasonUnusable { // nobody has seen anything wrong
		if ended(c.Change) || c.LastGood == nil {
			return ""
		}
		return "Unwatched since " + clock(c.LastGood.At, zone) + "."
	}
	switch c.Change {
	case protocol.ChangeCleared, protocol.ChangeClosed:
		if c.Reason == alert.ReasonNewBaseline {
			return "" // they were just declared good
		}
		if c.LastGood == nil {
			return "Suspect: what was printed up to " + clock(at, zone) + "."
		}
		return "Suspect: what was printed from " + clock(c.LastGood.At, zone) + " to " + clock(at, zone) + "."
	case protocol.ChangeAbsorbed:
		return ""
	}
	if c.LastGood == nil {
		return "Suspect: everything printed; no good reading is on record before " + clock(c.Since, zone) + "."
	}
	return "Suspect: everything printed since " + clock(c.LastGood.At, zone) + "."
}

func clock(at time.Time, zone *time.Location) string {
	return zones.Stamp(at, zone, "Mon 2 Jan 15:04")
}

func firstLine(s string) string {
	line, _, _ := strings.Cut(s, "\n")
	return line
}

func capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// sentence ends a text like a sentence.
func sentence(s string) string {
	if s == "" || strings.ContainsAny(s[len(s)-1:], ".!?") || strings.HasSuffix(s, "…") {
		return s
	}
	return s + "."
}
