package alert

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/zones"
)

const (
	maxVisits = 24
	// oneVisit: charts read within this of each other are one visit to the printer.
	oneVisit = 30 * time.Minute
	// A weekday on which a station did not report for weeksToClose weeks, and at least twice in a
	// row since it was first heard, is taken as a closing day.
	knownAfter   = 15 * day
	weeksToClose = 28 * day
)

// heard notes that a station reported, and ends its silence.
func (t *turn) heard(v *protocol.Verdict) {
	name := or(v.Station, protocol.NoSeries)
	st := t.Stations[name]
	if st == nil && !t.roomForStation(name) {
		return
	}
	if st == nil {
		st = &Station{First: v.At.Unix()}
		t.Stations[name] = st
	}
	st.Heard, st.Dismissed = t.now, false
	at := v.At.Unix()
	st.Days[v.At.In(t.opts.Zone).Weekday()] = at
	if n := len(st.Visits); n > 0 && at-st.Visits[n-1] < int64(oneVisit/time.Second) {
		// A long row of readings is one visit that goes on.
		st.Visits[n-1] = max(at, st.Visits[n-1])
	} else {
		st.Visits = append(st.Visits, at)
		st.Visits = st.Visits[max(0, len(st.Visits)-maxVisits):]
	}
	key := t.key(protocol.AdviceSilent, name, "")
	if c := t.Causes[key]; c != nil && c.Open {
		c.Why = "A reading came in, taken " + clock(v.At, t.opts.Zone) + "."
		t.close(key, c, protocol.ChangeCleared, ReasonHeard, v)
	}
}

// expected lists the stations that are heard of or configured for this printer.
func (t *turn) expected() map[string]bool {
	names := map[string]bool{}
	for name := range t.Stations {
		names[name] = true
	}
	for _, e := range t.opts.Expect {
		if e.Site == t.Site && e.Printer == t.Printer {
			names[or(e.Station, protocol.NoSeries)] = true
		}
	}
	return names
}

// deadline is when a station's silence is told; zero if it may be silent, or already is.
func (t *turn) deadline(name string) time.Time {
	if c := t.Causes[t.key(protocol.AdviceSilent, name, "")]; c != nil && c.Open {
		return time.Time{}
	}
	st := t.Stations[name]
	base := t.Begun
	if st != nil {
		if st.Dismissed {
			return time.Time{}
		}
		if len(st.Visits) == 0 {
			st = nil
		}
	}
	if st != nil {
		base = st.Heard
		if last := time.Unix(st.Visits[len(st.Visits)-1], 0); last.After(base) {
			base = last
		}
	}
	for _, e := range t.opts.Expect {
		if e.Site == t.Site && e.Printer == t.Printer && or(e.Station, protocol.NoSeries) == name {
			return t.calendar(nil).after(base, e.Every)
		}
	}
	if st == nil || t.opts.NoLearnedSilence {
		return time.Time{}
	}
	cal := t.calendar(st.closedDays())
	pause := st.pause(cal, t.opts.LearnVisits)
	if pause == 0 {
		return time.Time{}
	}
	wait := time.Duration(float64(pause) * t.opts.SilenceFactor)
	return cal.after(base, max(wait, t.opts.SilenceAtLeast))
}

// pause is the longest usual pause between visits, in open time; 0 while the rhythm is unknown: a
// rhythm must be seen over a week, or the first weekend would be called a silence. Once it is well
// known, the one longest pause is left out as an outage or a holiday.
func (st *Station) pause(cal calendar, learn int) time.Duration {
	n := len(st.Visits)
	if n < learn || st.known() < 7*day {
		return 0
	}
	gaps := make([]time.Duration, 0, n-1)
	for i := 1; i < n; i++ {
		gaps = append(gaps, cal.between(time.Unix(st.Visits[i-1], 0), time.Unix(st.Visits[i], 0)))
	}
	slices.Sort(gaps)
	if st.known() >= knownAfter && len(gaps) >= 12 {
		return gaps[len(gaps)-2]
	}
	return gaps[len(gaps)-1]
}

// known is for how long the station has been reporting.
func (st *Station) known() time.Duration {
	return time.Duration(st.Visits[len(st.Visits)-1]-st.First) * time.Second
}

// closedDays are the weekdays on which the station does not report.
func (st *Station) closedDays() []time.Weekday {
	if st.known() < knownAfter {
		return nil
	}
	var closed []time.Weekday
	last := st.Visits[len(st.Visits)-1]
	for d, at := range st.Days {
		if last-at > int64(weeksToClose/time.Second) {
			closed = append(closed, time.Weekday(d))
		}
	}
	if len(closed) > 4 {
		return nil // too few visits to tell a closing day from a day without a chart
	}
	return closed
}

// silences raises an alert for each station that is overdue.
func (t *turn) silences() {
	for _, name := range slices.Sorted(maps.Keys(t.expected())) {
		due := t.deadline(name)
		if due.IsZero() || t.opening(due).After(t.now) || t.held(protocol.LevelAct) {
			continue
		}
		key := t.key(protocol.AdviceSilent, name, "")
		c := &Cause{Advice: protocol.AdviceSilent, Channel: name, Open: true, Level: protocol.LevelAct, Raised: ReasonSilent, Since: due}
		if name == protocol.NoSeries {
			c.Channel = ""
		}
		c.Why = "No reading has come in since the worker began to expect them, " + clock(t.Begun, t.opts.Zone) + "."
		if st := t.Stations[name]; st != nil && len(st.Visits) > 0 {
			c.Why = fmt.Sprintf("No reading since %s; one was due by %s.", clock(st.Heard, t.opts.Zone), clock(due, t.opts.Zone))
			if last := t.lastReading(); last != nil {
				c.LastGood = last
			}
		}
		t.Causes[key] = c
		t.tell(key, c, protocol.ChangeRaised, ReasonSilent, nil)
	}
}

// lastReading is the newest usable reading of the printer, whatever its series.
func (t *turn) lastReading() *protocol.LastGood {
	var last *protocol.LastGood
	for _, id := range slices.Sorted(maps.Keys(t.Series)) {
		s := t.Series[id]
		if s.Last != "" && (last == nil || s.LastAt.After(last.At)) {
			last = &protocol.LastGood{Reading: s.Last, At: s.LastAt}
		}
	}
	return last
}

func clock(at time.Time, zone *time.Location) string {
	return zones.Stamp(at, zone, "Mon 2 Jan 15:04")
}
