package judge

import (
	"errors"
	"fmt"

	"swathkeeper/protocol"
)

// Bench judges readings without a bus, as the judge command and tests do. It keeps the state of
// each site, printer and series, starting empty after the baseline, and knows no clock.
type Bench struct {
	chart  *protocol.Chart
	o      Options
	good   map[string][]*protocol.Reading
	order  []string // of good, as they came
	models map[string]*Model
	states map[string]State
}

// NewBench makes an empty bench for readings of one chart.
func NewBench(chart *protocol.Chart, o Options) *Bench {
	return &Bench{chart: chart, o: o, good: map[string][]*protocol.Reading{}, models: map[string]*Model{}, states: map[string]State{}}
}

func benchKey(site, printer, series string) string { return site + "/" + printer + "/" + series }

// AddBaseline takes a frozen baseline.
func (b *Bench) AddBaseline(base *Baseline) error {
	m, err := Prepare(base)
	if err != nil {
		return err
	}
	b.models[benchKey(base.Site, base.Printer, base.Series)] = m
	return nil
}

// AddGood takes a reading that is known to be good; Ready learns the baselines from them.
func (b *Bench) AddGood(r *protocol.Reading) error {
	if err := b.chart.CheckReading(r); err != nil {
		return err
	}
	key := benchKey(r.Site, r.Printer, r.Series())
	if b.good[key] == nil {
		b.order = append(b.order, key)
	}
	b.good[key] = append(b.good[key], r)
	return nil
}

// Ready learns the baselines. It fails when there is none.
func (b *Bench) Ready() error {
	for _, key := range b.order {
		good := b.good[key]
		base, err := Learn(protocol.DerivedID(good[len(good)-1].ID, "baseline"), b.chart, good, b.o)
		if err != nil {
			return err
		}
		if err := b.AddBaseline(base); err != nil {
			return err
		}
	}
	b.good, b.order = map[string][]*protocol.Reading{}, nil
	if len(b.models) == 0 {
		return errors.New("no baseline to judge by")
	}
	return nil
}

// Judge gives the verdict on one reading and remembers the state after it.
func (b *Bench) Judge(r *protocol.Reading) (*protocol.Verdict, error) {
	key := benchKey(r.Site, r.Printer, r.Series())
	m := b.models[key]
	if m == nil {
		return nil, fmt.Errorf("no baseline for %s/%s %s/%s %s, series %s, is among the files", r.Site, r.Printer, r.Condition.Media, r.Condition.Preset, r.Condition.Stage, r.Series())
	}
	if err := b.chart.CheckReading(r); err != nil {
		return nil, err
	}
	v, next, err := Judge(Input{Reading: r, Chart: b.chart, Model: m, State: b.states[key]}, b.o)
	if err != nil {
		return nil, err
	}
	b.states[key] = next
	return v, nil
}
