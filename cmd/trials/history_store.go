package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/measure/madeup"
	"swathkeeper/protocol"
	"swathkeeper/worker/alert"
	"swathkeeper/worker/history"
	"swathkeeper/worker/judge"
)

// historyShop is the made-up shop whose store the history trial reads.
type historyShop struct {
	printers, readings int // readings of each printer
	from, to           time.Time
	seed               uint64
}

const historySite = "quay"

func historyPrinter(i int) string { return fmt.Sprintf("p%04d", i) }

// templates gives records as the worker makes them: the judge's own verdicts on the readings of a
// made-up printer that is in order most of the time, with the state they carry.
func (h historyShop) templates(n int) ([]*protocol.Record, error) {
	shop, err := madeup.NewShop(h.seed, madeup.DefaultConfig())
	if err != nil {
		return nil, err
	}
	mc := madeup.CMYKChart()
	chart := &protocol.Chart{Schema: protocol.SchemaChart, ID: "pennant-cmyk", Edition: "a1b2c3d4", Channels: mc.Channels, Driven: mc.Driven}
	for i := range mc.IDs {
		chart.Patches = append(chart.Patches, protocol.Patch{ID: mc.IDs[i], Row: mc.Row[i], Col: mc.Col[i], Device: mc.Device[i]})
	}
	read := func(day int, f madeup.Faults) (*protocol.Reading, error) {
		got, err := shop.Read(madeup.Occasion{Day: day}, f)
		if err != nil {
			return nil, err
		}
		r := &protocol.Reading{
			Schema: protocol.SchemaReading, ID: uuid.NewString(), TakenAt: h.from.AddDate(0, 0, day-n), Site: historySite, Printer: "heron", Station: "bench-1",
			Chart: chart.ID, Edition: chart.Edition, Condition: protocol.Condition{Media: "pennant-knit", Preset: "deep", Stage: protocol.StagePressed},
			Instrument: protocol.Instrument{Kind: protocol.KindSpectrophotometer, Mode: "M1"}, Patches: &protocol.Patches{ID: mc.IDs},
		}
		for _, l := range got.Lab {
			r.Patches.Lab = append(r.Patches.Lab, [3]float64{l.L, l.A, l.B})
		}
		return r, nil
	}
	bench := judge.NewBench(chart, judge.Options{})
	for day := range 12 {
		r, err := read(day, madeup.Faults{})
		if err != nil {
			return nil, err
		}
		if err := bench.AddGood(r); err != nil {
			return nil, err
		}
	}
	if err := bench.Ready(); err != nil {
		return nil, err
	}
	var out []*protocol.Record
	var state alert.State
	var standing *history.Standing
	for i := range n + 32 {
		var f madeup.Faults
		if i%50 > 46 {
			f.Ink = map[string]madeup.InkFault{"C": {StrengthPercent: -8}}
		}
		r, err := read(12+i, f)
		if err != nil {
			return nil, err
		}
		v, err := bench.Judge(r)
		if err != nil {
			return nil, err
		}
		var d alert.Decision
		state, d = alert.Next(state, alert.Input{Verdict: v}, r.TakenAt, alert.DefaultOptions())
		standing = standing.After(&protocol.Record{Verdict: v})
		if i < 32 {
			continue // the state grows over the first readings; a year's readings carry it full
		}
		raw, err := json.Marshal(map[string]any{"version": 1, "inbox": h.from, "inbox_seq": i, "alert": state, "standing": standing})
		if err != nil {
			return nil, err
		}
		out = append(out, &protocol.Record{
			Schema: protocol.SchemaRecord, Kind: protocol.KindVerdict, Series: v.Series, Site: historySite, Verdict: v,
			Changes: d.Changes, Open: d.Open, Outcomes: d.Outcomes, PrinterState: raw, Inbox: h.from,
		})
	}
	return out, nil
}

// build fills a store with one verdict record a reading, in the order in which a shop's readings
// would come. It returns the bytes of the records.
func (h historyShop) build(ctx context.Context, dir string, progress func(done int)) (int64, error) {
	templates, err := h.templates(64)
	if err != nil {
		return 0, err
	}
	var total int64
	err = withTrialBus(ctx, dir, h.limits(), func(js jetstream.JetStream) error {
		total, err = h.send(ctx, js, templates, progress)
		return err
	})
	return total, err
}

// send publishes the records.
func (h historyShop) send(ctx context.Context, js jetstream.JetStream, templates []*protocol.Record, progress func(done int)) (int64, error) {
	r := rand.New(rand.NewPCG(h.seed, 1))
	var total int64
	step := h.to.Sub(h.from) / time.Duration(h.readings)
	for k := range h.readings {
		for p := range h.printers {
			at := h.from.Add(step*time.Duration(k) + time.Duration(p)*time.Second)
			rec := vary(templates[k%len(templates)], historyPrinter(p), at, uint64(k*h.printers+p+1), r)
			data, err := protocol.Encode(rec)
			if err != nil {
				return 0, err
			}
			total += int64(len(data))
			if _, err := js.PublishAsync(protocol.RecordSubject(rec.Site, rec.Printer, rec.Kind, rec.Series), data, jetstream.WithStallWait(time.Minute)); err != nil {
				return 0, err
			}
		}
		if progress != nil {
			progress((k + 1) * h.printers)
		}
		if ctx.Err() != nil {
			return 0, ctx.Err()
		}
	}
	select {
	case <-js.PublishAsyncComplete():
	case <-ctx.Done():
		return 0, ctx.Err()
	}
	return total, nil
}

// vary makes a template another printer's record: other ids, another time, and figures that differ
// a little, so that it compresses no better than real ones.
func vary(t *protocol.Record, printer string, at time.Time, seq uint64, r *rand.Rand) *protocol.Record {
	rec, v, c := *t, *t.Verdict, *t.Verdict.Colour
	shake := func(x *float64) { *x *= 0.95 + 0.1*r.Float64() }
	c.Channels = append([]protocol.ColourChannel(nil), c.Channels...)
	for i := range c.Channels {
		ch := &c.Channels[i]
		for _, x := range []*float64{&ch.StrengthPercent, &ch.TonePoints, &ch.HueDeg, &ch.StrengthSE, &ch.ToneSE, &ch.HueSE, &ch.Slow} {
			shake(x)
		}
	}
	c.Factors = append([]protocol.Factor(nil), c.Factors...)
	for i := range c.Factors {
		shake(&c.Factors[i].Value)
		shake(&c.Factors[i].SE)
	}
	for _, x := range []*float64{&c.MeanDE00, &c.MedianDE00, &c.P95DE00, &c.MaxDE00, &c.WhiteDE00, &c.GreyDE00} {
		shake(x)
	}
	id := uuid.NewString
	v.Colour, v.ID, v.Reading, v.ReadingSeq, v.At, v.Printer = &c, id(), id(), seq, at, printer
	var st judge.State
	if json.Unmarshal(v.State, &st) == nil {
		for i := range st.Recent {
			st.Recent[i] = id()
		}
		if st.Drift != nil {
			for i := range st.Drift.EWMA {
				shake(&st.Drift.EWMA[i])
				shake(&st.Drift.Last[i])
			}
		}
		v.State, _ = json.Marshal(st)
	}
	rec.Verdict, rec.ID, rec.At, rec.Printer, rec.InboxSeq = &v, id(), at, printer, seq
	rec.Text = fmt.Sprintf("%s: %s/%s %s: %s, chart mean %.2f dE00", printer, v.Condition.Media, v.Condition.Preset, v.Condition.Stage, v.Outcome, c.MeanDE00)
	return &rec
}
