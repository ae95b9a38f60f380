package main

import (
	"context"
	"fmt"
	"io/fs"
	"path/filepath"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/history"
	"swathkeeper/worker/station"
)

// scaleHistory follows looking back over the verdicts in a store, with a worker running on it. Each
// printer has a thousand of them, spread over a year.
func scaleHistory(ctx context.Context, o scalingOptions) (*scaleTable, error) {
	t := &scaleTable{By: "verdicts in the store", Cols: []scaleCol{
		{Name: "printers", Format: "%.0f"},
		{Name: "store, MB", Format: "%.0f", Line: true},
		{Name: "rows made, s", Format: "%.1f", Line: true, Plot: true},
		{Name: "start, s", Format: "%.2f", Plot: true},
		{Name: "one printer's year: first row, ms", Format: "%.0f", Plot: true},
		{Name: "all rows, ms", Format: "%.0f", Plot: true},
		{Name: "list of printers, ms", Format: "%.0f", Line: true, Plot: true},
	}}
	for _, n := range o.History {
		row, err := scaleOneHistory(ctx, n)
		if err != nil {
			return nil, fmt.Errorf("%d: %w", n, err)
		}
		t.add(n, row...)
	}
	return t, nil
}

func scaleOneHistory(ctx context.Context, n int) ([]float64, error) {
	dir, clean, err := scaleDir()
	if err != nil {
		return nil, err
	}
	defer clean()
	each := min(n, 1000)
	to := time.Now().UTC().Truncate(time.Hour)
	h := historyShop{seed: 9, printers: max(1, n/each), readings: each, to: to, from: to.AddDate(0, 0, -364)}
	if _, err := h.build(ctx, dir, nil); err != nil {
		return nil, err
	}
	var rows time.Duration
	err = withTrialBus(ctx, dir, h.limits(), func(js jetstream.JetStream) error {
		begin := time.Now()
		defer func() { rows = time.Since(begin) }()
		return history.NewClerk(js, zerolog.Nop()).CatchUp(ctx)
	})
	if err != nil {
		return nil, err
	}
	size, err := folderSize(dir)
	if err != nil {
		return nil, err
	}
	wk, err := worker.New(worker.Options{DataDir: dir, Limits: h.limits(), NoSync: true, Log: zerolog.Nop()})
	if err != nil {
		return nil, err
	}
	begin := time.Now()
	if err := wk.Start(ctx); err != nil {
		return nil, err
	}
	out := []float64{float64(h.printers), float64(size) / 1e6, rows.Seconds(), time.Since(begin).Seconds()}
	looked, err := h.look(ctx, wk.JetStream())
	return append(out, looked...), joinStop(ctx, wk, err)
}

// look reads years of several printers and lists all printers.
func (h *historyShop) look(ctx context.Context, js jetstream.JetStream) ([]float64, error) {
	var first, all, list []float64
	for i := range 5 {
		begin := time.Now()
		rows := 0
		q := history.Query{Site: historySite, Printer: historyPrinter((i*337 + 1) % h.printers), Since: h.from.AddDate(0, 0, -1), Until: h.to} // what the worker says now is not counted
		if err := history.ReadRows(ctx, js, q, func(history.Row) error {
			if rows++; rows == 1 {
				first = append(first, millis(time.Since(begin)))
			}
			return nil
		}); err != nil {
			return nil, err
		}
		if rows != h.readings {
			return nil, fmt.Errorf("%d rows of %s, want %d", rows, q.Printer, h.readings)
		}
		all = append(all, millis(time.Since(begin)))
	}
	for range 3 {
		begin := time.Now()
		got, err := history.Printers(ctx, js, historySite, "")
		if err != nil {
			return nil, err
		}
		if len(got) != h.printers {
			return nil, fmt.Errorf("%d printers listed, want %d", len(got), h.printers)
		}
		list = append(list, millis(time.Since(begin)))
	}
	return []float64{quartile(first), quartile(all), quartile(list)}, nil
}

