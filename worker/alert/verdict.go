package alert

import (
	"maps"
	"slices"
	"strconv"
	"time"

	"swathkeeper/protocol"
)

// sighting is what a verdict says about one cause.
type sighting struct {
	finding protocol.Finding
	size    float64
}

func (s *sighting) acts() bool { return s != nil && rank(s.finding.Level) >= rank(protocol.LevelAct) }

func (t *turn) verdict(v *protocol.Verdict) {
	t.heard(v)
	s := t.seriesOf(v)
	defer t.forget(v.At)
	if v.Outcome == protocol.Learning {
		s.noteNumber(v, t.opts.Zone)
		s.Unusable, s.Taken = 0, protocol.LastGood{Reading: v.Reading, At: v.At}
		t.readable(v)
		t.unlined(v)
		t.clear(v)
		return
	}
	if v.Outcome == protocol.Unusable {
		t.unusable(v, s)
		return
	}
	s.Unusable = 0
	s.Count++
	s.date(v)
	seen := t.sightings(v)
	answers := t.answers(v, s, seen)
	t.readable(v)
	t.count(v, s, seen)
	t.raiseAndMove(v, s, seen)
	t.raiseDiffering(v, s, seen)
	t.absorb(v)
	t.settle(answers, v)
	t.clear(v)
	t.drop()
	s.Last, s.LastAt, s.Shown = v.Reading, v.At, shownBy(v)
	s.noteNumber(v, t.opts.Zone)
}

// maxPrints is how many print numbers of a series are remembered for telling re-reads.
const maxPrints = 8

// sharedDays is on how many days a number is read until it is no sheet's own: who prints one file
// day after day has its number on every sheet, and each is a print of its own.
const sharedDays = 3

// noteNumber remembers the number of a verdict's sheet, and on how many days it was read.
func (s *Series) noteNumber(v *protocol.Verdict, zone *time.Location) {
	if v.Print == "" {
		return
	}
	day := v.At.In(zone).Format(time.DateOnly)
	for i := range s.Prints {
		p := &s.Prints[i]
		if p.Print != v.Print {
			continue
		}
		if p.Days < sharedDays-1 && day > max(p.Last, p.At.In(zone).Format(time.DateOnly)) {
			p.Days, p.Last = p.Days+1, day
		}
		return
	}
	s.Prints = append(s.Prints, Seen{Print: v.Print, At: v.At})
	s.Prints = s.Prints[max(0, len(s.Prints)-maxPrints):]
}

// sheet is a number where it tells a sheet from others, or "".
func (s *Series) sheet(number string) string {
	if slices.ContainsFunc(s.Prints, func(p Seen) bool { return p.Print == number && p.Days >= sharedDays-1 }) {
		return ""
	}
	return number
}

// seriesOf finds or begins the verdict's series. A new baseline begins its window anew: what
// readings were against the old one says nothing about the new.
func (t *turn) seriesOf(v *protocol.Verdict) *Series {
	s := t.Series[v.Series]
	if s == nil {
		t.roomForSeries()
		s = &Series{}
		t.Series[v.Series] = s
	}
	s.Heard = v.At
	s.Stage, s.Path = v.Condition.Stage, v.Condition.Path
	if v.Baseline.ID != s.Baseline {
		if s.Baseline != "" {
			for _, c := range t.Causes {
				if !c.Open {
					c.Hits = slices.DeleteFunc(c.Hits, func(h Hit) bool { return h.Series == v.Series })
				}
			}
		}
		s.Baseline, s.BaselineSince, s.AwaitBaseline, s.Onsets, s.Shown = v.Baseline.ID, v.At, time.Time{}, nil, nil
		if s.Taken.At.After(s.LastAt) && s.Baseline != "" {
			s.Last, s.LastAt = s.Taken.Reading, s.Taken.At
		}
	}
	s.Grade = v.Baseline.Grade
	return s
}

// sightings keys a verdict's findings. A finding too unlikely to be raised still keeps an open
// alert from clearing, as one within tolerance does.
func (t *turn) sightings(v *protocol.Verdict) map[string]*sighting {
	seen := map[string]*sighting{}
	for i, f := range v.Findings {
		if rank(f.Level) == 0 || f.Advice == protocol.AdviceSilent || f.Advice == "" {
			continue
		}
		if i > 0 && f.Likelihood < t.opts.MinLikelihood {
			f.Level = protocol.LevelNote
		}
		key := t.key(f.Advice, f.Channel, v.Series)
		for _, k := range t.keys() {
			if c := t.Causes[k]; c.Open && slices.Contains(c.Sustain, key) {
				key = k
				break
			}
		}
		if old := seen[key]; old == nil || rank(f.Level) > rank(old.finding.Level) {
			seen[key] = &sighting{finding: f, size: sizeOf(v, f)}
		}
	}
	return seen
}

