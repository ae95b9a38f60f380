package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/google/uuid"
	"github.com/rs/zerolog"

	"swathkeeper/measure/banding"
	"swathkeeper/measure/madeup"
	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/station"
)

// speedWorld is a made-up printer whose readings have 400 patches and 8 traces of 2,700 samples.
type speedWorld struct {
	chart  *protocol.Chart
	shop   *madeup.Shop
	tracer *madeup.Tracer
	rng    *rand.Rand
	good   []*protocol.Reading
	at     time.Time
	day    int

	printers []string // who prints, in turn
	parts    int      // of the inbox
	rounds   int      // how often worker and bare loop take turns
	profiles string   // folder for processor profiles; empty: none
}

// packed is a reading and its bytes.
type packed struct {
	reading *protocol.Reading
	data    []byte
}

func newSpeedWorld() (*speedWorld, error) {
	w := &speedWorld{printers: printersIn(1), parts: 1, rng: rand.New(rand.NewPCG(11, 1)), tracer: madeup.KnitTracer(), at: time.Now().Add(-300 * 24 * time.Hour).Truncate(time.Second)}
	cfg := madeup.DefaultConfig()
	// The built-in chart has 360 patches; 40 of them once more make the 400 of the goal.
	c := *cfg.Chart
	for i := range 40 {
		c.IDs = append(c.IDs, fmt.Sprintf("again-%d", i+1))
		c.Device = append(c.Device, c.Device[i*9])
		c.Row = append(c.Row, c.Row[i*9])
		c.Col = append(c.Col, c.Col[i*9])
		c.House = append(c.House, "")
	}
	cfg.Chart = &c
	var err error
	if w.shop, err = madeup.NewShop(11, cfg); err != nil {
		return nil, err
	}
	g := w.tracer.Geometry()
	w.chart = &protocol.Chart{Schema: protocol.SchemaChart, ID: "speed", Edition: "one", Channels: c.Channels, Driven: protocol.DrivenInk,
		StepMM: g.StepMM, NozzlePitchUM: g.NozzlePitchUM, Nozzles: g.Nozzles, Passes: g.Passes, FirstNozzleMM: g.FirstNozzleMM}
	for i := range c.IDs {
		w.chart.Patches = append(w.chart.Patches, protocol.Patch{ID: c.IDs[i], Row: c.Row[i], Col: c.Col[i], Device: c.Device[i], House: c.House[i]})
	}
	for _, s := range w.tracer.Strips {
		w.chart.Strips = append(w.chart.Strips, protocol.Strip{ID: s.Name, Channel: s.Channel, TintPercent: s.TintPercent, XMM: s.XMM, YMM: w.tracer.StartMM, WMM: 10, HMM: 230})
	}
	for range 10 {
		r, err := w.next(true)
		if err != nil {
			return nil, err
		}
		w.good = append(w.good, r)
	}
	return w, nil
}

// printersIn names n printers, of which each falls into another part of an inbox that is divided into
// as many.
func printersIn(n int) []string {
	if n == 1 {
		return []string{"heron"}
	}
	list, used := []string{}, map[int]bool{}
	for i := 1; len(list) < n; i++ {
		name := fmt.Sprintf("heron-%d", i)
		if part := bus.PartOf("quay", name, n); !used[part] {
			used[part], list = true, append(list, name)
		}
	}
	return list
}

// next is the next reading of the printer in order.
func (w *speedWorld) next(traces bool) (*protocol.Reading, error) {
	got, err := w.shop.Read(madeup.Occasion{Day: w.day}, madeup.Faults{})
	if err != nil {
		return nil, err
	}
	w.day++
	w.at = w.at.Add(time.Hour)
	r := &protocol.Reading{
		Schema: protocol.SchemaReading, ID: uuid.Must(uuid.NewV7()).String(), TakenAt: w.at, Site: "quay", Printer: "heron",
		Chart: w.chart.ID, Edition: w.chart.Edition,
		Condition:  protocol.Condition{Media: "pennant-knit", Preset: "deep", Stage: protocol.StagePressed},
		Instrument: protocol.Instrument{Kind: protocol.KindSpectrophotometer, Mode: "M1"},
		Patches:    &protocol.Patches{},
	}
	for i, p := range w.chart.Patches {
		c := got.Lab[i]
		r.Patches.ID = append(r.Patches.ID, p.ID)
		r.Patches.Lab = append(r.Patches.Lab, [3]float64{round3(c.L), round3(c.A), round3(c.B)})
	}
	if !traces {
		return r, nil
	}
	ts, err := w.tracer.Traces(madeup.State{}, w.rng)
	if err != nil {
		return nil, err
	}
	addTraces(r, ts)
	return r, nil
}

