// Package zones knows the shop's time zone: the name by which it is remembered, and how a time is
// shown in it. Times are stored in UTC; what people read is in the zone of the shop, wherever the
// machine stands that shows it.
package zones

import (
	"os"
	"strings"
	"time"
)

// Name gives the name of a zone in the IANA time zone database; empty where it has none, or where
// the machine does not tell that of its own.
func Name(zone *time.Location) string {
	if zone == nil {
		return ""
	}
	name := zone.String()
	if name == "Local" {
		name = machine(os.Getenv, os.Readlink)
	}
	if _, err := time.LoadLocation(name); err != nil || name == "" || name == "Local" {
		return ""
	}
	return name
}

// machine looks up the name of the machine's zone as the Go runtime looks up its rules: by TZ, and
// else by the link that /etc/localtime is on most systems.
func machine(getenv func(string) string, readlink func(string) (string, error)) string {
	if tz := strings.TrimPrefix(getenv("TZ"), ":"); tz != "" && !strings.HasPrefix(tz, "/") {
		return tz
	}
	to, err := readlink("/etc/localtime")
	if err != nil {
		return ""
	}
	_, name, _ := strings.Cut(to, "/zoneinfo/")
	return name
}

// Stamp writes a time in a zone by a layout of package time. Where the clocks are set back, an hour
// of the day comes twice: its times get the zone's letters, so that it is clear which is meant.
func Stamp(t time.Time, zone *time.Location, layout string) string {
	t = t.In(zone)
	s := t.Format(layout)
	if letters, twice := again(t); twice {
		s += " " + letters
	}
	return s
}

// again reports whether the time of day of t comes twice, and gives the letters of its zone then.
func again(t time.Time) (letters string, twice bool) {
	letters, offset := t.Zone()
	from, to := t.ZoneBounds()
	if !from.IsZero() {
		_, before := from.Add(-1).Zone()
		back := time.Duration(before-offset) * time.Second
		twice = t.Before(from.Add(back))
	}
	if !to.IsZero() && !twice {
		_, after := to.Zone()
		back := time.Duration(offset-after) * time.Second
		twice = back > 0 && !t.Before(to.Add(-back))
	}
	return letters, twice
}