// count enters what was seen, and what was not, into the causes.
func (t *turn) count(v *protocol.Verdict, s *Series, seen map[string]*sighting) {
	for _, key := range slices.Sorted(maps.Keys(seen)) {
		sight := seen[key]
		if t.Causes[key] == nil && sight.acts() && t.roomForCause() {
			f := sight.finding
			c := &Cause{Advice: f.Advice, Channel: f.Channel, Since: v.At}
			if ofSeries(f.Advice) {
				c.Channel, c.Series = "", v.Series
			}
			t.Causes[key] = c
		}
	}
	for _, key := range t.keys() {
		c, sight := t.Causes[key], seen[key]
		if sight.acts() {
			t.hit(c, v, s, sight)
			continue
		}
		if !slices.Contains(c.Shown, v.Series) || sight == nil && !speaksFor(v, c) {
			continue
		}
		c.Closed = false
		c.Mild++
		c.Below++
		c.Clean++
		c.GoodAt = t.now
		if sight != nil {
			c.Clean = 0
		}
	}
}

func (t *turn) hit(c *Cause, v *protocol.Verdict, s *Series, sight *sighting) {
	f := sight.finding
	if len(c.Hits) == 0 && !c.Open && !c.Closed {
		c.Since = v.At
		// The reading before this one did not show it, or it would be among the hits.
		c.LastGood, c.Began = nil, time.Time{}
		if s.Last != "" {
			c.LastGood = &protocol.LastGood{Reading: s.Last, At: s.LastAt}
		}
	}
	if o := s.onset(v, f); o != nil {
		if c.Began.IsZero() || o.Began.Before(c.Began) {
			c.Began = o.Began
		}
		switch {
		case o.Good.Reading == "":
			c.LastGood = nil
		case c.LastGood != nil && o.Good.At.Before(c.LastGood.At):
			c.LastGood = &o.Good
		}
	}
	h := Hit{Reading: v.Reading, Series: v.Series, Count: s.Count, At: v.At, Print: s.sheet(v.Print), Level: f.Level, Size: sight.size,
		Likelihood: f.Likelihood, Rival: f.Rival}
	if h.Print != "" && needsPrints(c.Advice) {
		// The same print again: the same sighting, made surer.
		c.Hits = slices.DeleteFunc(c.Hits, func(o Hit) bool { return o.Series == h.Series && o.Print == h.Print })
	}
	c.Hits = append(c.Hits, h)
	c.Hits = c.Hits[max(0, len(c.Hits)-max(t.opts.Window, 3)):]
	if !slices.Contains(c.Shown, v.Series) {
		c.Shown = append(c.Shown, v.Series)
	}
	c.Clean, c.Mild, c.Closed = 0, 0, false
	c.Helped = "" // it came back
	c.Traces = ofLines(c) && lineSize(v.Banding, f) > 0
	if f.Level == protocol.LevelStop {
		c.Below = 0
	} else {
		c.Below++
	}
	c.Why, c.Likelihood, c.Rival, c.Check = f.Why, f.Likelihood, f.Rival, f.SplittingCheck
}

// raiseAndMove goes through what this verdict showed, the strongest cause first, so that a cause
// raised now already keeps quiet what it explains.
func (t *turn) raiseAndMove(v *protocol.Verdict, s *Series, seen map[string]*sighting) {
	var keys []string
	for _, k := range t.keys() {
		if seen[k].acts() {
			keys = append(keys, k)
		}
	}
	slices.SortStableFunc(keys, func(a, b string) int {
		return strength(t.Causes[b].Advice) - strength(t.Causes[a].Advice)
	})
	for _, key := range keys {
		c := t.Causes[key]
		if c.Open {
			t.move(key, c, seen[key], v)
		} else {
			t.raise(key, c, seen[key], v, s)
		}
	}
}

func (t *turn) raise(key string, c *Cause, sight *sighting, v *protocol.Verdict, s *Series) {
	level, reason := t.confirmed(c, sight.finding, v)
	if reason == "" {
		return
	}
	c.Level = level
	// A key changes once an input: what was told as over by this reading begins with the next.
	if t.changed[key] || t.held(level) || t.blocked(c, v, s) {
		if level == protocol.LevelStop {
			t.stopBehind(c, v)
		}
		c.Level = ""
		return
	}
	t.open(key, c, reason, v, s)
}

