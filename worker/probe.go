package worker

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"slices"
	"sync"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/chat"
	"swathkeeper/worker/health"
)

const (
	// stuckAfter is how long one step of the judging may take before only a restart can help; every
	// wait within a step is bounded well below it.
	stuckAfter = 3 * time.Minute
	// waitingLimit is how old the oldest input without a record may be before the worker is not
	// ready. A station that sends a whole season at once reaches it, and should.
	waitingLimit = 2 * time.Minute
	// probeFresh is for how long a report is given again: several collectors may ask at once.
	probeFresh = 500 * time.Millisecond
	// diskNeeded is what must be free where the store lies: below it the next hours are not safe.
	diskNeeded = 64 << 20
	// diskWanted is below what the report says so, and still works.
	diskWanted = 1 << 30
)

// prober looks at the worker, for one caller at a time.
type prober struct {
	w    *Worker
	talk *chat.Chat

	mu   sync.Mutex
	last *health.Report
}

// Report says how the worker is doing. It is bounded by ctx, and safe for many callers.
func (w *Worker) Report(ctx context.Context) *health.Report {
	return w.prober.report(ctx)
}

// Live reports whether the judging still moves; false means that only a restart can help.
func (w *Worker) Live() bool { return w.stuckFor() < stuckAfter }

func (p *prober) report(ctx context.Context) *health.Report {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.last != nil && time.Since(p.last.At) < probeFresh && time.Since(p.last.At) >= 0 {
		return p.last
	}
	w := p.w
	host, _ := os.Hostname()
	r := &health.Report{
		Name: w.o.Name, Version: w.o.Version, Host: host, PID: os.Getpid(), Started: w.startedAt, At: time.Now(),
		Live: w.Live(), Ready: true, LastRecord: w.lastRecord(), Judging: health.JudgedFree,
	}
	p.bus(ctx, r)
	p.disk(r)
	p.clock(r)
	if why := w.keepers[0].noSignOfLife(); why != "" {
		r.Add(health.Check{Name: "alive", Minor: true, Text: "no sign of life was given, and whoever waits for it may alarm: " + why})
	}
	if p.talk != nil {
		r.Chat = p.talk.Status()
	}
	if !r.Live {
		r.Add(health.Check{Name: "judge", Text: fmt.Sprintf("one input has been worked on for %s; restart the worker, and report this with its log", w.stuckFor().Round(time.Second))})
	}
	r.At = time.Now()
	p.last = r
	return r
}

// bus asks the bus for everything that is known there.
func (p *prober) bus(ctx context.Context, r *health.Report) {
	w := p.w
	if w.embed != nil {
		if why := w.embed.Trouble(); why != "" {
			r.Add(health.Check{Name: "store", Text: "the store cannot be written; readings wait at their stations until there is room: " + why})
			return
		}
	}
	if !w.conn.IsConnected() {
		r.Add(health.Check{Name: "bus", Text: "the bus is away; the worker goes on by itself when it is back"})
		return
	}
	where := w.conn.ConnectedUrlRedacted()
	if w.embed != nil {
		where = "its own"
	}
	r.Add(health.Check{Name: "bus", OK: true, Text: "connected: " + where})
	if c := w.keepers[0].busTrouble(); c.Text != "" {
		r.Add(c)
	}
	if err := p.stores(ctx, r); err != nil {
		r.Add(health.Check{Name: "store", Text: "the store does not answer; readings wait: " + err.Error()})
		return
	}
	if trouble := w.trouble(); trouble != "" {
		r.Add(health.Check{Name: "store", Text: "records cannot be stored; readings wait: " + trouble})
	} else {
		r.Add(health.Check{Name: "store", OK: true, Text: "records are being stored"})
	}
	more := ", by [keep] in the settings"
	if w.embed == nil { // the limit of a stream that is there changes by that command alone
		more += ", or give it more room by `swathkeeper init`"
	}
	if w.gone != nil {
		r.Add(health.Check{Name: "lost", Text: "at the start: " + w.gone.String() + "; if that is known, start the worker once more, when it has recorded something"})
	}
	for _, s := range r.Stores {
		if s.Limit > 0 && float64(s.Bytes) > 0.9*float64(s.Limit) && s.Name == protocol.StreamScans {
			r.Add(health.Check{Name: "pictures", Minor: true, Text: fmt.Sprintf("the store of pictures (%s) is %.0f %% full: readings come as ever, and pictures that do not fit stay at their stations until the oldest have made room, within %s", s.Name, 100*float64(s.Bytes)/float64(s.Limit), scansEvery)})
		} else if s.Limit > 0 && float64(s.Bytes) > 0.9*float64(s.Limit) {
			r.Add(health.Check{Name: "limit", Minor: true, Text: fmt.Sprintf("%s is %.0f %% full; beyond its limit nothing more is taken and stations keep what they have: keep less long%s", s.Name, 100*float64(s.Bytes)/float64(s.Limit), more)})
		}
	}
	if err := p.queue(ctx, r); err != nil {
		r.Add(health.Check{Name: "judge", Text: err.Error()})
		return
	}
	text := map[string]string{
		health.JudgedHere: "readings are judged here", health.JudgedElsewhere: "another worker judges; this one stands by",
		health.JudgedFree: "ready for the next reading",
	}[r.Judging]
	if n := len(w.keepers); n > 1 {
		text = fmt.Sprintf("%d of the inbox's %d parts are judged here, %d by another worker, the rest is free for the next reading", r.PartsHere, n, r.PartsElsewhere)
	}
	r.Add(health.Check{Name: "judge", OK: r.Live, Text: text})
	waiting := health.Check{Name: "waiting", OK: true, Text: "no reading waits"}
	if r.Waiting > 0 {
		waiting.Text = fmt.Sprintf("%s to be judged, the oldest for %.0f s", waits(r.Waiting), r.WaitingSeconds())
		waiting.OK = r.WaitingSeconds() < waitingLimit.Seconds()
	}
	r.Add(waiting)
}

