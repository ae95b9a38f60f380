package alert

import (
	"maps"
	"slices"
	"time"

	"swathkeeper/protocol"
)

// Version of State. A state of another version is not understood; the caller starts afresh and
// says so.
const Version = 1

// State is what the rules remember about one printer. It travels as JSON in every record of the
// printer and stays small: a few hundred bytes a series, cause and station. The zero State is a
// printer that was never heard of.
type State struct {
	Version  int                 `json:"version"`
	Site     string              `json:"site"`
	Printer  string              `json:"printer"`
	Begun    time.Time           `json:"begun,omitzero"` // first input
	Causes   map[string]*Cause   `json:"causes,omitempty"`
	Series   map[string]*Series  `json:"series,omitempty"`
	Stations map[string]*Station `json:"stations,omitempty"`
	Entries  []Entry             `json:"entries,omitempty"` // journal entries waiting for their answer
	Swaps    []Swap              `json:"swaps,omitempty"`   // changes of ink and media that question baselines
	// HeldTill is until when nothing new below stop is raised on this printer.
	HeldTill time.Time `json:"held_till,omitzero"`
}

// Cause is one cause on the printer: open, or seen too seldom to be raised.
type Cause struct {
	Advice  string `json:"advice"`
	Channel string `json:"channel,omitempty"`
	Series  string `json:"series,omitempty"` // of causes that belong to a series
	Station string `json:"station,omitempty"`

	Open     bool               `json:"open,omitempty"`
	Level    string             `json:"level,omitempty"`
	Raised   string             `json:"raised,omitempty"` // reason it was raised for
	Since    time.Time          `json:"since"`
	LastGood *protocol.LastGood `json:"last_good,omitempty"`
	Began    time.Time          `json:"began,omitzero"` // estimated, where that is before Since

	Why        string  `json:"why,omitempty"`
	Likelihood float64 `json:"likelihood,omitempty"`
	Rival      string  `json:"rival,omitempty"`
	Check      string  `json:"check,omitempty"`

	Hits  []Hit    `json:"hits,omitempty"`  // latest sightings, oldest first
	Shown []string `json:"shown,omitempty"` // series that showed it
	// Traces is set when the strips showed it last: then only strips can show it gone.
	Traces bool `json:"traces,omitempty"`
	// Clean, Mild and Below count readings in a row of those series without it, with it at most
	// within tolerance, and below the stop limit.
	Clean int `json:"clean,omitempty"`
	Mild  int `json:"mild,omitempty"`
	Below int `json:"below,omitempty"`

	ToldAt   time.Time `json:"told_at,omitzero"`
	GoodAt   time.Time `json:"good_at,omitzero"` // when a reading without it last came in
	ToldSize float64   `json:"told_size,omitempty"`

	HeldTill time.Time `json:"held_till,omitzero"`
	// Closed is set when a person closed it, until the next reading of a series that showed it: if
	// it is still there, goods have been suspect all the while.
	Closed bool `json:"closed,omitempty"`

	Cleans  int      `json:"cleans,omitempty"`  // cleans without effect
	Helped  string   `json:"helped,omitempty"`  // what the operator did that helped
	Sustain []string `json:"sustain,omitempty"` // keys of causes that this one took over
}

// Hit is one sighting of a cause.
type Hit struct {
	Reading string    `json:"reading"`
	Series  string    `json:"series"`
	Count   uint64    `json:"n"` // the series' count then
	At      time.Time `json:"at"`
	Print   string    `json:"print,omitempty"`
	Level   string    `json:"level"`
	Size    float64   `json:"size,omitempty"`
	// Likelihood and Rival are what the reading gave the cause, and the advice it named beside it.
	Likelihood float64 `json:"p,omitempty"`
	Rival      string  `json:"rival,omitempty"`
}

// Series is what is known of one series of the printer.
type Series struct {
	Count  uint64    `json:"n"` // usable verdicts so far
	Stage  string    `json:"stage,omitempty"`
	Path   string    `json:"path,omitempty"`
	Heard  time.Time `json:"heard,omitzero"`   // of the last verdict of any outcome
	LastAt time.Time `json:"last_at,omitzero"` // of the last usable verdict
	Last   string    `json:"last,omitempty"`   // its reading
	Prints []Seen    `json:"prints,omitempty"` // numbers of the last prints
	Shown  *Shown    `json:"shown,omitempty"`  // what its last usable reading showed of colour; never changed in place
	// Taken is the last reading while a baseline was learned: once there is one, it was good.
	Taken protocol.LastGood `json:"taken,omitzero"`
	// Onsets tell, by channel, when the change of its strength began that is under way, if one is.
	Onsets   map[string]Onset `json:"onsets,omitempty"`
	Unusable int              `json:"unusable,omitempty"`

	Baseline      string    `json:"baseline,omitempty"`
	Grade         string    `json:"grade,omitempty"`
	BaselineSince time.Time `json:"baseline_since,omitzero"` // first verdict against it
	// AwaitBaseline is set when a profile was refitted for charts printed without it: until the
	// baseline changes, or this time passes, a refit is not advised again.
	AwaitBaseline time.Time `json:"await_baseline,omitzero"`
}

