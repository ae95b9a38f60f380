package protocol

import (
	"encoding/json"
	"fmt"
	"time"
)

// MaxBaseline is the largest baseline in bytes, before compression, that is read.
const MaxBaseline = 64 << 20

// Baseline is the known-good state of one series, as the worker stores it. What it learned is
// opaque to everybody but the judge; the rest says what it was learned from.
type Baseline struct {
	Schema     string     `json:"schema"`
	ID         string     `json:"id"` // version 5 UUID computed from the note that accepted it
	Site       string     `json:"site"`
	Printer    string     `json:"printer"`
	Series     string     `json:"series"`
	Chart      *Chart     `json:"chart"` // the layout as it was
	Condition  Condition  `json:"condition"`
	Instrument Instrument `json:"instrument"`
	Press      *Press     `json:"press,omitzero"` // as at the last reading it was learned from
	Lots       *Lots      `json:"lots,omitzero"`
	Grade      string     `json:"grade"` // tentative, provisional or full
	Count      int        `json:"count"` // readings
	Days       int        `json:"days"`  // local dates the readings span
	From       time.Time  `json:"from"`  // taken_at of the first reading
	To         time.Time  `json:"to"`    // taken_at of the last reading
	Readings   []string   `json:"readings"`
	Warnings   []string   `json:"warnings,omitempty"`

	Drift   json.RawMessage `json:"drift,omitzero"`   // opaque; what whole-chart colour is held against
	Banding json.RawMessage `json:"banding,omitzero"` // opaque; what traces are held against
}

func (b *Baseline) schemaName() string { return b.Schema }

// Validate checks a baseline in itself. The error is always a *Refusal.
func (b *Baseline) Validate() error {
	if b.ID == "" {
		return refuse(CodeMissing, "id", "a baseline needs an id")
	}
	if !isSeries(b.Series) {
		return refuse(CodeBadValue, "series", fmt.Sprintf("%q is not a series: 12 hex digits", clip(b.Series, 40)))
	}
	if err := oneOf("grade", b.Grade, false, GradeNone, GradeTentative, GradeProvisional, GradeFull); err != nil {
		return err
	}
	if b.Chart == nil {
		return refuse(CodeMissing, "chart", "a baseline carries the chart layout it was learned on")
	}
	if err := b.Chart.Validate(); err != nil {
		return within("chart", err)
	}
	return nil
}

// within puts the field of a refusal under another.
func within(field string, err error) error {
	r, ok := err.(*Refusal)
	if !ok {
		return err
	}
	under := *r
	switch {
	case r.Field == "":
		under.Field = field
	case r.Field[0] == '[':
		under.Field = field + r.Field
	default:
		under.Field = field + "." + r.Field
	}
	return &under
}