// stopBehind tells that goods are beyond the stop limit for a cause that keeps quiet behind an open one:
// what is mended first does not change that production is to be held.
func (t *turn) stopBehind(c *Cause, v *protocol.Verdict) {
	for _, key := range t.keys() {
		d := t.Causes[key]
		if !d.Open || t.clearing(d) != "" || !t.explains(d, c) {
			continue
		}
		before := d.Level
		d.Level, d.Below = protocol.LevelStop, 0
		if before == protocol.LevelStop {
			return
		}
		const beyond = "Colours are beyond the stop limit. "
		d.HeldTill = time.Time{}
		for i := range t.changes {
			switch ch := &t.changes[i]; {
			case ch.Key != key:
			case ch.Change == protocol.ChangeRaised:
				ch.Level, ch.Why = d.Level, beyond+ch.Why
				return
			case ch.Reason == ReasonBelowStop: // it is not, after all
				t.untell(key)
				return
			}
		}
		t.untell(key)
		t.tell(key, d, protocol.ChangeWorse, ReasonStopLevel, v).Why = beyond + upper(sentence(c.Why))
		return
	}
}

// held reports whether the whole printer is on hold at a level: it is being moved, say. What was seen
// is remembered, and the next reading that shows it after the hold raises it.
func (t *turn) held(level string) bool {
	return level != protocol.LevelStop && t.now.Before(t.HeldTill)
}

// open makes a cause an alert and tells it.
func (t *turn) open(key string, c *Cause, reason string, v *protocol.Verdict, s *Series) *protocol.Change {
	if swap := t.questioned(c, s); swap != nil {
		reason = ReasonNewInk
		if swap.What == protocol.DidMedia {
			reason = ReasonNewMedia
		}
	}
	c.Open, c.Raised = true, reason
	return t.tell(key, c, protocol.ChangeRaised, reason, v)
}

// confirmed gives the level at which a cause may be raised, and why; an empty reason if it may not.
func (t *turn) confirmed(c *Cause, f protocol.Finding, v *protocol.Verdict) (level, reason string) {
	if f.Overwhelming {
		return f.Level, ReasonOverwhelming
	}
	n, stops := 0, 0
	for _, h := range c.Hits {
		if h.Series == v.Series && t.inWindow(h) {
			n++
			if h.Level == protocol.LevelStop {
				stops++
			}
		}
	}
	if c.Advice == protocol.AdviceRefit {
		// A reading that asked to be repeated was the first of the agreeing charts. That there
		// must be three of them is the judge's rule; it gives refit only after it.
		if r := t.Causes[t.key(protocol.AdviceRemeasure, "", v.Series)]; r != nil {
			for _, h := range r.Hits {
				if h.Series == v.Series && t.inWindow(h) {
					n++
				}
			}
		}
	}
	level = protocol.LevelAct
	need := t.opts.Confirm
	if t.contradict(c, v) {
		need = t.opts.Window
	}
	if n >= need {
		if stops >= need {
			level = protocol.LevelStop
		}
		return level, ReasonConfirmed
	}
	if n, stops := t.support(c, v); n >= 2 && need < t.opts.Window {
		if stops == n {
			level = protocol.LevelStop
		}
		return level, ReasonSupported
	}
	return "", ""
}

// support counts the series whose last reading, not long ago, showed the cause.
func (t *turn) support(c *Cause, v *protocol.Verdict) (n, stops int) {
	for _, h := range c.Hits {
		s := t.Series[h.Series]
		if s == nil || h.Count != s.Count || v.At.Sub(h.At) > t.opts.SupportWithin {
			continue
		}
		n++
		if h.Level == protocol.LevelStop {
			stops++
		}
	}
	return n, stops
}

// contradict asks the printer's other series. A fault of the printer that shows on the goods must
// show on the transfer paper; a fault of the press must not. When they disagree, the cause names
// its rival and the check that splits them, and needs a full window of readings.
func (t *turn) contradict(c *Cause, v *protocol.Verdict) bool {
	if v.Condition.Stage != protocol.StagePressed || slices.ContainsFunc(c.Shown, func(s string) bool { return !t.pressed(s) }) {
		return false
	}
	for _, id := range slices.Sorted(maps.Keys(t.Series)) {
		s := t.Series[id]
		if s.Stage != protocol.StageTransfer || s.Last == "" || s.LastAt.Before(c.Since.Add(-t.opts.SupportWithin)) ||
			v.At.Sub(s.LastAt) > t.opts.SupportWithin || weakGrade(s.Grade) {
			continue
		}
		acting := t.acting(id)
		switch {
		case c.Advice == protocol.AdvicePress && acting != "":
			c.Rival = acting
			c.Check = "The transfer paper was off before it was pressed: look at the printer first."
			return true
		case strength(c.Advice) >= 0 && c.Advice != protocol.AdvicePress && c.Advice != protocol.AdviceMedia &&
			c.Advice != protocol.AdviceRemeasure && acting == "":
			c.Rival = protocol.AdvicePress
			c.Check = "The transfer paper read right: look at the press and the fabric first."
			return true
		}
	}
	return false
}

