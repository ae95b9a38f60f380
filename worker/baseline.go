package worker

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"swathkeeper/protocol"
	"swathkeeper/worker/judge"
)

// baselineNote starts learning, freezes what was learned, or retires a baseline.
func (k *keeper) baselineNote(ctx context.Context, p *printer, d *decision, n *protocol.Note) error {
	switch n.Baseline.Do {
	case protocol.BaselineLearn:
		return k.learn(ctx, p, d, n)
	case protocol.BaselineAccept:
		return k.accept(ctx, p, d, n)
	default:
		return k.retire(ctx, p, d, n)
	}
}

func (k *keeper) learn(ctx context.Context, p *printer, d *decision, n *protocol.Note) error {
	series := n.Baseline.Series
	if series == "" {
		series = everySeries
		d.state.Learning, d.state.Learned = nil, nil // all begin anew
	} else {
		delete(d.state.Learned, series)
	}
	if d.state.Learning == nil {
		d.state.Learning = map[string]uint64{}
	}
	d.state.Learning[series] = d.record.InboxSeq
	d.record.Baseline = &protocol.BaselineRecord{Do: protocol.BaselineLearn, Reason: n.Baseline.Reason}
	if series != everySeries {
		// This record takes the place of the one that put the baseline in force, so it carries the
		// state on.
		st, err := k.seriesState(ctx, p, series)
		if err != nil {
			return err
		}
		next := *st
		next.Version = judge.StateVersion
		if err := k.setSeries(d, series, &next); err != nil {
			return err
		}
	}
	d.record.Text = p.name + ": the next readings are taken as known-good; freeze them with `baseline accept`"
	if s := n.Baseline.Preset; s != nil {
		d.record.Text = fmt.Sprintf("%s: preset %s kept: %s; %s", p.name, s.Name, s.Text(), strings.TrimPrefix(d.record.Text, p.name+": "))
	}
	return nil
}

func (k *keeper) accept(ctx context.Context, p *printer, d *decision, n *protocol.Note) error {
	series := n.Baseline.Series
	if series == "" {
		ready := slices.Sorted(maps.Keys(d.state.Learned))
		switch len(ready) {
		case 0:
			return &protocol.Refusal{Code: protocol.CodeNoReadings, Field: "baseline", Hint: "no reading has come since `baseline learn`; send some of a print that is known to be good"}
		case 1:
			series = ready[0]
		default:
			return &protocol.Refusal{Code: protocol.CodeBadValue, Field: "baseline.series", Hint: "several series have been learned; name one of " + strings.Join(ready, ", ")}
		}
	}
	st, err := k.seriesState(ctx, p, series)
	if err != nil {
		return err
	}
	since, learning := p.learning(series)
	var readings []*protocol.Reading
	for _, l := range st.Learned {
		if !learning || l.Seq < since {
			continue
		}
		data, err := k.records.Input(ctx, l.Seq)
		if err != nil {
			return err
		}
		r, err := protocol.DecodeReading(data)
		if err != nil {
			return fmt.Errorf("inbox message %d: %w", l.Seq, err)
		}
		if r.ID != l.Reading {
			return fmt.Errorf("inbox message %d holds reading %s, not %s as remembered; learn again", l.Seq, r.ID, l.Reading)
		}
		readings = append(readings, r)
	}
	if len(readings) == 0 {
		return &protocol.Refusal{Code: protocol.CodeNoReadings, Field: "baseline.series", Hint: "this series has no readings since `baseline learn`; send some of a print that is known to be good"}
	}
	if st.Digest != "" && n.Baseline.Reason == "" {
		return &protocol.Refusal{Code: protocol.CodeMissing, Field: "baseline.reason", Hint: "a baseline is in force here; say why it is replaced"}
	}
	chart, err := k.chart(ctx, readings[0].Chart, readings[0].Edition)
	if err != nil {
		return err
	}
	b, err := judge.Learn(protocol.DerivedID(n.ID, "baseline"), chart, readings, k.judge)
	if err != nil {
		return &protocol.Refusal{Code: protocol.CodeNoReadings, Field: "baseline", Hint: err.Error()}
	}
	data, err := b.Encode()
	if err != nil {
		return err
	}
	// The baseline is stored before the record that names it: a crash in between leaves an object
	// that nobody names, never a name without its object.
	digest, err := k.stores.PutBaseline(ctx, data)
	if err != nil {
		return err
	}
	next := *st
	next.Version, next.Baseline, next.Digest, next.Drift, next.Learned = judge.StateVersion, b.ID, digest, nil, nil
	if err := k.setSeries(d, series, &next); err != nil {
		return err
	}
	stopLearning(d, series)
	d.record.Baseline = &protocol.BaselineRecord{
		Do: protocol.BaselineAccept, ID: b.ID, Replaces: st.Baseline, Grade: b.Grade, Count: b.Count, Days: b.Days, Digest: digest,
		Reason: n.Baseline.Reason, Readings: b.Readings, Warnings: b.Warnings,
	}
	d.record.Text = fmt.Sprintf("%s: baseline in force: %s, from %s on %s; %s", p.name, b.Grade, plural(b.Count, "reading"), plural(b.Days, "day"), conditionText(b.Condition))
	active, err := json.Marshal(d.record.Baseline)
	if err != nil {
		return err
	}
	d.after = func(ctx context.Context) error { return k.stores.SetActive(ctx, p.site, p.name, series, active) }
	return nil
}

func (k *keeper) retire(ctx context.Context, p *printer, d *decision, n *protocol.Note) error {
	series := n.Baseline.Series
	switch {
	case series == "":
		return &protocol.Refusal{Code: protocol.CodeMissing, Field: "baseline.series", Hint: "name the series whose baseline is to be retired; `baseline list` shows them"}
	case n.Baseline.Reason == "":
		return &protocol.Refusal{Code: protocol.CodeMissing, Field: "baseline.reason", Hint: "say why the baseline is retired"}
	}
	st, err := k.seriesState(ctx, p, series)
	if err != nil {
		return err
	}
	if st.Digest == "" {
		return &protocol.Refusal{Code: protocol.CodeUnknownSeries, Field: "baseline.series", Hint: "no baseline is in force for series " + series}
	}
	next := *st
	next.Version, next.Baseline, next.Digest, next.Drift = judge.StateVersion, "", "", nil
	if err := k.setSeries(d, series, &next); err != nil {
		return err
	}
	d.record.Baseline = &protocol.BaselineRecord{Do: protocol.BaselineRetire, Replaces: st.Baseline, Reason: n.Baseline.Reason}
	d.record.Text = fmt.Sprintf("%s: baseline retired: %s", p.name, n.Baseline.Reason)
	return nil
}

// setSeries makes a decision carry the new state of a series.
func (k *keeper) setSeries(d *decision, series string, st *judge.State) error {
	raw, err := json.Marshal(st)
	if err != nil {
		return err
	}
	d.record.Series, d.record.SeriesState = series, raw
	d.series, d.st = series, st
	return nil
}

// stopLearning ends learning for one series: what comes next is judged. Where every series of the
// printer was learning, the others go on until the last of those that have readings is accepted.
func stopLearning(d *decision, series string) {
	delete(d.state.Learning, series)
	delete(d.state.Learned, series)
	if _, all := d.state.Learning[everySeries]; !all {
		return
	}
	if len(d.state.Learned) > 0 {
		d.state.Learning[series] = 0
		return
	}
	maps.DeleteFunc(d.state.Learning, func(name string, since uint64) bool { return name == everySeries || since == 0 })
}
