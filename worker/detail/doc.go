// Package detail shows one verdict, or one alert, in full: its numbers against their limits, what
// was found and what else it could be, where on the chart it shows, the lines folded over one paper
// step, and how each figure came to where it is. It draws on terminals and into PNG files, and it
// changes nothing.
package detail

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/history"
	"swathkeeper/worker/judge"
)

// Detail is a record with all that can be found about it.
type Detail struct {
	Record *protocol.Record `json:"record"`
	// Alert is the alert that was asked for, as it stands now; nil when it is not open, or when a
	// record was asked for.
	Alert *protocol.Alert `json:"alert,omitempty"`
	Key   string          `json:"key,omitempty"` // of the alert that was asked for
	// Steps are the changes of that alert, oldest first.
	Steps []Step `json:"steps,omitempty"`

	// Tolerances are what mattered to the shop when the verdict was given: those that its baseline
	// was frozen with, by which it was judged. Nil: the baseline was not found.
	Tolerances *drift.Tolerances `json:"tolerances,omitempty"`

	Chart    *protocol.Chart `json:"-"`
	Patches  []Patch         `json:"patches,omitempty"`
	Profiles []Profile       `json:"profiles,omitempty"`
	Tracks   []Track         `json:"tracks,omitempty"`
	// Missing says what could not be shown, and why.
	Missing []string `json:"missing,omitempty"`
}

// Patch is one patch of the chart before and now.
type Patch struct {
	ID     string      `json:"id"`
	Row    int         `json:"row"` // from 1; made up in reading order where the layout has no rows
	Col    int         `json:"col"`
	Before colour.Lab  `json:"before"`          // the baseline's mean
	Now    *colour.Lab `json:"now,omitempty"`   // nil: not read
	DE00   float64     `json:"de00"`            // -1: not read
	Odd    bool        `json:"odd,omitempty"`   // does not follow the rest of the chart
	House  string      `json:"house,omitempty"` // a colour the shop sells by
}

// Load finds all there is about a record. What cannot be found any more is told in Missing and is
// no error.
func Load(ctx context.Context, js jetstream.JetStream, rec *protocol.Record) (*Detail, error) {
	d := &Detail{Record: rec}
	v := rec.Verdict
	if v == nil {
		return d, nil
	}
	if err := d.loadSheet(ctx, js, v); err != nil {
		return nil, err
	}
	tracks, err := TracksOf(ctx, js, v, d.Tolerances)
	if err != nil {
		return nil, err
	}
	d.Tracks = tracks
	return d, nil
}

// LoadSheet is Load without the control charts: the patches and the lines of one reading.
func LoadSheet(ctx context.Context, js jetstream.JetStream, rec *protocol.Record) (*Detail, error) {
	d := &Detail{Record: rec}
	if rec.Verdict == nil {
		return d, nil
	}
	return d, d.loadSheet(ctx, js, rec.Verdict)
}

func (d *Detail) miss(format string, args ...any) {
	d.Missing = append(d.Missing, fmt.Sprintf(format, args...))
}

// loadSheet gets the reading and its baseline, and compares them patch by patch.
func (d *Detail) loadSheet(ctx context.Context, js jetstream.JetStream, v *protocol.Verdict) error {
	d.Profiles = profiles(v)
	var base *judge.Baseline
	if v.Colour != nil {
		var err error
		if base, err = BaselineOf(ctx, js, v); err != nil {
			return err
		}
		d.Tolerances = tolerancesIn(base)
	}
	r, err := Reading(ctx, js, v)
	if err != nil {
		return err
	}
	if r == nil {
		d.miss("the reading itself is no longer kept, so the chart cannot be drawn")
		return nil
	}
	if v.Colour == nil || r.Patches == nil {
		return nil
	}
	if base == nil || base.Colour == nil {
		d.miss("the baseline of this verdict was not found, so the patches cannot be compared one by one")
		return nil
	}
	d.Chart = base.Chart
	d.Patches, err = Compare(base, r, v.Colour.Outliers)
	if err != nil {
		d.miss("the patches cannot be compared one by one: %v", err)
	}
	return nil
}

// Reading gives the reading behind a verdict; nil when it is no longer kept.
func Reading(ctx context.Context, js jetstream.JetStream, v *protocol.Verdict) (*protocol.Reading, error) {
	if v.ReadingSeq == 0 {
		return nil, nil
	}
	s, err := js.Stream(ctx, protocol.StreamInbox)
	if err != nil {
		return nil, fmt.Errorf("readings: %w", err)
	}
	m, err := s.GetMsg(ctx, v.ReadingSeq)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("reading %s: %w", v.Reading, err)
	}
	// After a move of the store another message may stand in its place.
	r, err := protocol.DecodeReading(m.Data)
	if err != nil || r.ID != v.Reading {
		return nil, nil //nolint:nilerr // another message, not ours to complain of
	}
	return r, nil
}