// Onset is the last reading in which nothing spoke for a change, and when the first after it was
// taken; zero where there is none.
type Onset struct {
	Good  protocol.LastGood `json:"good,omitzero"`
	Began time.Time         `json:"began,omitzero"`
}

// Seen is when a print's number was first seen, and on how many days since.
type Seen struct {
	Print string    `json:"print"`
	At    time.Time `json:"at"`
	Days  int       `json:"days,omitempty"` // days after the first on which it was read
	Last  string    `json:"last,omitempty"` // the last of them, as 2006-01-02
}

// Station is when a station reported.
type Station struct {
	Visits []int64   `json:"visits,omitempty"` // Unix seconds of taken_at, oldest first
	Heard  time.Time `json:"heard,omitzero"`   // last sign of life by the worker's clock
	First  int64     `json:"first,omitempty"`  // first visit
	Days   [7]int64  `json:"days"`             // last visit on each weekday, Sunday first
	// Dismissed is set when a person closed the alert about its silence: not told again until it
	// reports.
	Dismissed bool `json:"dismissed,omitempty"`
}

// Entry is a journal entry that waits for a reading to answer it.
type Entry struct {
	Note    string    `json:"note"`
	What    string    `json:"what"`
	Channel string    `json:"channel,omitempty"`
	At      time.Time `json:"at"`
	Aims    []Aim     `json:"aims,omitempty"`
}

// Aim is what a journal entry was meant to mend, as it was before.
type Aim struct {
	Key   string  `json:"key"`
	Level string  `json:"level"`
	Size  float64 `json:"size,omitempty"`
}

// Swap is a change of ink or media.
type Swap struct {
	What    string    `json:"what"`
	Channel string    `json:"channel,omitempty"`
	Lot     string    `json:"lot,omitempty"`
	At      time.Time `json:"at"`
}

// clone copies everything, so that Next never changes what it was given.
func (s State) clone() State {
	c := s
	c.Causes = make(map[string]*Cause, len(s.Causes))
	for k, v := range s.Causes {
		if v == nil {
			continue
		}
		n := *v
		n.Hits = slices.Clone(v.Hits)
		n.Shown = slices.Clone(v.Shown)
		n.Sustain = slices.Clone(v.Sustain)
		if v.LastGood != nil {
			g := *v.LastGood
			n.LastGood = &g
		}
		c.Causes[k] = &n
	}
	c.Series = make(map[string]*Series, len(s.Series))
	for k, v := range s.Series {
		if v == nil {
			continue
		}
		n := *v
		n.Prints = slices.Clone(v.Prints)
		n.Onsets = maps.Clone(v.Onsets)
		c.Series[k] = &n
	}
	c.Stations = make(map[string]*Station, len(s.Stations))
	for k, v := range s.Stations {
		if v == nil {
			continue
		}
		n := *v
		n.Visits = slices.Clone(v.Visits)
		c.Stations[k] = &n
	}
	c.Entries = make([]Entry, len(s.Entries))
	for i, e := range s.Entries {
		e.Aims = slices.Clone(e.Aims)
		c.Entries[i] = e
	}
	c.Swaps = slices.Clone(s.Swaps)
	return c
}

// keys gives the causes' keys in a fixed order, so that the same input gives the same record.
func (s *State) keys() []string { return slices.Sorted(maps.Keys(s.Causes)) }

// Open lists the printer's open alerts, the gravest first, then in the order they began.
func (s State) Open() []protocol.Alert {
	var out []protocol.Alert
	for _, k := range s.keys() {
		c := s.Causes[k]
		if c == nil || !c.Open {
			continue
		}
		a := protocol.Alert{
			Key: k, Advice: c.Advice, Channel: c.Channel, Series: c.Series, Level: c.Level,
			Since: c.Since, Why: c.Why, Raised: c.Raised, Held: !c.HeldTill.IsZero(), HeldTill: c.HeldTill,
		}
		if c.LastGood != nil {
			g := *c.LastGood
			a.LastGood = &g
		}
		out = append(out, a)
	}
	slices.SortStableFunc(out, func(a, b protocol.Alert) int {
		if d := rank(b.Level) - rank(a.Level); d != 0 {
			return d
		}
		return a.Since.Compare(b.Since)
	})
	return out
}
