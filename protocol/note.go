package protocol

import (
	"fmt"
	"time"

	"github.com/google/uuid"
)

// Note is what a person, or another program, tells the worker about a printer. It holds exactly
// one of Journal, Baseline, Hold and Close.
type Note struct {
	Schema  string    `json:"schema"`
	ID      string    `json:"id"` // UUID
	At      time.Time `json:"at"` // when it was done, with the shop's offset
	Site    string    `json:"site"`
	Printer string    `json:"printer"`
	Who     string    `json:"who,omitempty"`
	Text    string    `json:"text,omitempty"` // free text, at most 500 characters

	Journal  *JournalNote  `json:"journal,omitempty"`
	Baseline *BaselineNote `json:"baseline,omitempty"`
	Hold     *HoldNote     `json:"hold,omitempty"`
	Close    *CloseNote    `json:"close,omitempty"`
}

// What a journal entry may say was done.
const (
	DidClean   = "clean"
	DidInk     = "ink"
	DidProfile = "profile"
	DidPress   = "press"
	DidMedia   = "media"
	DidService = "service"
	DidNote    = "note"
)

// JournalNote is what the operator did.
type JournalNote struct {
	What    string `json:"what"`              // clean, ink, profile, press, media, service or note
	Channel string `json:"channel,omitempty"` // of a clean or an ink
	Lot     string `json:"lot,omitempty"`     // of an ink or a medium
}

// What a baseline note may ask for.
const (
	BaselineLearn  = "learn"  // the next readings are known-good
	BaselineAccept = "accept" // freeze what was learned
	BaselineRetire = "retire" // stop judging against the baseline in force
)

// BaselineNote marks readings as known-good, or freezes them.
type BaselineNote struct {
	Do     string `json:"do"`               // learn, accept or retire
	Series string `json:"series,omitempty"` // empty: every series of the printer
	Reason string `json:"reason,omitempty"` // required where a baseline is replaced or retired
}

// HoldNote silences an alert until a time.
type HoldNote struct {
	Key   string    `json:"key"`
	Until time.Time `json:"until"`
	Why   string    `json:"why"`
}

// CloseNote closes an alert by hand.
type CloseNote struct {
	Key string `json:"key"`
	Why string `json:"why"`
}

// CheckSubject refuses a note whose body names another printer than its subject.
func (n *Note) CheckSubject(site, printer string) error {
	return checkSubject(n.Site, n.Printer, site, printer)
}

// CheckTime refuses a note more than MaxAhead after now.
func (n *Note) CheckTime(now time.Time) error {
	if n.At.After(now.Add(MaxAhead)) {
		return refuse(CodeFuture, "at", fmt.Sprintf("%s is more than a day ahead of the worker's clock", n.At.Format(time.RFC3339)))
	}
	return nil
}

func (n *Note) schemaName() string { return n.Schema }

// Validate checks a note in itself. The error is always a *Refusal.
func (n *Note) Validate() error {
	if err := uuid.Validate(n.ID); err != nil || len(n.ID) != 36 {
		return refuse(CodeBadValue, "id", fmt.Sprintf("%q is not a UUID in its usual form of 36 characters", clip(n.ID, 60)))
	}
	if n.At.IsZero() {
		return refuse(CodeMissing, "at", "give the time, like 2026-03-04T07:12:09+01:00")
	}
	if err := checkToken("site", n.Site); err != nil {
		return err
	}
	if err := checkToken("printer", n.Printer); err != nil {
		return err
	}
	if len([]rune(n.Text)) > MaxNote {
		return refuse(CodeOutOfRange, "text", fmt.Sprintf("at most %d characters", MaxNote))
	}
	if len(n.Who) > MaxText {
		return refuse(CodeOutOfRange, "who", fmt.Sprintf("at most %d bytes", MaxText))
	}
	parts := 0
	if j := n.Journal; j != nil {
		parts++
		if err := oneOf("journal.what", j.What, false, DidClean, DidInk, DidProfile, DidPress, DidMedia, DidService, DidNote); err != nil {
			return err
		}
		if len(j.Channel) > MaxText || len(j.Lot) > MaxText {
			return refuse(CodeOutOfRange, "journal", fmt.Sprintf("channel and lot: at most %d bytes each", MaxText))
		}
	}
	if b := n.Baseline; b != nil {
		parts++
		if err := oneOf("baseline.do", b.Do, false, BaselineLearn, BaselineAccept, BaselineRetire); err != nil {
			return err
		}
		if b.Series != "" && !isSeries(b.Series) {
			return refuse(CodeBadValue, "baseline.series", fmt.Sprintf("%q is not a series: 12 hex digits", clip(b.Series, 40)))
		}
		if len(b.Reason) > MaxNote {
			return refuse(CodeOutOfRange, "baseline.reason", fmt.Sprintf("at most %d bytes", MaxNote))
		}
	}
	if h := n.Hold; h != nil {
		parts++
		if err := checkKey("hold.key", h.Key); err != nil {
			return err
		}
		if h.Until.IsZero() || h.Why == "" || len(h.Why) > MaxNote {
			return refuse(CodeMissing, "hold", "say until when, and why")
		}
		if !h.Until.After(n.At) {
			return refuse(CodeOutOfRange, "hold.until", "it must be later than the note itself")
		}
	}
	if c := n.Close; c != nil {
		parts++
		if err := checkKey("close.key", c.Key); err != nil {
			return err
		}
		if c.Why == "" || len(c.Why) > MaxNote {
			return refuse(CodeMissing, "close.why", "say why the alert is closed")
		}
	}
	if parts != 1 {
		return refuse(CodeBadValue, "", fmt.Sprintf("a note holds exactly one of journal, baseline, hold and close; this one %d", parts))
	}
	return nil
}

func checkKey(field, key string) error {
	if key == "" || len(key) > 4*MaxText {
		return refuse(CodeMissing, field, "give the alert's key as `alert list` shows it")
	}
	return nil
}

func isSeries(s string) bool {
	if len(s) != 12 {
		return false
	}
	for i := range len(s) {
		if (s[i] < '0' || s[i] > '9') && (s[i] < 'a' || s[i] > 'f') {
			return false
		}
	}
	return true
}