func weakGrade(g string) bool {
	return g == "" || g == protocol.GradeNone || g == protocol.GradeTentative
}

// acting names the strongest cause that the last reading of a series showed; empty if none.
func (t *turn) acting(series string) string {
	s, advice := t.Series[series], ""
	for _, key := range t.keys() {
		c := t.Causes[key]
		for _, h := range c.Hits {
			if h.Series == series && h.Count == s.Count && (advice == "" || strength(c.Advice) > strength(advice)) {
				advice = c.Advice
			}
		}
	}
	return advice
}

// blocked reports whether a confirmed cause must still keep quiet.
func (t *turn) blocked(c *Cause, v *protocol.Verdict, s *Series) bool {
	if (c.Advice == protocol.AdviceRefit || c.Advice == protocol.AdviceRemeasure) && v.At.Before(s.AwaitBaseline) {
		return true
	}
	for _, d := range t.Causes {
		if d.Open && t.clearing(d) == "" && t.explains(d, c) {
			return true
		}
	}
	return false
}

// move tells worse and better, each only past a step and twice in a row. While an alert is held it
// moves in silence, except to stop.
func (t *turn) move(key string, c *Cause, sight *sighting, v *protocol.Verdict) {
	held := !c.HeldTill.IsZero()
	n := len(c.Hits)
	last := c.Hits[max(0, n-2):]
	all := func(ok func(Hit) bool) bool {
		return len(last) == 2 && ok(last[0]) && ok(last[1])
	}
	if c.Level != protocol.LevelStop {
		isStop := func(h Hit) bool { return h.Level == protocol.LevelStop }
		if isStop(last[len(last)-1]) && (sight.finding.Overwhelming || all(isStop)) {
			c.Level, c.HeldTill = protocol.LevelStop, time.Time{}
			t.tell(key, c, protocol.ChangeWorse, ReasonStopLevel, v)
			return
		}
	} else if c.Below >= t.opts.ClearAfter {
		c.Level = protocol.LevelAct
		if !held {
			t.tell(key, c, protocol.ChangeBetter, ReasonBelowStop, v)
		}
		return
	}
	if held || c.ToldSize <= 0 {
		return
	}
	switch {
	case all(func(h Hit) bool { return h.Size >= t.opts.WorseStep*c.ToldSize }):
		t.tell(key, c, protocol.ChangeWorse, ReasonGrown, v)
	case all(func(h Hit) bool { return h.Size > 0 && h.Size <= t.opts.BetterStep*c.ToldSize }):
		t.tell(key, c, protocol.ChangeBetter, ReasonShrunk, v)
	}
}

// unusable counts readings from which nothing may be concluded. The second in a row is told: the
// printer is not watched while they come.
func (t *turn) unusable(v *protocol.Verdict, s *Series) {
	s.Unusable++
	if s.Unusable < 2 {
		return
	}
	key := t.key(protocol.AdviceRemeasure, "", v.Series)
	c := t.Causes[key]
	if c != nil && c.Open || t.held(protocol.LevelAct) || c == nil && !t.roomForCause() {
		return
	}
	c = &Cause{Advice: protocol.AdviceRemeasure, Series: v.Series, Open: true, Level: protocol.LevelAct,
		Raised: ReasonUnusable, Since: v.At, Shown: []string{v.Series}}
	if s.Last != "" {
		c.LastGood = &protocol.LastGood{Reading: s.Last, At: s.LastAt}
	}
	c.Why = "Readings in a row that could not be used: " + strconv.Itoa(s.Unusable) + "."
	if len(v.Warnings) > 0 {
		c.Why += " " + sentence(v.Warnings[0])
	}
	t.Causes[key] = c
	t.tell(key, c, protocol.ChangeRaised, ReasonUnusable, v)
}

// readable ends the alert about unusable readings with the first proper one.
func (t *turn) readable(v *protocol.Verdict) {
	key := t.key(protocol.AdviceRemeasure, "", v.Series)
	if c := t.Causes[key]; c != nil && c.Open && c.Raised == ReasonUnusable {
		t.close(key, c, protocol.ChangeCleared, ReasonReadable, v)
	}
}
