package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"runtime"
	"runtime/debug"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/history"
	"swathkeeper/worker/judge"
	"swathkeeper/worker/station"
)

// scaleShop is a shop with many printers, each printing under many conditions. Its store is written
// directly: a baseline and a verdict for each, as a worker would have left them.
type scaleShop struct {
	w                *scaleWorld
	printers, series int
	limits           bus.Limits
	visited          []visit // those that readings come from, in turn
}

// visit is one printing condition of one printer.
type visit struct{ printer, preset string }

// scaleMemory is the soft limit of memory that `run` sets unless told otherwise.
const scaleMemory = 192 << 20

// maxVisited bounds of how many conditions readings come: more than a worker keeps ready at a time.
const maxVisited = 400

func newScaleShop(patches, printers, series int) (*scaleShop, error) {
	w, err := newScaleWorld(patches, 0)
	if err != nil {
		return nil, err
	}
	s := &scaleShop{w: w, printers: printers, series: series, limits: bus.DefaultLimits()}
	s.limits.Baselines, s.limits.Record = 8<<30, 8<<30
	all := printers * series
	step := max(1, all/maxVisited)
	for i := 0; i < all && len(s.visited) < maxVisited; i += step {
		s.visited = append(s.visited, visit{scalePrinter(i / series), scalePreset(i % series)})
	}
	return s, nil
}

func scalePrinter(i int) string { return fmt.Sprintf("p%05d", i) }
func scalePreset(i int) string  { return fmt.Sprintf("deep-%03d", i) }

// plant writes the store.
func (s *scaleShop) plant(ctx context.Context, dir string) error {
	return withTrialBus(ctx, dir, s.limits, func(js jetstream.JetStream) error {
		stores, err := bus.OpenStores(ctx, js)
		if err != nil {
			return err
		}
		defer stores.Close()
		records, err := bus.OpenRecords(ctx, js)
		if err != nil {
			return err
		}
		if err := stores.PutChart(ctx, s.w.layout); err != nil {
			return err
		}
		good, err := s.w.good(10)
		if err != nil {
			return err
		}
		base, err := judge.Learn(scaleBaselineID, s.w.layout, good, judge.Options{})
		if err != nil {
			return err
		}
		model, err := judge.Prepare(base)
		if err != nil {
			return err
		}
		r, err := s.w.read()
		if err != nil {
			return err
		}
		v, _, err := judge.Judge(judge.Input{Reading: r, Chart: s.w.layout, Model: model, State: judge.State{Version: judge.StateVersion, Baseline: base.ID}}, judge.Options{})
		if err != nil {
			return err
		}
		packed, err := base.Encode()
		if err != nil {
			return err
		}
		return s.plantAll(ctx, js, stores, records.Inbox, packed, r, v)
	})
}

