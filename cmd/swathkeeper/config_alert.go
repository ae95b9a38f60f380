package main

import (
	"fmt"
	"strings"
	"time"

	"swathkeeper/worker/alert"
)

// alertConfig is the shop's rules for alerts; a field left out keeps its default.
type alertConfig struct {
	Remind     time.Duration `koanf:"remind"`
	RemindStop time.Duration `koanf:"remind_stop"`
	Confirm    int           `koanf:"confirm"`
	Window     int           `koanf:"window"`
	ClearAfter int           `koanf:"clear_after"`
	ClosedDays []string      `koanf:"closed_days"` // weekdays
	OpensAt    string        `koanf:"opens_at"`    // like 06:00
	// Closed are holidays and maintenance windows, Expect the stations that must report.
	Closed []closedConfig `koanf:"closed"`
	Expect []expectConfig `koanf:"expect"`
	// NoLearnedSilence turns off what is learned about when stations report.
	NoLearnedSilence bool `koanf:"no_learned_silence"`
}

// closedConfig is a stretch in which a printer, or all, rest: from a date or time till another, both
// in the shop's zone. A date alone as the end is that whole day.
type closedConfig struct {
	From    string `koanf:"from"`
	Till    string `koanf:"till"`
	Site    string `koanf:"site"`
	Printer string `koanf:"printer"`
}

// expectConfig says how often a station must report on a printer.
type expectConfig struct {
	Site    string        `koanf:"site"`
	Printer string        `koanf:"printer"`
	Station string        `koanf:"station"`
	Every   time.Duration `koanf:"every"`
}

var weekdays = map[string]time.Weekday{
	"sunday": time.Sunday, "monday": time.Monday, "tuesday": time.Tuesday, "wednesday": time.Wednesday,
	"thursday": time.Thursday, "friday": time.Friday, "saturday": time.Saturday,
}

// alertOptions turns the settings into the alert rules' options.
func (c *config) alertOptions(zone *time.Location) (alert.Options, error) {
	a := c.Alert
	o := alert.Options{
		Remind: a.Remind, RemindStop: a.RemindStop, Confirm: a.Confirm, Window: a.Window, ClearAfter: a.ClearAfter,
		NoLearnedSilence: a.NoLearnedSilence, Zone: zone,
	}
	for _, d := range a.ClosedDays {
		w, ok := weekdays[strings.ToLower(strings.TrimSpace(d))]
		if !ok {
			return o, usagef("alert.closed_days: %q is no day of the week", d)
		}
		o.ClosedDays = append(o.ClosedDays, w)
	}
	if a.OpensAt != "" {
		at, err := time.Parse("15:04", a.OpensAt)
		if err != nil {
			return o, usagef("alert.opens_at: %q is no time of day like 06:00", a.OpensAt)
		}
		o.OpensAt = time.Duration(at.Hour())*time.Hour + time.Duration(at.Minute())*time.Minute
	}
	for i, p := range a.Closed {
		from, _, err := dayOrTime(p.From, zone)
		if err != nil {
			return o, usagef("alert.closed[%d].from: %w", i, err)
		}
		till, whole, err := dayOrTime(p.Till, zone)
		if err != nil {
			return o, usagef("alert.closed[%d].till: %w", i, err)
		}
		if whole {
			till = till.AddDate(0, 0, 1)
		}
		o.Closed = append(o.Closed, alert.Period{Site: p.Site, Printer: p.Printer, From: from, Till: till})
	}
	for _, e := range a.Expect {
		o.Expect = append(o.Expect, alert.Expect(e))
	}
	if err := o.Validate(); err != nil {
		return o, usagef("configuration: %w", err)
	}
	return o, nil
}

// dayOrTime reads a date, or a date and a time of day, in the shop's zone.
func dayOrTime(s string, zone *time.Location) (at time.Time, day bool, err error) {
	if at, err = time.ParseInLocation("2006-01-02", s, zone); err == nil {
		return at, true, nil
	}
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02 15:04"} {
		if at, err = time.ParseInLocation(layout, s, zone); err == nil {
			return at, false, nil
		}
	}
	return at, false, fmt.Errorf("%q is neither a date like 2026-08-01 nor one with a time like 2026-08-01T12:00", s)
}