// addTraces gives a reading the traces of a scanner.
func addTraces(r *protocol.Reading, traces []banding.Trace) {
	r.TraceInstrument = &protocol.Instrument{Kind: protocol.KindScanner}
	for _, t := range traces {
		r.Traces = append(r.Traces, protocol.Trace{Strip: t.Strip, Channel: t.Channel, TintPercent: t.TintPercent, StartMM: t.StartMM, PitchUM: t.PitchUM, Unit: t.Unit, F32: protocol.PackF32(t.Values)})
	}
}

func round3(v float64) float64 {
	if v < 0 {
		return -round3(-v)
	}
	return float64(int64(v*1000+0.5)) / 1000
}

// readings makes n readings. Drawing them takes longer than judging them, so that 100 are drawn and
// sent again and again under new ids and times.
func (w *speedWorld) readings(n int, traces bool) ([]packed, error) {
	var drawn []*protocol.Reading
	for range min(n, 100) {
		r, err := w.next(traces)
		if err != nil {
			return nil, err
		}
		drawn = append(drawn, r)
	}
	out := make([]packed, n)
	for i := range out {
		r := *drawn[i%len(drawn)]
		w.at = w.at.Add(time.Minute)
		r.ID, r.TakenAt, r.Printer = uuid.Must(uuid.NewV7()).String(), w.at, w.printers[i%len(w.printers)]
		data, err := station.Pack(&r)
		if err != nil {
			return nil, err
		}
		// As the worker has it: decoded from its bytes.
		back, err := protocol.DecodeReading(data)
		if err != nil {
			return nil, err
		}
		out[i] = packed{back, data}
	}
	return out, nil
}

// learn gives a data folder a chart and a baseline.
func (w *speedWorld) learn(ctx context.Context, dir string, noSync bool) error {
	records := make(chan *protocol.Record, 64)
	wk, err := worker.New(worker.Options{DataDir: dir, NoSync: noSync, Limits: speedLimits(w.parts), Log: zerolog.Nop(), OnRecord: func(r *protocol.Record) { records <- r }})
	if err != nil {
		return err
	}
	if err := wk.Start(ctx); err != nil {
		return err
	}
	err = w.teach(ctx, wk, records)
	return joinStop(ctx, wk, err)
}

func (w *speedWorld) teach(ctx context.Context, wk *worker.Worker, records <-chan *protocol.Record) error {
	stores, err := bus.OpenStores(ctx, wk.JetStream())
	if err != nil {
		return err
	}
	defer stores.Close()
	if err := stores.PutChart(ctx, w.chart); err != nil {
		return err
	}
	for _, printer := range w.printers {
		if err := w.teachOne(ctx, wk, printer, records); err != nil {
			return err
		}
	}
	return nil
}

func (w *speedWorld) teachOne(ctx context.Context, wk *worker.Worker, printer string, records <-chan *protocol.Record) error {
	note := func(do string) error {
		n := &protocol.Note{Schema: protocol.SchemaNote, ID: uuid.Must(uuid.NewV7()).String(), At: w.at, Site: "quay", Printer: printer, Baseline: &protocol.BaselineNote{Do: do}}
		if _, err := station.PublishNote(ctx, wk.JetStream(), n); err != nil {
			return err
		}
		if r := <-records; r.Refusal != nil {
			return fmt.Errorf("baseline: %s", r.Text)
		}
		return nil
	}
	if err := note(protocol.BaselineLearn); err != nil {
		return err
	}
	for _, known := range w.good {
		r := *known
		r.ID, r.Printer = uuid.Must(uuid.NewV7()).String(), printer
		data, err := station.Pack(&r)
		if err != nil {
			return err
		}
		if _, _, err := station.Publish(ctx, wk.JetStream(), &r, data); err != nil {
			return err
		}
		if rec := <-records; rec.Kind != protocol.KindVerdict {
			return fmt.Errorf("baseline: %s", rec.Text)
		}
	}
	return note(protocol.BaselineAccept)
}
