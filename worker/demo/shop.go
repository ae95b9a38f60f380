package demo

import (
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/google/uuid"

	"swathkeeper/measure/chart"
	"swathkeeper/measure/colour"
	"swathkeeper/measure/madeup"
	"swathkeeper/protocol"
	"swathkeeper/worker/station"
)

// works are the made-up Quay Street pennant works: three printers, one press, one bench where the
// charts are read. Everything in it is simulated, from a seed.
type works struct {
	layout   *protocol.Chart
	printers map[string]*printer
	rng      *rand.Rand
}

// printer is one printer with its inks, its head and its press.
type printer struct {
	shop   *madeup.Shop
	tracer *madeup.Tracer
	prints int
}

const seed = 20260302

// head is the head that the demo's chart is laid out for.
var head = madeup.Head{NozzlePitchUM: 25400.0 / 360, Nozzles: 360, Passes: 4, FirstNozzleMM: 18}

func newWorks(names ...string) (*works, error) {
	first := head.FirstNozzleMM
	l, err := chart.New(chart.Spec{
		ID: "pennant-cmyk", StepMM: head.StepMM(), PitchUM: head.NozzlePitchUM, Nozzles: head.Nozzles,
		Passes: head.Passes, FirstNozzleMM: &first, Mirrored: true, Seed: seed,
		House: []chart.House{{Name: "pennant red", Device: []float64{5, 95, 85, 0}}, {Name: "quay blue", Device: []float64{95, 70, 5, 5}}},
	})
	if err != nil {
		return nil, fmt.Errorf("demo chart: %w", err)
	}
	w := &works{printers: map[string]*printer{}, rng: rand.New(rand.NewPCG(seed, 1))}
	if w.layout, err = station.FromLayout(l); err != nil {
		return nil, err
	}
	mc := &madeup.Chart{Channels: w.layout.Channels, Driven: madeup.DrivenInk}
	for _, p := range w.layout.Patches {
		mc.IDs = append(mc.IDs, p.ID)
		mc.Device = append(mc.Device, p.Device)
		mc.Row = append(mc.Row, p.Row)
		mc.Col = append(mc.Col, p.Col)
		mc.House = append(mc.House, p.House)
	}
	for i, name := range names {
		cfg := madeup.DefaultConfig()
		cfg.Chart = mc
		// A steady shop: it shakes its inks on most days and minds its press.
		cfg.Wander.StrengthPercent, cfg.Wander.Press = 0.5, 0.015
		shop, err := madeup.NewShop(seed+uint64(i), cfg)
		if err != nil {
			return nil, fmt.Errorf("demo printer %s: %w", name, err)
		}
		w.printers[name] = &printer{shop: shop, tracer: tracerOf(w.layout)}
	}
	return w, nil
}

// tracerOf reads the layout's strips with a made-up scanner at 300 dpi.
func tracerOf(l *protocol.Chart) *madeup.Tracer {
	t := madeup.KnitTracer()
	t.Head = head
	of := map[string]madeup.Strip{}
	for _, s := range t.Strips {
		of[s.Channel] = s
	}
	t.Strips = nil
	for _, s := range l.Strips {
		like, ok := of[s.Channel]
		if !ok {
			continue // the white strips carry no ink
		}
		like.Name, like.TintPercent, like.XMM = s.ID, s.TintPercent, s.XMM+s.WMM/2
		t.Strips = append(t.Strips, like)
		t.StartMM = s.YMM + 1
		t.StripWidthMM = s.WMM
		t.Samples = int((s.HMM - 2) / (t.PitchUM / 1000))
	}
	return t
}

// fault is what is wrong with a printer on a day of the demo.
type fault struct {
	colour madeup.Faults
	head   madeup.State
}

// read prints a chart, presses it and reads it at the given time.
func (w *works) read(name string, day int, at time.Time, f fault, inkLot map[string]string) (*protocol.Reading, error) {
	p := w.printers[name]
	got, err := p.shop.Read(madeup.Occasion{Day: day, Print: p.prints}, f.colour)
	if err != nil {
		return nil, fmt.Errorf("demo printer %s: %w", name, err)
	}
	traces, err := p.tracer.Traces(f.head, w.rng)
	if err != nil {
		return nil, fmt.Errorf("demo printer %s: %w", name, err)
	}
	p.prints++
	printed, pressed, calibrated := at.Add(-40*time.Minute), at.Add(-20*time.Minute), at.Add(-10*time.Minute)
	r := &protocol.Reading{
		Schema: protocol.SchemaReading, ID: newID(w.rng, at), TakenAt: at, Site: "quay", Printer: name, Station: "bench-1",
		Chart: w.layout.ID, Edition: w.layout.Edition,
		Condition:  protocol.Condition{Media: "pennant-knit", Preset: "deep", Stage: protocol.StagePressed},
		Instrument: protocol.Instrument{Kind: protocol.KindSpectrophotometer, Mode: "M1", Serial: "bench", CalibratedAt: &calibrated, Backing: "white"},
		Print:      &protocol.Print{Number: fmt.Sprintf("%s-%04d", name, p.prints), PrintedAt: &printed, PressedAt: &pressed},
		Press:      &protocol.Press{Celsius: 200, Seconds: 50, Pressure: "medium"},
		Lots:       &protocol.Lots{Ink: inkLot, Media: "roll 18"},
		Patches:    &protocol.Patches{},
	}
	for i, patch := range w.layout.Patches {
		r.Patches.ID = append(r.Patches.ID, patch.ID)
		r.Patches.Lab = append(r.Patches.Lab, labRow(got.Lab[i]))
	}
	r.TraceInstrument = &protocol.Instrument{Kind: protocol.KindScanner}
	for _, t := range traces {
		r.Traces = append(r.Traces, protocol.Trace{
			Strip: t.Strip, Channel: t.Channel, TintPercent: t.TintPercent, StartMM: t.StartMM, PitchUM: t.PitchUM, Unit: t.Unit,
			F32: protocol.PackF32(t.Values),
		})
	}
	return r, nil
}

// labRow gives a colour with the decimals that an instrument writes.
func labRow(c colour.Lab) [3]float64 {
	round := func(v float64) float64 { return float64(int64(v*1000+copysignHalf(v))) / 1000 }
	return [3]float64{round(c.L), round(c.A), round(c.B)}
}

func copysignHalf(v float64) float64 {
	if v < 0 {
		return -0.5
	}
	return 0.5
}

// newID makes a version 7 id from the demo's own random numbers, so that two runs are alike.
func newID(rng *rand.Rand, at time.Time) string {
	var id uuid.UUID
	for i := range id {
		id[i] = byte(rng.UintN(256))
	}
	ms := at.UnixMilli()
	for i := 5; i >= 0; i-- {
		id[i] = byte(ms)
		ms >>= 8
	}
	id[6] = id[6]&0x0f | 0x70
	id[8] = id[8]&0x3f | 0x80
	return id.String()
}
