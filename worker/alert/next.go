package alert

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"swathkeeper/protocol"
)

// Input is what happened: a verdict, a note, or neither, when the timer asked for by
// Decision.NextWake went off.
type Input struct {
	Verdict *protocol.Verdict
	Note    *protocol.Note
}

// Decision is what follows from an input.
type Decision struct {
	Changes  []protocol.Change         // transitions, in the order in which they should be told
	Open     []protocol.Alert          // every alert open afterwards
	Outcomes []protocol.JournalOutcome // journal entries that this input answered
	// NextWake is when the worker should call Next with an empty Input, for a reminder, the end of
	// a hold or a station's silence; zero when there is nothing to wait for.
	NextWake time.Time
	// HeldTill is until when nothing new below stop is raised on this printer; zero: it is not on hold.
	HeldTill time.Time
	// Text says in one line what was decided; empty when nothing changed.
	Text string
}

// Next decides what an input does to a printer's alerts at the time now. It leaves state as it
// was and returns the new one. A late verdict moves nothing. The site and printer of a state are
// those of its first input; inputs of another printer are the caller's mistake and move nothing.
func Next(state State, in Input, now time.Time, opts Options) (State, Decision) {
	t := &turn{State: state.clone(), now: now, opts: opts.withDefaults(), changed: map[string]bool{}}
	t.Version = Version
	if t.adopt(in) {
		switch {
		case in.Verdict != nil && in.Verdict.Late:
			// Recorded by the worker; a timer that is due goes off by itself.
		case in.Verdict != nil:
			t.verdict(in.Verdict)
			t.timers()
		case in.Note != nil:
			t.note(in.Note)
			t.timers()
		default:
			t.timers()
		}
	}
	return t.State, Decision{
		Changes: t.changes, Open: t.State.Open(), Outcomes: t.outcomes, NextWake: t.nextWake(), HeldTill: t.HeldTill, Text: t.text(),
	}
}

// turn is one call of Next.
type turn struct {
	State
	now      time.Time
	opts     Options
	changes  []protocol.Change
	outcomes []protocol.JournalOutcome
	changed  map[string]bool // keys with a change in this turn; each key changes once an input
}

// adopt takes the printer's name from the first input and refuses inputs of another one.
func (t *turn) adopt(in Input) bool {
	site, printer := t.Site, t.Printer
	switch {
	case in.Verdict != nil:
		site, printer = in.Verdict.Site, in.Verdict.Printer
	case in.Note != nil:
		site, printer = in.Note.Site, in.Note.Printer
	}
	if t.Site == "" && t.Printer == "" {
		t.Site, t.Printer = site, printer
	}
	if t.Begun.IsZero() {
		t.Begun = t.now
	}
	return t.Site == site && t.Printer == printer
}

func (t *turn) key(advice, channel, series string) string {
	return Key(t.Site, t.Printer, advice, channel, series)
}

// tell adds a change of c and remembers what was told.
func (t *turn) tell(key string, c *Cause, kind, reason string, v *protocol.Verdict) *protocol.Change {
	ch := protocol.Change{
		Key: key, Advice: c.Advice, Channel: c.Channel, Level: c.Level, Change: kind, Reason: reason, Raised: c.Raised,
		Since: c.Since, Why: c.Why, Likelihood: c.Likelihood, Rival: c.Rival, SplittingCheck: c.Check,
	}
	if c.LastGood != nil {
		g := *c.LastGood
		ch.LastGood = &g
	}
	if v != nil {
		ch.Verdict = v.ID
	}
	for _, h := range c.Hits {
		ch.Readings = append(ch.Readings, h.Reading)
	}
	ch.Steps, ch.Cautions = t.advise(c, kind, reason)
	ch.Steps = addressed(ch.Steps, key, c.Channel)
	t.changes = append(t.changes, ch)
	t.changed[key] = true
	c.ToldAt = t.now
	if n := len(c.Hits); n > 0 {
		c.ToldSize = c.Hits[n-1].Size
	}
	return &t.changes[len(t.changes)-1]
}

func (t *turn) text() string {
	var b []string
	for _, c := range t.changes {
		what := strings.NewReplacer("_", " ", "/", " ").Replace(strings.TrimSuffix(strings.TrimPrefix(c.Key, t.Site+"/"+t.Printer+"/"), "/-"))
		b = append(b, fmt.Sprintf("%s %s (%s)", c.Change, what, ReasonWords(c.Reason)))
	}
	return strings.Join(b, "; ")
}

