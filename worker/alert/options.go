package alert

import (
	"errors"
	"fmt"
	"time"
)

// Options are the shop's rules. A zero field means the default; DefaultOptions shows them all.
type Options struct {
	// Remind is how long after its last message an open alert at act is told again. 24 h.
	Remind time.Duration
	// RemindStop is the same for an alert at stop. 8 h.
	RemindStop time.Duration

	// Confirm of the last Window readings of a series must show a cause before it is raised,
	// unless the evidence is overwhelming. 2 of 3.
	Confirm, Window int
	// ClearAfter readings in a row without the cause clear it. 2.
	ClearAfter int
	// MildClearAfter readings in a row in which the cause is within tolerance (level note), or
	// gone, clear it too. 4.
	MildClearAfter int
	// WorseStep is how many times larger than last told a cause must be, twice in a row, to be
	// called worse. 1.5.
	WorseStep float64
	// BetterStep is the share of the size last told below which a cause must be, twice in a row,
	// to be called better. 0.5.
	BetterStep float64
	// MinLikelihood is what a finding needs to count, unless it is the verdict's first. 0.2.
	MinLikelihood float64
	// SupportWithin is how far apart readings of two series may be to support or contradict each
	// other. 24 h.
	SupportWithin time.Duration

	// CleansBeforeTurn is after how many cleans without effect the advice turns from cleaning to
	// resting the head and looking at the ink's path. 2.
	CleansBeforeTurn int
	// JournalFor is how long a journal entry waits for a reading that answers it. 14 days.
	JournalFor time.Duration
	// BaselineGrace is how long, after a profile was refitted for charts that are printed without
	// it, the refit is not advised again while the new baseline is awaited. 7 days.
	BaselineGrace time.Duration

	// Expect names stations and how often they must report, beside what is learned.
	Expect []Expect
	// NoLearnedSilence turns off the alert for stations that break their learned rhythm.
	NoLearnedSilence bool
	// LearnVisits is how many visits a rhythm is learned from before a break is told. 8.
	LearnVisits int
	// SilenceFactor is how many times the longest usual pause may pass. 1.5.
	SilenceFactor float64
	// SilenceAtLeast is the shortest silence that is told. 12 h.
	SilenceAtLeast time.Duration

	// ClosedDays are the weekdays on which nobody works: no silence and no reminder then.
	ClosedDays []time.Weekday
	// Closed are holidays and maintenance windows: no silence and no reminder then.
	Closed []Period
	// OpensAt is the time of day, since midnight, at which the first thing is told after a closed
	// day. 6 h.
	OpensAt time.Duration
	// Zone is the shop's time zone, in which its days begin and end. UTC.
	Zone *time.Location
}

// Expect says how often a station must report on a printer.
type Expect struct {
	Site    string
	Printer string
	Station string        // empty: the readings that name no station
	Every   time.Duration // longest pause in open time
}

// Period is a stretch of time in which a printer, or everything, rests.
type Period struct {
	Site    string // empty: every site
	Printer string // empty: every printer
	From    time.Time
	Till    time.Time
}

// DefaultOptions returns the documented defaults.
func DefaultOptions() Options { return Options{}.withDefaults() }

func (o Options) withDefaults() Options {
	o.Remind = or(o.Remind, 24*time.Hour)
	o.RemindStop = or(o.RemindStop, 8*time.Hour)
	o.Confirm = or(o.Confirm, 2)
	o.Window = or(o.Window, 3)
	o.ClearAfter = or(o.ClearAfter, 2)
	o.MildClearAfter = or(o.MildClearAfter, 4)
	o.WorseStep = or(o.WorseStep, 1.5)
	o.BetterStep = or(o.BetterStep, 0.5)
	o.MinLikelihood = or(o.MinLikelihood, 0.2)
	o.SupportWithin = or(o.SupportWithin, 24*time.Hour)
	o.CleansBeforeTurn = or(o.CleansBeforeTurn, 2)
	o.JournalFor = or(o.JournalFor, 14*day)
	o.BaselineGrace = or(o.BaselineGrace, 7*day)
	o.LearnVisits = or(o.LearnVisits, 8)
	o.SilenceFactor = or(o.SilenceFactor, 1.5)
	o.SilenceAtLeast = or(o.SilenceAtLeast, 12*time.Hour)
	o.OpensAt = or(o.OpensAt, 6*time.Hour)
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	return o
}

