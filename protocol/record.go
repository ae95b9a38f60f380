package protocol

import (
	"encoding/json"
	"time"
)

// Record is what came of one input, or of one of the worker's own timers. Records are the
// worker's memory: a printer's last record holds its alert state, a series' last verdict its
// detector state.
type Record struct {
	Schema  string    `json:"schema"`
	ID      string    `json:"id"`
	Kind    string    `json:"kind"` // verdict, alert (whatever changed one, or was to), refusal, journal or baseline
	At      time.Time `json:"at"`   // a verdict's: the reading's taken_at; else the worker's clock
	Site    string    `json:"site"`
	Printer string    `json:"printer"`
	Series  string    `json:"series"` // "-" where there is none
	Text    string    `json:"text"`   // one line for people

	Inbox    time.Time `json:"inbox"`     // creation time of the inbox stream that inbox_seq counts in
	InboxSeq uint64    `json:"inbox_seq"` // 0 for timers

	Changes []Change `json:"changes,omitempty"` // alert transitions this record brings
	Open    []Alert  `json:"open,omitempty"`    // every alert open on this printer afterwards
	// HeldUntil is until when the whole printer is on hold: nothing new below stop is told.
	HeldUntil time.Time `json:"held_until,omitzero"`

	Verdict  *Verdict         `json:"verdict,omitzero"`
	Refusal  *Refusal         `json:"refusal,omitzero"`
	Note     *Note            `json:"note,omitzero"` // the note behind a journal, baseline or alert record
	Baseline *BaselineRecord  `json:"baseline,omitzero"`
	Outcomes []JournalOutcome `json:"outcomes,omitempty"` // what earlier journal entries brought

	PrinterState json.RawMessage `json:"printer_state,omitzero"` // opaque; the worker's
	SeriesState  json.RawMessage `json:"series_state,omitzero"`  // opaque; the worker's
}

// How an alert may change.
const (
	ChangeRaised   = "raised"
	ChangeWorse    = "worse"
	ChangeBetter   = "better"
	ChangeReminder = "reminder"
	ChangeCleared  = "cleared"
	ChangeHeld     = "held"
	ChangeClosed   = "closed"
	ChangeAbsorbed = "absorbed"
)

// Alert is one open cause on one printer.
type Alert struct {
	Key      string    `json:"key"` // site/printer/advice/channel-or-series
	Advice   string    `json:"advice"`
	Channel  string    `json:"channel,omitzero"`
	Series   string    `json:"series,omitzero"`
	Level    string    `json:"level"` // act or stop
	Since    time.Time `json:"since"` // taken_at of the first reading that showed it
	LastGood *LastGood `json:"last_good,omitzero"`
	Why      string    `json:"why"`
	Raised   string    `json:"raised,omitzero"` // the reason, in a word, for which it was raised
	Held     bool      `json:"held,omitzero"`
	HeldTill time.Time `json:"held_until,omitzero"`
}

// LastGood is the last reading before an alert that did not show it: what was printed after it is
// suspect.
type LastGood struct {
	Reading string    `json:"reading"`
	At      time.Time `json:"at"`
}

// Change is one transition of one alert.
type Change struct {
	Key      string    `json:"key"`
	Advice   string    `json:"advice"`
	Channel  string    `json:"channel,omitzero"`
	Level    string    `json:"level"`
	Change   string    `json:"change"`          // raised, worse, better, reminder, cleared, held, closed or absorbed
	Reason   string    `json:"reason"`          // a word
	Raised   string    `json:"raised,omitzero"` // the reason for which the alert was raised
	Since    time.Time `json:"since"`
	LastGood *LastGood `json:"last_good,omitzero"`
	Verdict  string    `json:"verdict,omitzero"`   // id of the verdict that brought it
	Readings []string  `json:"readings,omitempty"` // ids of the evidence

	Why            string   `json:"why,omitzero"` // what was seen, in numbers
	Likelihood     float64  `json:"likelihood,omitzero"`
	Rival          string   `json:"rival,omitzero"`
	SplittingCheck string   `json:"splitting_check,omitzero"`
	Steps          []string `json:"steps,omitempty"`    // what to do, in order
	Cautions       []string `json:"cautions,omitempty"` // what could hurt while doing it
}

// Outcomes of a journal entry.
const (
	Helped   = "helped"
	NoChange = "no_change"
	Worse    = "worse"
)

// JournalOutcome says what a journal entry brought, once the next readings answer.
type JournalOutcome struct {
	Note    string    `json:"note"` // id of the note
	What    string    `json:"what"`
	Channel string    `json:"channel,omitzero"`
	At      time.Time `json:"at"`
	Outcome string    `json:"outcome"` // helped, no_change or worse
	Key     string    `json:"key,omitzero"`
}

// BaselineRecord tells what became of a baseline.
type BaselineRecord struct {
	Do       string   `json:"do"` // learn, accept or retire
	ID       string   `json:"id,omitzero"`
	Replaces string   `json:"replaces,omitzero"`
	Grade    string   `json:"grade,omitzero"`
	Count    int      `json:"count,omitzero"`
	Days     int      `json:"days,omitzero"`   // local dates the readings span
	Digest   string   `json:"digest,omitzero"` // SHA-256 of the stored baseline, its name in the object store
	Reason   string   `json:"reason,omitzero"`
	Readings []string `json:"readings,omitempty"`
	Warnings []string `json:"warnings,omitempty"`
}

func (r *Record) schemaName() string { return r.Schema }
