package main

import (
	"context"
	"runtime"

	"swathkeeper/protocol"
	"swathkeeper/worker/judge"
)

const scaleBaselineID = "00000000-0000-5000-8000-000000000000"

// scalePatches follows the cost of one reading, without a bus and on one core, over the number of
// patches.
func scalePatches(ctx context.Context, o scalingOptions) (*scaleTable, error) {
	t := &scaleTable{By: "patches"}
	return t, scaleChart(ctx, t, o.Patches, func(n int) (int, int) { return n, 0 })
}

// scaleStrips is the same over the number of strips, beside the patches of one chart.
func scaleStrips(ctx context.Context, o scalingOptions) (*scaleTable, error) {
	t := &scaleTable{By: "strips"}
	return t, scaleChart(ctx, t, o.Strips, func(n int) (int, int) { return o.Chart, n })
}

func scaleChart(ctx context.Context, t *scaleTable, sizes []int, size func(n int) (patches, strips int)) error {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	t.Cols = []scaleCol{
		{Name: "reading, KB", Format: "%.1f", Line: true},
		{Name: "decode, ms", Format: "%.3f", Line: true, Plot: true},
		{Name: "judge, ms", Format: "%.3f", Line: t.By == "patches", Plot: true},
		{Name: "write record, ms", Format: "%.3f", Plot: true},
		{Name: "record, KB", Format: "%.1f"},
		{Name: "learn from 10, ms", Format: "%.0f", Line: true, Plot: true},
		{Name: "make ready, ms", Format: "%.1f", Line: true, Plot: true},
		{Name: "baseline, KB", Format: "%.0f", Line: true},
		{Name: "ready, KB", Format: "%.0f", Line: true},
	}
	for _, n := range sizes {
		row, err := scaleOne(ctx, size, n)
		if err != nil {
			return err
		}
		t.add(n, row...)
	}
	return nil
}

func scaleOne(ctx context.Context, size func(int) (int, int), n int) ([]float64, error) {
	w, err := newScaleWorld(size(n))
	if err != nil {
		return nil, err
	}
	good, err := w.good(10)
	if err != nil {
		return nil, err
	}
	r, err := w.read()
	if err != nil {
		return nil, err
	}
	data, err := protocol.Encode(r)
	if err != nil {
		return nil, err
	}
	decode, err := timeOf(ctx, func() (err error) { r, err = protocol.DecodeReading(data); return err })
	if err != nil {
		return nil, err
	}
	var base *judge.Baseline
	learn, err := timeOf(ctx, func() (err error) {
		base, err = judge.Learn(scaleBaselineID, w.layout, good, judge.Options{})
		return err
	})
	if err != nil {
		return nil, err
	}
	stored, err := base.Encode()
	if err != nil {
		return nil, err
	}
	// As a worker has it: from what is stored.
	var model *judge.Model
	ready, err := timeOf(ctx, func() error {
		b, err := judge.DecodeBaseline(stored)
		if err == nil {
			model, err = judge.Prepare(b)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	var v *protocol.Verdict
	var st judge.State
	took, err := timeOf(ctx, func() (err error) {
		v, st, err = judge.Judge(judge.Input{Reading: r, Chart: w.layout, Model: model, State: st}, judge.Options{})
		return err
	})
	if err != nil {
		return nil, err
	}
	rec := &protocol.Record{Schema: protocol.SchemaRecord, ID: v.ID, Kind: protocol.KindVerdict, Series: v.Series, At: v.At, Site: v.Site, Printer: v.Printer, Verdict: v}
	var out []byte
	write, err := timeOf(ctx, func() (err error) { out, err = protocol.Encode(rec); return err })
	if err != nil {
		return nil, err
	}
	held, err := heapOfReady(stored)
	return []float64{kb(len(data)), decode, took, write, kb(len(out)), learn, ready, kb(len(stored)), held / 1000}, err
}

// heapOfReady is how many bytes of heap a baseline takes that is ready, beside others of its layout.
func heapOfReady(stored []byte) (float64, error) {
	const n = 8
	var models [n]*judge.Model
	var layout *judge.Baseline
	var before, after runtime.MemStats
	for i := range n + 1 {
		b, err := judge.DecodeBaseline(stored)
		if err != nil {
			return 0, err
		}
		if layout == nil { // the first one brings the layout and is not kept
			layout = b.LayoutOnly()
			runtime.GC()
			runtime.ReadMemStats(&before)
			continue
		}
		b.ShareLayout(layout)
		if models[i-1], err = judge.Prepare(b); err != nil {
			return 0, err
		}
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	runtime.KeepAlive(&models)
	runtime.KeepAlive(layout)
	return (float64(after.HeapAlloc) - float64(before.HeapAlloc)) / n, nil
}

func kb(n int) float64 { return float64(n) / 1000 }
