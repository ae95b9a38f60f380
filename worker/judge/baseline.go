package judge

import (
	"encoding/json"
	"errors"
	"fmt"
	"reflect"

	"swathkeeper/measure/banding"
	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
)

// Baseline is the known-good state of one series: what is stored, with its opaque parts opened.
type Baseline struct {
	protocol.Baseline
	Colour *drift.Baseline   // of the patches; nil: readings without patches
	Lines  *banding.Baseline // of the strips; nil: readings without traces
}

// Learn makes a baseline from readings of one series, all of them known to be good, in the order
// in which they were taken. id becomes the baseline's id. It fails when there is nothing to learn
// from, or when the readings are not of one series.
func Learn(id string, chart *protocol.Chart, readings []*protocol.Reading, o Options) (*Baseline, error) {
	if len(readings) == 0 {
		return nil, errors.New("no readings to learn from: send some of a print that is known to be good")
	}
	first, last := readings[0], readings[len(readings)-1]
	b := &Baseline{Baseline: protocol.Baseline{
		Schema: protocol.SchemaBaseline, ID: id, Site: last.Site, Printer: last.Printer, Series: last.Series(),
		Chart: chart, Condition: last.Condition, Instrument: last.Instrument, Press: last.Press, Lots: last.Lots,
		Count: len(readings), From: first.TakenAt, To: last.TakenAt,
	}}
	days := map[string]bool{}
	var samples []drift.Sample
	var strips [][]banding.Trace
	for _, r := range readings {
		if r.Series() != b.Series || r.Printer != b.Printer || r.Site != b.Site {
			return nil, fmt.Errorf("reading %s is of another series than reading %s; a baseline is of one", r.ID, last.ID)
		}
		if err := chart.CheckReading(r); err != nil {
			return nil, fmt.Errorf("reading %s: %w", r.ID, err)
		}
		days[r.TakenAt.Format(dayLayout)] = true
		b.Readings = append(b.Readings, r.ID)
		if len(r.Traces) > 0 {
			ts, err := traces(chart, r)
			if err != nil {
				return nil, fmt.Errorf("reading %s: %w", r.ID, err)
			}
			if len(ts) > 0 {
				strips = append(strips, ts)
			}
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
		if b.Colour, err = drift.Learn(driftChart(chart), samples, o.Drift); err != nil {
			return nil, fmt.Errorf("colour baseline: %w", err)
		}
		for _, w := range b.Colour.Warnings {
			b.Warnings = append(b.Warnings, w.Text)
		}
	}
	if len(strips) > 0 {
		var err error
		b.Lines, err = banding.Learn(geometry(chart), strips, o.Lines)
		switch {
		case err == nil:
			b.Warnings = append(b.Warnings, texts(b.Lines.Warnings)...)
		case b.Colour != nil:
			b.Warnings = append(b.Warnings, fmt.Sprintf("no baseline of the strips, so that lines are judged within each reading: %v", err))
		default:
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
func (b *Baseline) Encode() ([]byte, error) {
	out := b.Baseline
	var err error
	if b.Colour != nil {
		if out.Drift, err = json.Marshal(b.Colour); err != nil {
			return nil, fmt.Errorf("baseline: colours: %w", err)
		}
	}
	if b.Lines != nil {
		if out.Banding, err = json.Marshal(b.Lines); err != nil {
			return nil, fmt.Errorf("baseline: lines: %w", err)
		}
	}
	return json.Marshal(&out)
}

// DecodeBaseline reads what Encode wrote.
func DecodeBaseline(data []byte) (*Baseline, error) {
	stored, err := protocol.DecodeBaseline(data)
	if err != nil {
		return nil, fmt.Errorf("baseline: %w", err)
	}
	b := &Baseline{Baseline: *stored}
	if len(b.Drift) > 0 {
		if err := json.Unmarshal(b.Drift, &b.Colour); err != nil {
			return nil, fmt.Errorf("baseline: colours: %w", err)
		}
	}
	if len(b.Banding) > 0 {
		if err := json.Unmarshal(b.Banding, &b.Lines); err != nil {
			return nil, fmt.Errorf("baseline: lines: %w", err)
		}
	}
	b.Drift, b.Banding = nil, nil // opened
	return b, nil
}

// LayoutOnly is a baseline's layout without what was learned on it, for ShareLayout.
func (b *Baseline) LayoutOnly() *Baseline {
	out := &Baseline{}
	out.Chart = b.Chart
	if b.Colour != nil {
		out.Colour = &drift.Baseline{Chart: b.Colour.Chart}
	}
	return out
}

// ShareLayout makes b hold the very layout that another baseline holds, if it is the same in every
// field, and reports whether it is. Neither may be written to after.
func (b *Baseline) ShareLayout(with *Baseline) bool {
	if !reflect.DeepEqual(b.Chart, with.Chart) || (b.Colour == nil) != (with.Colour == nil) {
		return false
	}
	if b.Colour != nil {
		if !reflect.DeepEqual(b.Colour.Chart, with.Colour.Chart) {
			return false
		}
		b.Colour.Chart = with.Colour.Chart
	}
	b.Chart = with.Chart
	return true
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