// timers ends holds, reminds, and notices silence.
func (t *turn) timers() {
	if !t.now.Before(t.HeldTill) {
		t.HeldTill = time.Time{}
	}
	for _, key := range t.keys() {
		c := t.Causes[key]
		if !c.Open {
			continue
		}
		if !c.HeldTill.IsZero() && !t.now.Before(c.HeldTill) {
			c.HeldTill = time.Time{}
			if !t.changed[key] {
				t.tell(key, c, protocol.ChangeReminder, ReasonHoldEnded, nil)
			}
			continue
		}
		if due := t.reminder(key, c); !due.IsZero() && !t.now.Before(due) && !t.changed[key] {
			ch := t.tell(key, c, protocol.ChangeReminder, ReasonStillOpen, nil)
			if c.Clean > 0 {
				ch.Why = goingWhy(t.opts.ClearAfter - c.Clean)
			}
		}
	}
	t.silences()
}

// goingWhy says that a cause was not seen lately, and how many more such readings end it.
func goingWhy(more int) string {
	if more <= 1 {
		return "The last reading did not show it; one more like that, and it is over."
	}
	return fmt.Sprintf("The last reading did not show it; %d more like that, and it is over.", more)
}

// reminder is when c is due to be told again; zero while it is held. What was done about it counts
// as news, and so does a reading without it: whoever has just worked on the printer need not be
// reminded of it.
func (t *turn) reminder(key string, c *Cause) time.Time {
	if !c.HeldTill.IsZero() {
		return time.Time{}
	}
	wait := t.opts.Remind
	if c.Level == protocol.LevelStop && c.Clean == 0 {
		wait = t.opts.RemindStop
	}
	from := c.ToldAt
	if c.Clean > 0 && c.GoodAt.After(from) {
		from = c.GoodAt
	}
	for _, e := range t.Entries {
		if e.At.After(from) && !e.At.After(t.now) && slices.ContainsFunc(e.Aims, func(a Aim) bool { return a.Key == key }) {
			from = e.At
		}
	}
	return t.opening(from.Add(wait))
}

// opening moves what is due at the time at into the shop's open time, and out of the past: a timer
// that comes late, on a closed day, waits for the shop to open. A day opens at OpensAt, not at
// midnight.
func (t *turn) opening(at time.Time) time.Time {
	if at.Before(t.now) {
		at = t.now
	}
	cal := t.calendar(nil)
	open := cal.opens(at)
	if open.Equal(at) {
		return at
	}
	y, m, d := open.In(cal.zone).Date()
	if open.Equal(cal.begins(y, m, d)) {
		// By the clock on the wall, which may have changed in the night.
		h := t.opts.OpensAt
		open = cal.opens(time.Date(y, m, d, int(h/time.Hour), int(h%time.Hour/time.Minute), 0, 0, cal.zone))
	}
	return open
}

func (t *turn) nextWake() time.Time {
	var wake time.Time
	earlier := func(at time.Time) {
		if !at.IsZero() && (wake.IsZero() || at.Before(wake)) {
			wake = at
		}
	}
	for key, c := range t.Causes {
		if c.Open {
			earlier(c.HeldTill)
			earlier(t.reminder(key, c))
		}
	}
	for name := range t.expected() {
		if due := t.deadline(name); !due.IsZero() {
			if due.Before(t.HeldTill) {
				due = t.HeldTill
			}
			earlier(t.opening(due))
		}
	}
	return wake
}

// drop removes causes that are not open and were not seen lately.
func (t *turn) drop() {
	for key, c := range t.Causes {
		if c.Open {
			continue
		}
		c.Hits = slices.DeleteFunc(c.Hits, func(h Hit) bool { return !t.inWindow(h) })
		if len(c.Hits) == 0 && !c.Closed {
			delete(t.Causes, key)
		}
	}
}

// forgotten: a series or station unheard for this long, with nothing open, is forgotten, so that a
// state does not grow with every edition of a chart that a shop has ever printed.
const forgotten = 180 * day

func (t *turn) forget(now time.Time) {
	for id, s := range t.Series {
		shown := func(key string) bool {
			c := t.Causes[key]
			return c.Series == id || slices.Contains(c.Shown, id)
		}
		if now.Sub(s.Heard) > forgotten && !slices.ContainsFunc(t.keys(), shown) {
			delete(t.Series, id)
		}
	}
	for name, st := range t.Stations {
		c := t.Causes[t.key(protocol.AdviceSilent, name, "")]
		if now.Sub(st.Heard) > forgotten && !st.Dismissed && (c == nil || !c.Open) {
			delete(t.Stations, name)
		}
	}
}

// inWindow reports whether a sighting is among the last readings of its series.
func (t *turn) inWindow(h Hit) bool {
	s := t.Series[h.Series]
	return s != nil && h.Count+uint64(t.opts.Window) > s.Count
}
