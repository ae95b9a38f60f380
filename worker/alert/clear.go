package alert

import (
	"slices"

	"swathkeeper/protocol"
)

// How an alert ends.

// clearing gives the reason for which an open cause may be cleared; empty if it may not.
func (t *turn) clearing(c *Cause) string {
	switch {
	case c.Advice == protocol.AdviceSilent || c.Raised == ReasonUnusable:
		return "" // cleared by what ends them
	case c.Clean >= t.opts.ClearAfter:
		return ReasonSteady
	case c.Mild >= t.opts.MildClearAfter:
		return ReasonWithin
	}
	return ""
}

func (t *turn) clear(v *protocol.Verdict) {
	for _, key := range t.keys() {
		c := t.Causes[key]
		if !c.Open {
			continue
		}
		if c.Level == protocol.LevelStop && c.Below >= t.opts.ClearAfter && t.clearing(c) == "" {
			c.Level = protocol.LevelAct
			if c.HeldTill.IsZero() && !t.changed[key] {
				t.tell(key, c, protocol.ChangeBetter, ReasonBelowStop, v)
			}
		}
		reason := t.clearing(c)
		if reason == "" || !slices.Contains(c.Shown, v.Series) {
			continue
		}
		if reason == ReasonSteady && c.Helped == "" && pointsElsewhere(v, c) {
			reason = ReasonOtherCause
		}
		t.close(key, c, protocol.ChangeCleared, reason, v)
	}
}

// pointsElsewhere reports whether a verdict names another cause of the same kind of trouble. Lines are
// none of what colours do, nor the other way round.
func pointsElsewhere(v *protocol.Verdict, c *Cause) bool {
	return slices.ContainsFunc(v.Findings, func(f protocol.Finding) bool {
		return rank(f.Level) >= rank(protocol.LevelAct) && ofColour(f.Advice) == !ofLines(c)
	})
}

// close tells the end of an open cause and forgets it.
func (t *turn) close(key string, c *Cause, kind, reason string, v *protocol.Verdict) *protocol.Change {
	if c.Helped != "" {
		c.Why = c.Helped
	}
	ch := t.tell(key, c, kind, reason, v)
	delete(t.Causes, key)
	return ch
}
