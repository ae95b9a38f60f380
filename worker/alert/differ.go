package alert

import (
	"cmp"
	"slices"

	"swathkeeper/protocol"
)

// ofColour reports whether an advice is a cause of what the whole chart shows, of which one reading
// has one; lines and seams are another question.
func ofColour(advice string) bool {
	switch advice {
	case protocol.AdviceRefit, protocol.AdviceInk, protocol.AdvicePress, protocol.AdviceMedia, protocol.AdviceSettings, protocol.AdviceRemeasure:
		return true
	}
	return false
}

// candidate is a cause that some of a series' last readings named.
type candidate struct {
	key     string
	cause   *Cause
	support float64 // sum over the readings of the likelihood they gave it
	newest  uint64  // series' count of the last reading that named it
}

// raiseDiffering raises when enough of a series' last readings were beyond tolerance, though no cause
// was named often enough by itself: that colours are off is confirmed, and only its cause is not. The
// alert carries the cause that the readings together support best, says what the others named, and
// asks first for the check that tells them apart.
func (t *turn) raiseDiffering(v *protocol.Verdict, s *Series, seen map[string]*sighting) {
	now := false
	for key, c := range t.Causes {
		if !ofColour(c.Advice) || c.Raised == ReasonNoEffect {
			continue
		}
		if c.Open && t.clearing(c) == "" && slices.Contains(c.Shown, v.Series) {
			return // told already; the next cause waits for its own confirmation
		}
		now = now || seen[key].acts()
	}
	if !now {
		return
	}
	rivals, hits := t.candidates(v, s)
	stops := 0
	for _, h := range hits {
		if h.Level == protocol.LevelStop {
			stops++
		}
	}
	for i, r := range rivals {
		c := r.cause
		need := t.opts.Confirm
		if t.contradict(c, v) {
			need = t.opts.Window
		}
		if len(hits) < need || len(rivals) < 2 || t.changed[r.key] {
			continue
		}
		c.Level = protocol.LevelAct
		if stops >= need {
			c.Level = protocol.LevelStop
		}
		if t.held(c.Level) {
			c.Level = ""
			return
		}
		other := rivals[0]
		if i == 0 {
			other = rivals[1]
		}
		for _, o := range rivals {
			c.suspectWith(o.cause)
		}
		c.Clean, c.Mild = 0, 0 // this reading speaks for it too
		c.Likelihood = r.support / float64(len(hits))
		if c.Check == "" {
			c.Check = "Print another chart and read it before you change anything: the readings so far name different causes."
			if c.Rival != other.cause.Advice && other.cause.Rival == c.Advice && other.cause.Check != "" {
				c.Check = other.cause.Check
			}
		}
		if c.Rival == "" && other.cause.Advice != c.Advice {
			c.Rival = other.cause.Advice
		}
		c.Why = sentence(c.Why) + " Another reading says: " + PlanFor(other.cause.Advice, other.cause.Channel).Cause + "."
		ch := t.open(r.key, c, ReasonDiffer, v, s)
		ch.Readings = nil
		for _, h := range hits {
			ch.Readings = append(ch.Readings, h.Reading)
		}
		return
	}
}

// candidates gives the causes of colour that the series' last readings named and no open alert
// explains, the best supported first, and those readings, oldest first. A print read again is no
// second reading: the print, or its pressing, may be the odd one out.
func (t *turn) candidates(v *protocol.Verdict, s *Series) (out []candidate, hits []Hit) {
	for _, key := range t.keys() {
		c := t.Causes[key]
		if !ofColour(c.Advice) || c.Open || c.Closed {
			continue
		}
		r := candidate{key: key, cause: c}
		level := c.Level
		c.Level = v.Outcome // of what it would be, for what explains it
		blocked := t.blocked(c, v, s)
		c.Level = level
		if blocked {
			continue
		}
		for _, h := range c.Hits {
			if h.Series == v.Series && t.inWindow(h) {
				r.support += h.Likelihood
				r.newest = h.Count
				hits = append(hits, h)
			}
		}
		if r.newest > 0 {
			out = append(out, r)
		}
	}
	// A rival that a reading named is what is left of its certainty.
	for i := range out {
		for _, h := range hits {
			if h.Rival == out[i].cause.Advice && !slices.ContainsFunc(out[i].cause.Hits, func(o Hit) bool { return o.Reading == h.Reading }) {
				out[i].support += 1 - h.Likelihood
			}
		}
	}
	slices.SortStableFunc(out, func(a, b candidate) int {
		return cmp.Or(cmp.Compare(b.support, a.support), cmp.Compare(b.newest, a.newest), cmp.Compare(strength(b.cause.Advice), strength(a.cause.Advice)))
	})
	slices.SortStableFunc(hits, func(a, b Hit) int { return cmp.Compare(a.Count, b.Count) })
	hits = slices.CompactFunc(hits, func(a, b Hit) bool { return a.Count == b.Count || a.Print != "" && a.Print == b.Print })
	return out, hits
}
