package chat

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"swathkeeper/protocol"
)

// quiet is a stretch of every day, by the shop's clock; it may span midnight.
type quiet struct {
	from, till time.Duration // since midnight
}

func parseQuiet(s string) (*quiet, error) {
	if s == "" {
		return nil, nil
	}
	from, till, ok := strings.Cut(s, "-")
	if !ok {
		return nil, fmt.Errorf("%q is no stretch of the day like 21:00-06:00", clean(s))
	}
	var q quiet
	var err error
	if q.from, err = parseClock(from); err != nil {
		return nil, err
	}
	if q.till, err = parseClock(till); err != nil {
		return nil, err
	}
	if q.from == q.till {
		return nil, errors.New("it begins when it ends; leave it out to be never quiet")
	}
	return &q, nil
}

// holds reports whether it is quiet at the time at.
func (q *quiet) holds(at time.Time, zone *time.Location) bool {
	if q == nil {
		return false
	}
	local := at.In(zone)
	t := time.Duration(local.Hour())*time.Hour + time.Duration(local.Minute())*time.Minute + time.Duration(local.Second())*time.Second
	if q.from < q.till {
		return t >= q.from && t < q.till
	}
	return t >= q.from || t < q.till
}

// urgent reports whether a change goes out in quiet hours too: what is at stop, and new.
func urgent(c protocol.Change) bool {
	if c.Level != protocol.LevelStop {
		return false
	}
	switch c.Change {
	case protocol.ChangeRaised, protocol.ChangeWorse, protocol.ChangeReminder:
		return true
	}
	return false
}

// daily gives the last and the next time of day at by the shop's clock.
func daily(of time.Duration, now time.Time, zone *time.Location) (last, next time.Time) {
	y, m, d := now.In(zone).Date()
	at := func(days int) time.Time {
		return time.Date(y, m, d+days, int(of/time.Hour), int(of%time.Hour/time.Minute), 0, 0, zone)
	}
	if last = at(0); last.After(now) {
		return at(-1), last
	}
	return last, at(1)
}
