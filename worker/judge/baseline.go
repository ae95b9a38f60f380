package judge

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"swathkeeper/measure/banding"
	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
)

// Baseline is the known-good state of one series, as it is stored.
type Baseline struct {
	Schema     string              `json:"schema"`
	ID         string              `json:"id"`
	Site       string              `json:"site"`
	Printer    string              `json:"printer"`
	Series     string              `json:"series"`
	Chart      *protocol.Chart     `json:"chart"`
	Condition  protocol.Condition  `json:"condition"`
	Instrument protocol.Instrument `json:"instrument"`
	Press      *protocol.Press     `json:"press,omitempty"` // as at the last reading it was learned from
	Lots       *protocol.Lots      `json:"lots,omitempty"`
	Grade      string              `json:"grade"`
	Count      int                 `json:"count"`
	Days       int                 `json:"days"` // local dates the readings span
	From       time.Time           `json:"from"`
	To         time.Time           `json:"to"`
	Readings   []string            `json:"readings"`
	Warnings   []string            `json:"warnings,omitempty"`

	Drift *drift.Baseline   `json:"drift,omitempty"`
	Lines *banding.Baseline `json:"lines,omitempty"`
}

// Learn makes a baseline from readings of one series, all of them known to be good, in the order
// in which they were taken. id becomes the baseline's id. It fails when there is nothing to learn
// from, or when the readings are not of one series.
func Learn(id string, chart *protocol.Chart, readings []*protocol.Reading, o Options) (*Baseline, error) {
	if len(readings) == 0 {
		return nil, errors.New("no readings to learn from: send some of a print that is known to be good")
	}
	first, last := readings[0], readings[len(readings)-1]
	b := &Baseline{
		Schema: protocol.SchemaBaseline, ID: id, Site: last.Site, Printer: last.Printer, Series: last.Series(),
		Chart: chart, Condition: last.Condition, Instrument: last.Instrument, Press: last.Press, Lots: last.Lots,
		Count: len(readings), From: first.TakenAt, To: last.TakenAt,
	}
	days := map[string]bool{}
	var samples []drift.Sample
	var strips [][]banding.Trace
	for _, r := range readings {
		if r.Series() != b.Series || r.Printer != b.Printer || r.Site != b.Site {
			return nil, fmt.Errorf("reading %s is of another printing condition than reading %s; a baseline is of one", r.ID, last.ID)
		}
		if err := chart.CheckReading(r); err != nil {
			return nil, fmt.Errorf("reading %s: %w", r.ID, err)
		}
		days[r.TakenAt.Format(dayLayout)] = true
		b.Readings = append(b.Readings, r.ID)
		if len(r.Traces) > 0 {
			ts, err := traces(r)
			if err != nil {
				return nil, fmt.Errorf("reading %s: %w", r.ID, err)
			}
			strips = append(strips, ts)
		}
		if r.Patches == nil {
			continue
		}
		s, err := sample(chart, r)
		if err != nil {
			return nil, fmt.Errorf("reading %s: %w", r.ID, err)
		}
		samples = append(samples, s)
	}
	b.Days = len(days)
	b.Grade = Grade(b.Count, b.Days)
	if len(samples) > 0 {
		var err error
		if b.Drift, err = drift.Learn(driftChart(chart), samples, o.Drift); err != nil {
			return nil, fmt.Errorf("colour baseline: %w", err)
		}
		for _, w := range b.Drift.Warnings {
			b.Warnings = append(b.Warnings, w.Text)
		}
	}
	if len(strips) > 0 {
		var err error
		if b.Lines, err = banding.Learn(geometry(chart), strips, o.Lines); err != nil {
			return nil, fmt.Errorf("baseline of the strips: %w", err)
		}
	}
	return b, nil
}

// Grade says what the limits of a baseline can be trusted with: fewer than 5 readings are
// tentative, 10 or more on at least 3 local dates full, and what is between provisional.
func Grade(count, days int) string {
	switch {
	case count == 0:
		return protocol.GradeNone
	case count < 5:
		return protocol.GradeTentative
	case count < 10 || days < 3:
		return protocol.GradeProvisional
	}
	return protocol.GradeFull
}

// Encode gives the bytes of a baseline as they are stored.
func (b *Baseline) Encode() ([]byte, error) { return json.Marshal(b) }

// DecodeBaseline reads what Encode wrote.
func DecodeBaseline(data []byte) (*Baseline, error) {
	var b Baseline
	if err := json.NewDecoder(bytes.NewReader(data)).Decode(&b); err != nil {
		return nil, fmt.Errorf("baseline: %w", err)
	}
	if b.Schema != protocol.SchemaBaseline {
		return nil, fmt.Errorf("baseline: schema is %q, this program reads %q", b.Schema, protocol.SchemaBaseline)
	}
	if b.Chart == nil {
		return nil, errors.New("baseline: it has no chart")
	}
	return &b, nil
}

// driftChart is the layout as far as drift needs it.
func driftChart(c *protocol.Chart) drift.Chart {
	d := drift.Chart{Channels: c.Channels, Driven: c.Driven}
	for i := range c.Patches {
		p := &c.Patches[i]
		d.IDs = append(d.IDs, p.ID)
		d.Device = append(d.Device, p.Device)
		d.Row = append(d.Row, p.Row)
		d.Col = append(d.Col, p.Col)
		d.House = append(d.House, p.House)
	}
	return d
}