func folderSize(dir string) (n int64, err error) {
	err = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		if err == nil {
			n += info.Size()
		}
		return err
	})
	return n, err
}

// storedSize is what one reading of a kind leaves in the store, in bytes.
type storedSize struct {
	Kind     string  `json:"kind"`
	Inbox    float64 `json:"inbox"`
	Record   float64 `json:"record"`
	Row      float64 `json:"row"`
	Baseline float64 `json:"baseline"` // of the series, once
	Folder   float64 `json:"folder"`   // the data folder's growth over the readings
}

// measureStored lets a worker learn and judge readings of several kinds and weighs its streams.
func measureStored(ctx context.Context, o scalingOptions) ([]storedSize, error) {
	var out []storedSize
	for _, k := range []struct {
		name    string
		strips  int
		spectra bool
	}{{"L\\*a\\*b\\*", 0, false}, {"spectra", 0, true}, {"L\\*a\\*b\\*, 8 strips", 8, false}} {
		w, err := newScaleWorld(o.Chart, k.strips)
		if err != nil {
			return nil, err
		}
		w.spectra = k.spectra
		s, err := weigh(ctx, w, o.Visits)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", k.name, err)
		}
		s.Kind = fmt.Sprintf("%d patches, %s", o.Chart, k.name)
		out = append(out, *s)
	}
	return out, nil
}

func weigh(ctx context.Context, w *scaleWorld, n int) (*storedSize, error) {
	dir, clean, err := scaleDir()
	if err != nil {
		return nil, err
	}
	defer clean()
	records := make(chan *protocol.Record, 64)
	wk, err := worker.New(worker.Options{DataDir: dir, NoSync: true, Log: zerolog.Nop(), OnRecord: func(r *protocol.Record) { records <- r }})
	if err != nil {
		return nil, err
	}
	if err := wk.Start(ctx); err != nil {
		return nil, err
	}
	if err := func() error {
		good, err := w.good(10)
		if err != nil {
			return err
		}
		if err := (&speedWorld{printers: printersIn(1), chart: w.layout, good: good, at: w.at}).teach(ctx, wk, records); err != nil {
			return err
		}
		for range n {
			r, err := w.read()
			if err != nil {
				return err
			}
			if err := sendOne(ctx, wk, records, r); err != nil {
				return err
			}
		}
		return nil
	}(); err != nil {
		return nil, joinStop(ctx, wk, err)
	}
	if err := joinStop(ctx, wk, nil); err != nil {
		return nil, err
	}
	s := &storedSize{}
	err = withTrialBus(ctx, dir, bus.DefaultLimits(), func(js jetstream.JetStream) error {
		if err := history.NewClerk(js, zerolog.Nop()).CatchUp(ctx); err != nil {
			return err
		}
		for _, x := range []struct {
			stream string
			per    *float64
		}{{protocol.StreamInbox, &s.Inbox}, {protocol.StreamRecord, &s.Record}, {protocol.StreamRows, &s.Row}, {"OBJ_" + protocol.BucketBaselines, &s.Baseline}} {
			st, err := js.Stream(ctx, x.stream)
			if err != nil {
				return err
			}
			state := st.CachedInfo().State
			*x.per = float64(state.Bytes)
			if x.stream != "OBJ_"+protocol.BucketBaselines { // one object lies there, in parts
				*x.per /= float64(max(1, state.Msgs))
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	size, err := folderSize(dir)
	s.Folder = float64(size) / float64(n)
	return s, err
}

// sendOne publishes a reading and waits for its record.
func sendOne(ctx context.Context, wk *worker.Worker, records <-chan *protocol.Record, r *protocol.Reading) error {
	data, err := station.Pack(r)
	if err != nil {
		return err
	}
	if _, _, err := station.Publish(ctx, wk.JetStream(), r, data); err != nil {
		return err
	}
	select {
	case rec := <-records:
		if rec.Verdict == nil {
			return fmt.Errorf("not judged: %s", rec.Text)
		}
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