// BaselineOf gives the baseline that a verdict was made against; nil when it cannot be found.
func BaselineOf(ctx context.Context, js jetstream.JetStream, v *protocol.Verdict) (*judge.Baseline, error) {
	var st judge.State
	if err := json.Unmarshal(v.State, &st); err != nil || st.Digest == "" || st.Baseline != v.Baseline.ID {
		return nil, nil //nolint:nilerr // a state of another version: the baseline is not named
	}
	stores, err := bus.OpenStores(ctx, js)
	if err != nil {
		return nil, err
	}
	defer stores.Close()
	data, err := stores.Baseline(ctx, st.Digest)
	if errors.Is(err, jetstream.ErrObjectNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return judge.DecodeBaseline(data)
}

// Compare gives every patch of the chart, before and now, with its colour difference (CIEDE2000).
func Compare(b *judge.Baseline, r *protocol.Reading, odd []string) ([]Patch, error) {
	labs, err := judge.Labs(r.Patches)
	if err != nil {
		return nil, err
	}
	if len(b.Colour.Mean) != len(b.Chart.Patches) {
		return nil, errors.New("the baseline and its layout do not fit")
	}
	now := make(map[string]colour.Lab, len(labs))
	for i, id := range r.Patches.ID {
		now[id] = labs[i]
	}
	out := make([]Patch, len(b.Chart.Patches))
	gridded := true
	for i := range out {
		p := &b.Chart.Patches[i]
		m := b.Colour.Mean[i]
		out[i] = Patch{ID: p.ID, Row: p.Row, Col: p.Col, House: p.House, Before: colour.Lab{L: m[0], A: m[1], B: m[2]}, DE00: -1}
		gridded = gridded && p.Row > 0 && p.Col > 0
		if lab, ok := now[p.ID]; ok {
			out[i].Now, out[i].DE00 = &lab, colour.DE2000(out[i].Before, lab)
		}
		for _, id := range odd {
			out[i].Odd = out[i].Odd || id == p.ID
		}
	}
	if !gridded {
		across := max(1, int(math.Ceil(math.Sqrt(1.4*float64(len(out))))))
		for i := range out {
			out[i].Row, out[i].Col = i/across+1, i%across+1
		}
	}
	return out, nil
}

// Profile is one channel's strips folded over one paper step: what repeats with the head stands out,
// what does not averages away.
type Profile struct {
	Channel  string                   `json:"channel"`
	PeriodMM float64                  `json:"period_mm"`
	Values   []float64                `json:"values"` // negative = lighter than the strip around it
	Marks    []float64                `json:"marks"`  // where lines were found, mm within the period
	banding  *protocol.BandingChannel // that it is of
}

// profiles takes the folded strips out of a verdict.
func profiles(v *protocol.Verdict) []Profile {
	if v.Banding == nil {
		return nil
	}
	var out []Profile
	for i := range v.Banding.Channels {
		ch := &v.Banding.Channels[i]
		p := Profile{Channel: ch.Channel, Values: ch.Profile, banding: ch}
		for _, l := range ch.Lines {
			if l.PeriodMM <= 0 {
				continue
			}
			if p.PeriodMM == 0 {
				p.PeriodMM = l.PeriodMM
			}
			p.Marks = append(p.Marks, l.AtMM-p.PeriodMM*math.Floor(l.AtMM/p.PeriodMM))
		}
		if len(p.Values) > 1 && p.PeriodMM > 0 {
			out = append(out, p)
		}
	}
	return out
}

// TolerancesAt gives the tolerances by which a verdict was judged; nil where its baseline is not
// found.
func TolerancesAt(ctx context.Context, js jetstream.JetStream, v *protocol.Verdict) (*drift.Tolerances, error) {
	base, err := BaselineOf(ctx, js, v)
	return tolerancesIn(base), err
}

// tolerancesIn gives the tolerances that a baseline was frozen with. nil has none.
func tolerancesIn(b *judge.Baseline) *drift.Tolerances {
	if b == nil || b.Colour == nil {
		return nil
	}
	t := b.Colour.Options.WithDefaults().Tolerances
	return &t
}

// tolerancesOf puts tolerances beside the names of tracks; 0 is none.
func tolerancesOf(t drift.Tolerances) map[string]float64 {
	return map[string]float64{
		"strength": t.StrengthPercent, "tone": t.TonePoints, "hue": t.HueDeg, "load": t.LoadPercent,
		"mean": t.MeanDE00, "p95": t.P95DE00, "white_de": t.WhiteDE00, "grey_de": t.GreyDE00,
	}
}

// Step is one change of an alert.
type Step struct {
	Entry  history.Row     `json:"-"`
	Record string          `json:"record"`
	Change protocol.Change `json:"change"`
}
