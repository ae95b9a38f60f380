package alert

import (
	"slices"
	"strings"
	"time"

	"swathkeeper/protocol"
)

// How one cause takes over another that it explains.

// absorb closes open causes that a stronger open one explains.
func (t *turn) absorb(v *protocol.Verdict) {
	for _, weakKey := range t.keys() {
		weak := t.Causes[weakKey]
		if !weak.Open {
			continue
		}
		for _, strongKey := range t.keys() {
			strong := t.Causes[strongKey]
			replaced := weak.Advice == protocol.AdviceRemeasure && strong.Advice == protocol.AdviceRefit && strong.Series == weak.Series
			if !strong.Open || t.clearing(strong) != "" || !(t.explains(strong, weak) || replaced) {
				continue
			}
			t.takeOver(strong, weak)
			if !t.untell(weakKey) {
				t.tell(weakKey, weak, protocol.ChangeAbsorbed, ReasonExplained, v).Why = "Explained by " + strings.TrimPrefix(strongKey, t.Site+"/"+t.Printer+"/") + "."
			}
			weak.shut()
			break
		}
	}
}

// untell takes back what this turn told of key, and reports whether that was its raising: then
// nobody has heard of it yet.
func (t *turn) untell(key string) (raised bool) {
	t.changes = slices.DeleteFunc(t.changes, func(ch protocol.Change) bool {
		raised = raised || ch.Key == key && ch.Change == protocol.ChangeRaised
		return ch.Key == key
	})
	return raised
}

// takeOver gives strong the graver level of two causes, and makes goods suspect from the earlier
// one on, also in what strong has just told.
func (t *turn) takeOver(strong, weak *Cause) {
	if rank(weak.Level) > rank(strong.Level) {
		strong.Level, strong.Below = weak.Level, 0
	}
	strong.suspectWith(weak)
	for i := range t.changes {
		ch := &t.changes[i]
		if t.Causes[ch.Key] == strong {
			ch.Since, ch.Level = strong.Since, strong.Level
			ch.LastGood = nil
			if strong.LastGood != nil {
				g := *strong.LastGood
				ch.LastGood = &g
			}
		}
	}
}

// suspectWith makes goods suspect from the earlier of two causes on.
func (c *Cause) suspectWith(d *Cause) {
	if d.LastGood == nil && d.Since.Before(c.Since) || c.LastGood != nil && d.LastGood != nil && d.LastGood.At.Before(c.LastGood.At) {
		c.LastGood = d.LastGood
	}
	if d.Since.Before(c.Since) {
		c.Since = d.Since
	}
}

// shut makes a cause no longer open; its sightings stay, so that it can come back.
func (c *Cause) shut() {
	c.Open, c.Level, c.Raised, c.HeldTill, c.ToldAt, c.ToldSize = false, "", "", time.Time{}, time.Time{}, 0
	c.Cleans, c.Helped, c.Sustain = 0, "", nil
}
