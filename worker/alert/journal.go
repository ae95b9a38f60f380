package alert

import (
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"swathkeeper/protocol"
)

const (
	maxEntries = 20
	maxSwaps   = 8
)

func (t *turn) note(n *protocol.Note) {
	switch {
	case n.Journal != nil:
		t.journal(n)
	case n.Baseline != nil:
		if n.Baseline.Do == protocol.BaselineLearn {
			t.learn(n.Baseline.Series)
		}
	case n.Hold != nil:
		t.hold(n.Hold)
	case n.Close != nil:
		t.closeByHand(n.Close)
	}
}

// matches lists the open causes that a hold or a close means: one key, or site/printer/* for all.
func (t *turn) matches(key string) []string {
	var out []string
	for _, k := range t.keys() {
		if t.Causes[k].Open && (k == key || key == t.Site+"/"+t.Printer+"/*") {
			out = append(out, k)
		}
	}
	return out
}

func (t *turn) hold(h *protocol.HoldNote) {
	if !h.Until.After(t.now) {
		return
	}
	if h.Key == t.Site+"/"+t.Printer+"/*" {
		t.HeldTill = h.Until
	}
	for _, k := range t.matches(h.Key) {
		c := t.Causes[k]
		c.HeldTill = h.Until
		t.tell(k, c, protocol.ChangeHeld, ReasonByHand, nil).Why = "On hold until " + clock(h.Until, t.opts.Zone) + ": " + sentence(h.Why)
	}
}

// closeByHand closes and starts the cause's confirmation anew, but keeps since when goods are
// suspect, should the next readings still show it.
func (t *turn) closeByHand(n *protocol.CloseNote) {
	if n.Key == t.Site+"/"+t.Printer+"/*" {
		t.HeldTill = time.Time{}
	}
	for _, k := range t.matches(n.Key) {
		c := t.Causes[k]
		if c.Advice == protocol.AdviceSilent {
			if st := t.Stations[or(c.Channel, protocol.NoSeries)]; st != nil {
				st.Dismissed = true
			} else {
				t.Stations[or(c.Channel, protocol.NoSeries)] = &Station{Dismissed: true}
			}
		}
		t.close(k, c, protocol.ChangeClosed, ReasonByHand, nil).Why = "Closed by hand: " + sentence(n.Why)
		if c.Advice != protocol.AdviceSilent {
			c.shut()
			c.Hits, c.Closed = nil, true
			t.Causes[k] = c
		}
	}
}

// learn closes what a new known-good state makes moot: differences of colour from the old one, in
// the series that is learned anew (every series, if empty). Lines and feed faults stay faults.
func (t *turn) learn(series string) {
	for _, k := range t.keys() {
		c := t.Causes[k]
		switch c.Advice {
		case protocol.AdviceClean, protocol.AdviceFeed, protocol.AdviceSilent:
			continue
		}
		c.Hits = slices.DeleteFunc(c.Hits, func(h Hit) bool { return series == "" || h.Series == series })
		elsewhere := slices.ContainsFunc(c.Shown, func(s string) bool { return series != "" && s != series })
		if c.Open && !elsewhere {
			t.close(k, c, protocol.ChangeClosed, ReasonNewBaseline, nil).Why = "A new baseline is being learned: the goods of now are the known-good state."
		}
	}
	t.drop()
}

func (t *turn) journal(n *protocol.Note) {
	j := n.Journal
	if j.What == protocol.DidNote {
		return
	}
	if j.What == protocol.DidInk || j.What == protocol.DidMedia {
		t.Swaps = slices.DeleteFunc(t.Swaps, func(s Swap) bool { return s.What == j.What && s.Channel == j.Channel })
		t.Swaps = append(t.Swaps, Swap{What: j.What, Channel: j.Channel, Lot: j.Lot, At: n.At})
		t.Swaps = t.Swaps[max(0, len(t.Swaps)-maxSwaps):]
	}
	e := Entry{Note: n.ID, What: j.What, Channel: j.Channel, At: n.At}
	for _, k := range t.keys() {
		c := t.Causes[k]
		if !aimedAt(j, c) {
			continue
		}
		if j.What == protocol.DidProfile && t.device(c.Series) {
			// Straight device values do not pass through the profile: no reading can answer.
			t.Series[c.Series].AwaitBaseline = t.now.Add(t.opts.BaselineGrace)
			c.Hits = nil
			if c.Open {
				t.close(k, c, protocol.ChangeClosed, ReasonRefitted, nil).Why = "The profile was refitted."
			}
			continue
		}
		a := Aim{Key: k, Level: c.Level}
		if h := len(c.Hits); h > 0 {
			a.Size = c.Hits[h-1].Size
			a.Level = or(a.Level, c.Hits[h-1].Level)
		}
		e.Aims = append(e.Aims, a)
	}
	t.drop()
	t.Entries = append(t.Entries, e)
	t.Entries = t.Entries[max(0, len(t.Entries)-maxEntries):]
}