const day = 24 * time.Hour

func or[T comparable](v, def T) T {
	var zero T
	if v == zero {
		return def
	}
	return v
}

// Validate says which option cannot be right, and why. Zero fields are fine.
func (o Options) Validate() error {
	o = o.withDefaults()
	var errs []error
	bad := func(name, why string) { errs = append(errs, fmt.Errorf("alert option %s: %s", name, why)) }
	for _, d := range []struct {
		name string
		d    time.Duration
	}{
		{"Remind", o.Remind}, {"RemindStop", o.RemindStop}, {"SupportWithin", o.SupportWithin},
		{"JournalFor", o.JournalFor}, {"BaselineGrace", o.BaselineGrace}, {"SilenceAtLeast", o.SilenceAtLeast},
	} {
		if d.d < time.Minute {
			bad(d.name, fmt.Sprintf("%s is too short; give at least a minute", d.d))
		}
	}
	if o.Window < 1 || o.Window > 9 {
		bad("Window", fmt.Sprintf("%d must be 1 to 9", o.Window))
	}
	if o.Confirm < 1 || o.Confirm > o.Window {
		bad("Confirm", fmt.Sprintf("%d must be 1 to Window (%d)", o.Confirm, o.Window))
	}
	if o.ClearAfter < 1 || o.ClearAfter > 20 {
		bad("ClearAfter", fmt.Sprintf("%d must be 1 to 20", o.ClearAfter))
	}
	if o.MildClearAfter < o.ClearAfter {
		bad("MildClearAfter", fmt.Sprintf("%d must not be less than ClearAfter (%d)", o.MildClearAfter, o.ClearAfter))
	}
	if !(o.WorseStep > 1) {
		bad("WorseStep", fmt.Sprintf("%g must be above 1", o.WorseStep))
	}
	if !(o.BetterStep > 0 && o.BetterStep < 1) {
		bad("BetterStep", fmt.Sprintf("%g must be between 0 and 1", o.BetterStep))
	}
	if !(o.MinLikelihood >= 0 && o.MinLikelihood <= 1) {
		bad("MinLikelihood", fmt.Sprintf("%g must be 0 to 1", o.MinLikelihood))
	}
	if o.CleansBeforeTurn < 1 {
		bad("CleansBeforeTurn", "give at least 1")
	}
	if o.LearnVisits < 3 || o.LearnVisits > maxVisits {
		bad("LearnVisits", fmt.Sprintf("%d must be 3 to %d", o.LearnVisits, maxVisits))
	}
	if !(o.SilenceFactor >= 1) {
		bad("SilenceFactor", fmt.Sprintf("%g must be at least 1", o.SilenceFactor))
	}
	if o.OpensAt < 0 || o.OpensAt >= day {
		bad("OpensAt", fmt.Sprintf("%s is no time of day", o.OpensAt))
	}
	for i, e := range o.Expect {
		if e.Site == "" || e.Printer == "" {
			bad(fmt.Sprintf("Expect[%d]", i), "name the site and the printer")
		}
		if e.Every < time.Minute {
			bad(fmt.Sprintf("Expect[%d].Every", i), fmt.Sprintf("%s is too short; give at least a minute", e.Every))
		}
	}
	closed := map[time.Weekday]bool{}
	for _, d := range o.ClosedDays {
		if d < time.Sunday || d > time.Saturday {
			bad("ClosedDays", fmt.Sprintf("%d is not a weekday", int(d)))
		}
		closed[d] = true
	}
	if len(closed) > 6 {
		bad("ClosedDays", "every day is closed; leave one open")
	}
	for i, p := range o.Closed {
		if !p.Till.After(p.From) {
			bad(fmt.Sprintf("Closed[%d]", i), "it must end after it begins")
		}
	}
	return errors.Join(errs...)
}