// storeNames are the streams behind everything that is kept.
var storeNames = []string{
	protocol.StreamInbox, protocol.StreamRecord, protocol.StreamScans, "OBJ_" + protocol.BucketBaselines,
	"KV_" + protocol.BucketActive, "KV_" + protocol.BucketCharts, "KV_" + protocol.BucketSent,
}

func (p *prober) stores(ctx context.Context, r *health.Report) error {
	for _, name := range storeNames {
		s, err := p.w.js.Stream(ctx, name)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		i := s.CachedInfo()
		r.Stores = append(r.Stores, health.Store{Name: name, Messages: i.State.Msgs, Bytes: i.State.Bytes, Limit: i.Config.MaxBytes})
	}
	return nil
}

// queue finds out who judges and what waits.
func (p *prober) queue(ctx context.Context, r *health.Report) error {
	d, err := bus.ReadDivision(ctx, p.w.js)
	if err != nil {
		return err
	}
	queues, err := d.Queues(ctx, p.w.js)
	if err != nil {
		return err
	}
	for _, q := range queues {
		switch {
		case q.Pinned == "":
		case slices.ContainsFunc(p.w.atWork(), func(k *keeper) bool { return k.part == q.Part && k.pinned() == q.Pinned }):
			r.PartsHere++
		default:
			r.PartsElsewhere++
		}
		r.Waiting += q.Waiting
		if q.Waiting == 0 {
			continue
		}
		m, err := bus.Next(ctx, p.w.js, protocol.StreamInbox, q.Floor+1, q.Part.Subject)
		if err == nil && (r.OldestWaiting.IsZero() || m.Time.Before(r.OldestWaiting)) { // else it may have got its record just now
			r.OldestWaiting = m.Time
		}
	}
	switch {
	case r.PartsHere > 0:
		r.Judging = health.JudgedHere
	case r.PartsElsewhere > 0:
		r.Judging = health.JudgedElsewhere
	}
	return nil
}

func (p *prober) disk(r *health.Report) {
	if p.w.o.DataDir == "" {
		return
	}
	free, size := bus.DiskFree(p.w.o.DataDir)
	r.DiskFree = free
	if size > 0 {
		r.Add(DiskCheck(free))
	}
}

// DiskCheck says whether enough is free where the store lies, in bytes.
func DiskCheck(free uint64) health.Check {
	c := health.Check{Name: "disk", OK: true, Text: fmt.Sprintf("%s free", megabytes(free))}
	switch {
	case free < diskNeeded:
		c.OK, c.Text = false, c.Text+"; readings will wait: make room on the disk of the data folder"
	case free < diskWanted:
		c.OK, c.Minor, c.Text = false, true, c.Text+"; make room on the disk of the data folder soon"
	}
	return c
}

func megabytes(b uint64) string {
	if b >= 10<<30 {
		return fmt.Sprintf("%d GB", b>>30)
	}
	return fmt.Sprintf("%d MB", b>>20)
}

func waits(n uint64) string {
	if n == 1 {
		return "1 input waits"
	}
	return fmt.Sprintf("%d inputs wait", n)
}

func (p *prober) clock(r *health.Report) {
	if behind := p.w.clockBehind(); behind > 0 {
		r.Add(health.Check{Name: "clock", Minor: true, Text: fmt.Sprintf("the clock is %s behind the newest record; set it: until then reminders wait, and no reading is refused for a time ahead", behind.Round(time.Second))})
		return
	}
	r.Add(health.Check{Name: "clock", OK: true, Minor: true, Text: "not behind the newest record"})
}

// startHealth lets others see how the worker is doing.
func (w *Worker) startHealth() error {
	if s, err := health.AddService(w.conn, w.o.Name, w.o.Version, w.Report); err != nil {
		w.o.Log.Warn().Err(err).Msg("the worker cannot be asked over the bus how it is doing")
	} else {
		w.onStop("service", func(context.Context) error { _ = s.Stop(); return nil }) // the bus may be away
	}
	if w.o.Health == "" {
		return nil
	}
	s, err := health.Serve(w.o.Health, w.Report, w.metrics)
	if err != nil && w.o.HealthElse != "" {
		w.o.Log.Warn().Err(err).Msg("listening elsewhere for /healthz, /readyz and /metrics")
		s, err = health.Serve(w.o.HealthElse, w.Report, w.metrics)
	}
	if err != nil {
		return err
	}
	w.health = s.Address
	w.onStop("health", s.Stop)
	if w.embed != nil {
		w.embed.ShowHealth(s.Address)
	}
	return nil
}

// HealthAddress is where /healthz, /readyz and /metrics are answered; empty when nowhere.
func (w *Worker) HealthAddress() string { return w.health }

// defaultName is how a worker is called that was given no name.
func defaultName() string {
	host, _ := os.Hostname()
	return cmp.Or(host, "worker")
}