// device reports whether a series' charts are printed without the profile.
func (t *turn) device(series string) bool {
	s := t.Series[series]
	return s != nil && s.Path != protocol.PathManaged
}

// aimedAt reports whether what was done is meant to mend the cause.
func aimedAt(j *protocol.JournalNote, c *Cause) bool {
	channel := j.Channel == "" || c.Channel == "" || strings.EqualFold(j.Channel, c.Channel)
	switch c.Advice {
	case protocol.AdviceClean:
		return channel && (j.What == protocol.DidClean || j.What == protocol.DidService)
	case protocol.AdviceInk:
		return channel && (j.What == protocol.DidInk || j.What == protocol.DidService || j.What == protocol.DidClean && len(c.Sustain) > 0)
	case protocol.AdviceRefit, protocol.AdviceRemeasure:
		return j.What == protocol.DidProfile && c.Raised != ReasonUnusable
	case protocol.AdvicePress:
		return j.What == protocol.DidPress
	case protocol.AdviceMedia:
		return j.What == protocol.DidMedia
	case protocol.AdviceFeed:
		return j.What == protocol.DidService
	}
	return false
}

// answer is what a verdict says about a journal entry.
type answer struct {
	entry   Entry
	key     string // empty: nothing was wrong before
	outcome string
}

// answers reads the answers to waiting journal entries out of a verdict, before it is counted.
func (t *turn) answers(v *protocol.Verdict, s *Series, seen map[string]*sighting) []answer {
	var out []answer
	keep := t.Entries[:0]
	for _, e := range t.Entries {
		if v.At.Sub(e.At) > t.opts.JournalFor {
			continue
		}
		if !v.At.After(e.At) || t.oldPrint(v, s, e) {
			keep = append(keep, e)
			continue
		}
		if len(e.Aims) == 0 {
			if !aimless(e, v) {
				keep = append(keep, e)
				continue
			}
			a := answer{entry: e, outcome: protocol.NoChange}
			for k, sight := range seen {
				f := sight.finding
				if sight.acts() && t.Causes[k] == nil && aimedAt(&protocol.JournalNote{What: e.What, Channel: e.Channel}, &Cause{Advice: f.Advice, Channel: f.Channel}) {
					a.outcome = protocol.Worse
				}
			}
			out = append(out, a)
			continue
		}
		aims := e.Aims[:0]
		for _, aim := range e.Aims {
			c := t.Causes[aim.Key]
			if c == nil {
				continue // cleared, closed or taken over meanwhile
			}
			if !slices.Contains(c.Shown, v.Series) || seen[aim.Key] == nil && !speaksFor(v, c) {
				aims = append(aims, aim)
				continue
			}
			out = append(out, answer{entry: e, key: aim.Key, outcome: compare(aim, seen[aim.Key])})
		}
		if e.Aims = aims; len(aims) > 0 {
			keep = append(keep, e)
		}
	}
	t.Entries = keep
	return out
}

// aimless reports whether this verdict may answer an entry made while nothing was wrong: a press
// shows only on the goods.
func aimless(e Entry, v *protocol.Verdict) bool {
	return e.What != protocol.DidPress || v.Condition.Stage == protocol.StagePressed
}

// oldPrint reports whether the chart was printed before the entry was made: its number was read
// before. A transfer read earlier may have been pressed since, so for a press only its own series
// counts.
func (t *turn) oldPrint(v *protocol.Verdict, s *Series, e Entry) bool {
	if s.sheet(v.Print) == "" {
		return false
	}
	older := func(s *Series) bool {
		return slices.ContainsFunc(s.Prints, func(p Seen) bool { return p.Print == v.Print && !p.At.After(e.At) })
	}
	if e.What == protocol.DidPress {
		return older(s)
	}
	for _, o := range t.Series {
		if older(o) {
			return true
		}
	}
	return false
}

// compare says what became of a cause after something was done about it. A third more or less is
// more than two readings of the same state differ by (a choice, not a published figure).
func compare(before Aim, now *sighting) string {
	switch {
	case !now.acts():
		return protocol.Helped
	case rank(now.finding.Level) > rank(before.Level):
		return protocol.Worse
	case rank(now.finding.Level) < rank(before.Level):
		return protocol.Helped
	case before.Size > 0 && now.size >= before.Size*4/3:
		return protocol.Worse
	case before.Size > 0 && now.size > 0 && now.size <= before.Size*2/3:
		return protocol.Helped
	}
	return protocol.NoChange
}

