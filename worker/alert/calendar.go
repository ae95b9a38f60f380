package alert

import "time"

// calendar knows when a printer's shop is closed.
type calendar struct {
	zone    *time.Location
	days    [7]bool // closed weekdays
	periods []Period
}

// calendar of this printer; learned adds the weekdays on which a station never reports.
func (t *turn) calendar(learned []time.Weekday) calendar {
	c := calendar{zone: t.opts.Zone}
	for _, d := range t.opts.ClosedDays {
		c.days[d] = true
	}
	for _, d := range learned {
		c.days[d] = true
	}
	if c.days == [7]bool{true, true, true, true, true, true, true} {
		c.days = [7]bool{}
	}
	for _, p := range t.opts.Closed {
		if (p.Site == "" || p.Site == t.Site) && (p.Printer == "" || p.Printer == t.Printer) {
			c.periods = append(c.periods, p)
		}
	}
	return c
}

// begins is the first moment of a day. Where the clocks go forward at midnight there is no midnight,
// and the library may take the one of the day before for it.
func (c calendar) begins(y int, m time.Month, d int) time.Time {
	at := time.Date(y, m, d, 0, 0, 0, 0, c.zone)
	if noon := time.Date(y, m, d, 12, 0, 0, 0, c.zone); at.Day() != noon.Day() {
		at = time.Date(y, m, d, 1, 0, 0, 0, c.zone)
	}
	return at
}

// stretch tells whether the shop is closed at the time at, and until when that holds at the least.
func (c calendar) stretch(at time.Time) (closed bool, until time.Time) {
	local := at.In(c.zone)
	y, m, d := local.Date()
	until = c.begins(y, m, d+1)
	closed = c.days[local.Weekday()]
	for _, p := range c.periods {
		switch {
		case at.Before(p.From):
			if p.From.Before(until) {
				until = p.From
			}
		case at.Before(p.Till):
			closed = true
			if p.Till.Before(until) {
				until = p.Till
			}
		}
	}
	return closed, until
}

// maxStretches bounds every walk through the calendar: about two years of days.
const maxStretches = 800

// opens gives the first open time at or after at.
func (c calendar) opens(at time.Time) time.Time {
	for range maxStretches {
		closed, until := c.stretch(at)
		if !closed {
			return at
		}
		at = until
	}
	return at
}

// between gives the open time from one time to a later one.
func (c calendar) between(from, to time.Time) time.Duration {
	var open time.Duration
	for range maxStretches {
		if !from.Before(to) {
			return open
		}
		closed, until := c.stretch(from)
		if until.After(to) {
			until = to
		}
		if !closed {
			open += until.Sub(from)
		}
		from = until
	}
	return open + max(0, to.Sub(from))
}

// after gives the time at which d of open time has passed since from; it is never in closed time.
func (c calendar) after(from time.Time, d time.Duration) time.Time {
	for range maxStretches {
		closed, until := c.stretch(from)
		if !closed {
			if left := until.Sub(from); d >= left {
				d -= left
			} else {
				return from.Add(d)
			}
		}
		from = until
	}
	return from.Add(d)
}
