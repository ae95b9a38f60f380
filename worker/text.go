package worker

import (
	"fmt"
	"strings"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/zones"
)

// The one line that a record carries for people: in lists, in the log, in the demo. What goes to
// chat is written by package chat.

// learned is how many readings have been taken as known-good with this one, 0 where none are.
func verdictText(printer string, v *protocol.Verdict, learned int, alerts string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s: ", printer, conditionText(v.Condition))
	switch {
	case v.Outcome == protocol.Learning && learned > 0:
		fmt.Fprintf(&b, "taken as known-good, %d so far", learned)
	case v.Outcome == protocol.Learning && v.Late:
		b.WriteString("not taken for the baseline")
	case v.Outcome == protocol.Learning:
		b.WriteString("no baseline yet")
	default:
		b.WriteString(v.Outcome)
	}
	if c := v.Colour; c != nil {
		fmt.Fprintf(&b, ", chart mean %.2f dE00", c.MeanDE00)
	}
	if len(v.Findings) > 0 {
		f := v.Findings[0]
		fmt.Fprintf(&b, "; %s", strings.ReplaceAll(f.Advice, "_", " "))
		if f.Channel != "" {
			b.WriteString(" " + f.Channel)
		}
	}
	if v.Outcome == protocol.Unusable && len(v.Warnings) > 0 {
		b.WriteString(": " + v.Warnings[0])
	}
	if v.Late {
		b.WriteString(" (late: older than the newest reading, so nothing changes)")
	}
	if alerts != "" {
		b.WriteString("; " + alerts)
	}
	return b.String()
}

// noteText tells a note in a line, with times in the shop's zone.
func noteText(printer string, n *protocol.Note, zone *time.Location) string {
	if zone == nil {
		zone = time.UTC
	}
	var b strings.Builder
	b.WriteString(printer + ": ")
	switch {
	case n.Journal != nil:
		b.WriteString("journal: " + n.Journal.What)
		if n.Journal.Channel != "" {
			b.WriteString(" " + n.Journal.Channel)
		}
		if n.Journal.Lot != "" {
			b.WriteString(", lot " + n.Journal.Lot)
		}
	case n.Hold != nil:
		fmt.Fprintf(&b, "hold %s until %s: %s", n.Hold.Key, zones.Stamp(n.Hold.Until, zone, "2006-01-02 15:04"), n.Hold.Why)
	case n.Close != nil:
		fmt.Fprintf(&b, "close %s: %s", n.Close.Key, n.Close.Why)
	}
	if n.Text != "" {
		b.WriteString(": " + n.Text)
	}
	if n.Who != "" {
		b.WriteString(" (" + n.Who + ")")
	}
	return b.String()
}

func conditionText(c protocol.Condition) string {
	t := c.Media + "/" + c.Preset + " " + c.Stage
	if c.Path == protocol.PathManaged {
		t += ", managed"
	}
	return t
}

func plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