// plantAll writes what the printers have. A condition that readings will come of has a baseline object of
// its own; the others share one, which nobody asks for.
func (s *scaleShop) plantAll(ctx context.Context, js jetstream.JetStream, stores *bus.Stores, inbox time.Time, packed []byte, r *protocol.Reading, v *protocol.Verdict) error {
	own := map[visit]bool{}
	for _, p := range s.visited {
		own[p] = true
	}
	shared, err := stores.PutBaseline(ctx, packed)
	if err != nil {
		return err
	}
	for p := range s.printers {
		var standing *history.Standing
		for k := range s.series {
			at := visit{scalePrinter(p), scalePreset(k)}
			id, digest := scaleBaselineID, shared
			if own[at] {
				id = protocol.DerivedID(at.printer+at.preset, "baseline")
				if digest, err = stores.PutBaseline(ctx, bytes.ReplaceAll(packed, []byte(scaleBaselineID), []byte(id))); err != nil {
					return err
				}
			}
			rec, err := plantRecord(at, inbox, r, v, id, digest, standing)
			if err != nil {
				return err
			}
			standing = standing.After(rec)
			data, err := protocol.Encode(rec)
			if err != nil {
				return err
			}
			if _, err := js.PublishAsync(protocol.RecordSubject(rec.Site, rec.Printer, rec.Kind, rec.Series), data, jetstream.WithStallWait(time.Minute)); err != nil {
				return err
			}
		}
	}
	select {
	case <-js.PublishAsyncComplete():
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// plantRecord is a verdict record of a printer with the state that it carries.
func plantRecord(at visit, inbox time.Time, r *protocol.Reading, v *protocol.Verdict, baseline, digest string, standing *history.Standing) (*protocol.Record, error) {
	reading := *r
	reading.Condition.Preset = at.preset
	verdict := *v
	verdict.ID, verdict.Reading, verdict.Printer, verdict.Series, verdict.Condition = uuid.NewString(), uuid.NewString(), at.printer, reading.Series(), reading.Condition
	var st judge.State
	if err := json.Unmarshal(v.State, &st); err != nil {
		return nil, err
	}
	st.Baseline, st.Digest = baseline, digest
	var err error
	if verdict.State, err = json.Marshal(st); err != nil {
		return nil, err
	}
	rec := &protocol.Record{
		Schema: protocol.SchemaRecord, ID: uuid.NewString(), Kind: protocol.KindVerdict, Series: verdict.Series, At: v.At, Site: v.Site, Printer: at.printer,
		Verdict: &verdict, Inbox: inbox, Text: at.printer + ": " + v.Outcome,
	}
	rec.PrinterState, err = json.Marshal(map[string]any{"version": 1, "inbox": inbox, "inbox_seq": 0, "alert": struct{}{}, "standing": standing.After(rec)})
	return rec, err
}

// fill puts rounds readings of every visited condition into the inbox, one condition after the other.
func (s *scaleShop) fill(ctx context.Context, dir string, rounds int) error {
	return withTrialBus(ctx, dir, s.limits, func(js jetstream.JetStream) error {
		drawn, err := s.w.good(20)
		if err != nil {
			return err
		}
		n := 0
		for range rounds {
			for _, at := range s.visited {
				r := *drawn[n%len(drawn)]
				n++
				s.w.at = s.w.at.Add(time.Minute)
				r.ID, r.TakenAt, r.Printer, r.Condition.Preset = uuid.Must(uuid.NewV7()).String(), s.w.at, at.printer, at.preset
				data, err := protocol.Encode(&r)
				if err != nil {
					return err
				}
				if _, _, err := station.Publish(ctx, js, &r, data); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

// shopCost is what a worker's run over a shop cost.
type shopCost struct {
	start       float64 // s, until readings are judged
	first, next float64 // ms a reading, of the first round and of the later ones
	heapMB      float64 // live memory of worker and bus, above that before they started
	record      float64 // KB of one record
}

// work lets a worker judge the inbox of a planted store.
func (s *scaleShop) work(ctx context.Context, dir string, rounds int) (*shopCost, error) {
	var mu sync.Mutex
	var times []time.Duration
	clock := scaleClock()
	var fault error
	total, size := rounds*len(s.visited), 0
	done := make(chan struct{})
	wk, err := worker.New(worker.Options{DataDir: dir, NoSync: true, Limits: s.limits, Log: zerolog.Nop(), OnRecord: func(r *protocol.Record) {
		mu.Lock()
		defer mu.Unlock()
		if r.Verdict == nil || r.Verdict.Colour == nil {
			fault = errors.Join(fault, fmt.Errorf("%s, not judged: %s", r.Kind, r.Text))
		}
		if times = append(times, clock()); len(times) == total {
			data, err := protocol.Encode(r)
			size, fault = len(data), errors.Join(fault, err)
			close(done)
		}
	}})
	if err != nil {
		return nil, err
	}
	defer debug.SetMemoryLimit(debug.SetMemoryLimit(scaleMemory)) // as run does
	before := liveHeap()
	begin := time.Now()
	if err := wk.Start(ctx); err != nil {
		return nil, err
	}
	c := &shopCost{start: time.Since(begin).Seconds()}
	started := clock()
	select {
	case <-done:
	case <-ctx.Done():
		return nil, joinStop(ctx, wk, ctx.Err())
	}
	c.heapMB = (liveHeap() - before) / 1e6
	if err := joinStop(ctx, wk, fault); err != nil {
		return nil, err
	}
	n := len(s.visited)
	c.record = kb(size)
	c.first = millis(times[n-1]-times[0]) / float64(max(1, n-1))
	if n == 1 {
		c.first = millis(times[0] - started)
	}
	c.next = millis(times[total-1]-times[n-1]) / float64(total-n)
	return c, nil
}

func liveHeap() float64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return float64(m.HeapAlloc)
}

func scaleShopRow(ctx context.Context, o scalingOptions, printers, series int) ([]float64, error) {
	dir, clean, err := scaleDir()
	if err != nil {
		return nil, err
	}
	defer clean()
	s, err := newScaleShop(o.Chart, printers, series)
	if err != nil {
		return nil, err
	}
	rounds := max(2, o.Visits/len(s.visited))
	if err := s.plant(ctx, dir); err != nil {
		return nil, err
	}
	if err := s.fill(ctx, dir, rounds); err != nil {
		return nil, err
	}
	c, err := s.work(ctx, dir, rounds)
	if err != nil {
		return nil, err
	}
	return []float64{c.start, c.first, c.next, c.record, c.heapMB}, nil
}

var shopCols = []scaleCol{
	{Name: "start, s", Format: "%.2f", Line: true, Plot: true},
	{Name: "first reading, ms", Format: "%.2f", Plot: true},
	{Name: "next ones, ms", Format: "%.2f", Plot: true},
	{Name: "record, KB", Format: "%.1f"},
	{Name: "memory, MB", Format: "%.0f", Plot: true},
}

// scaleSeries follows the cost of a reading, store and all, over the printing conditions of one printer.
func scaleSeries(ctx context.Context, o scalingOptions) (*scaleTable, error) {
	t := &scaleTable{By: "series of the printer", Cols: shopCols}
	for _, n := range o.Series {
		row, err := scaleShopRow(ctx, o, 1, n)
		if err != nil {
			return nil, fmt.Errorf("%d: %w", n, err)
		}
		t.add(n, row...)
	}
	return t, nil
}

// scalePrinters is the same over printers of one condition each.
func scalePrinters(ctx context.Context, o scalingOptions) (*scaleTable, error) {
	t := &scaleTable{By: "printers", Cols: shopCols}
	for _, n := range o.Printers {
		row, err := scaleShopRow(ctx, o, n, 1)
		if err != nil {
			return nil, fmt.Errorf("%d: %w", n, err)
		}
		t.add(n, row...)
	}
	return t, nil
}