// settle records the answers and tells people of those that change what they should do.
func (t *turn) settle(answers []answer, v *protocol.Verdict) {
	for _, a := range answers {
		o := protocol.JournalOutcome{Note: a.entry.Note, What: a.entry.What, Channel: a.entry.Channel, At: a.entry.At, Outcome: a.outcome, Key: a.key}
		c := t.Causes[a.key]
		if c != nil {
			o.Channel = or(o.Channel, c.Channel)
		}
		t.outcomes = append(t.outcomes, o)
		if c == nil {
			continue
		}
		if a.outcome == protocol.Helped {
			c.Cleans = 0
			c.Helped = upper(did(a.entry.What)) + " of " + clock(a.entry.At, t.opts.Zone) + " helped."
			continue
		}
		c.Helped = ""
		if a.entry.What == protocol.DidClean {
			c.Cleans++
		}
		if !c.Open || !c.HeldTill.IsZero() {
			continue
		}
		if c.Advice == protocol.AdviceClean && c.Cleans >= t.opts.CleansBeforeTurn {
			t.turnAdvice(a.key, c, v)
			continue
		}
		if t.changed[a.key] {
			continue
		}
		after := " after " + did(a.entry.What) + " of " + clock(a.entry.At, t.opts.Zone) + ". " + upper(sentence(c.Why))
		if a.outcome == protocol.Worse {
			t.tell(a.key, c, protocol.ChangeWorse, ReasonWorseBy, v).Why = "Worse" + after
		} else {
			t.tell(a.key, c, protocol.ChangeReminder, ReasonNoChange, v).Why = "No change" + after
		}
	}
}

// turnAdvice gives up on cleaning: the lines are still there after the cleans, so the fault lies
// before the nozzles. The ink's alert takes over and lives on the sightings of the lines.
func (t *turn) turnAdvice(key string, c *Cause, v *protocol.Verdict) {
	inkKey := t.key(protocol.AdviceInk, c.Channel, "")
	ink := t.Causes[inkKey]
	fresh := ink == nil || !ink.Open
	if ink == nil {
		ink = &Cause{Advice: protocol.AdviceInk, Channel: c.Channel}
		t.Causes[inkKey] = ink
	}
	if fresh || c.Since.Before(ink.Since) {
		ink.Since, ink.LastGood = c.Since, c.LastGood
	}
	if rank(c.Level) > rank(ink.Level) {
		ink.Level = c.Level
	}
	ink.Open, ink.Sustain = true, append(ink.Sustain, key)
	ink.Hits = append([]Hit(nil), c.Hits...)
	for _, s := range c.Shown {
		if !slices.Contains(ink.Shown, s) {
			ink.Shown = append(ink.Shown, s)
		}
	}
	ink.Clean, ink.Mild, ink.Below = 0, 0, c.Below
	ink.Likelihood, ink.Rival, ink.Check, ink.Traces = c.Likelihood, "", "", c.Traces
	ink.Why = strconv.Itoa(c.Cleans) + " cleans without effect. " + upper(sentence(c.Why))
	ink.Raised = ReasonNoEffect
	if !t.untell(key) { // else it is confirmed only now, and nobody has heard of it
		t.tell(key, c, protocol.ChangeAbsorbed, ReasonNoEffect, v).Why = strconv.Itoa(c.Cleans) + " cleans without effect."
	}
	delete(t.Causes, key)
	t.untell(inkKey)
	kind := protocol.ChangeRaised
	if !fresh {
		kind = protocol.ChangeWorse
	}
	t.tell(inkKey, ink, kind, ReasonNoEffect, v)
}

// questioned finds the change of ink or media after which the cause began, if the baseline in
// force is older than that change.
func (t *turn) questioned(c *Cause, s *Series) *Swap {
	began := c.Since
	if !c.Began.IsZero() && c.Began.Before(began) {
		began = c.Began // it crept in before it showed
	}
	for i := len(t.Swaps) - 1; i >= 0; i-- {
		w := &t.Swaps[i]
		if !w.At.After(s.BaselineSince) || began.Before(w.At) {
			continue
		}
		switch c.Advice {
		case protocol.AdviceRefit, protocol.AdviceRemeasure:
			return w
		case protocol.AdviceInk:
			if w.What == protocol.DidInk && (w.Channel == "" || strings.EqualFold(w.Channel, c.Channel)) {
				return w
			}
		case protocol.AdviceMedia, protocol.AdvicePress:
			if w.What == protocol.DidMedia {
				return w
			}
		}
	}
	return nil
}

func did(what string) string {
	switch what {
	case protocol.DidClean:
		return "the clean"
	case protocol.DidInk:
		return "the ink change"
	case protocol.DidProfile:
		return "the new profile"
	case protocol.DidPress:
		return "the press work"
	case protocol.DidMedia:
		return "the media change"
	case protocol.DidService:
		return "the service"
	}
	return "the note"
}

func upper(s string) string {
	if s == "" {
		return s
	}
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}

// sentence ends a text like a sentence.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" || strings.ContainsAny(s[len(s)-1:], ".!?") {
		return s
	}
	return s + "."
}
