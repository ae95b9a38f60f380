package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"runtime/pprof"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/judge"
	"swathkeeper/worker/station"
)

func init() { trials = append(trials, newSpeed) }

// speedResult is what the trial measures. The first six keys are fixed; other programs read them.
type speedResult struct {
	RatioPatches float64 `json:"ratio_patches"` // worker over bare loop, 400 patches, sync-always
	RatioTraces  float64 `json:"ratio_traces"`  // the same with 8 traces
	VerdictMS    float64 `json:"verdict_ms"`    // one verdict with traces, one core, no bus
	AlertP50MS   float64 `json:"alert_p50_ms"`  // reading published to record stored, 20 readings/s
	AlertP99MS   float64 `json:"alert_p99_ms"`
	IdleMB       float64 `json:"idle_mb"` // resident memory, idle, all in one process

	Runs          []speedRun `json:"runs"`
	VerdictAllocs float64    `json:"verdict_allocs"`
	Cores         int        `json:"cores"`
}

// speedRun is one measurement of worker and bare loop side by side.
type speedRun struct {
	Name         string  `json:"name"`
	Readings     int     `json:"readings"`
	ReadingBytes int     `json:"reading_bytes"`
	RecordBytes  int     `json:"record_bytes"`
	BarePerS     float64 `json:"bare_per_s"`
	WorkerPerS   float64 `json:"worker_per_s"`
	Ratio        float64 `json:"ratio"` // the median of the rounds' ratios
	// Ratios are those of each round: how far they lie apart says how quiet the machine was.
	Ratios []float64 `json:"ratios"`
	// BareCPU and WorkerCPU are microseconds of processor time a reading, the server's included: they
	// tell more than the rates where other programs run.
	BareCPU   float64 `json:"bare_cpu_us"`
	WorkerCPU float64 `json:"worker_cpu_us"`
}

// stretch is the time from the first of some records to the last.
type stretch struct {
	n          int
	start, end time.Time
	used       time.Duration // of processors
	profile    io.WriteCloser
}

// record counts one; it reports whether it was the last of n.
func (s *stretch) record(n int) bool {
	switch s.n++; s.n {
	case 1:
		if s.profile != nil {
			_ = pprof.StartCPUProfile(s.profile)
		}
		s.start, s.used = time.Now(), processorTime()
	case n:
		s.end, s.used = time.Now(), processorTime()-s.used
		if s.profile != nil {
			pprof.StopCPUProfile()
			_ = s.profile.Close()
		}
		return true
	}
	return false
}

func (s *stretch) perSecond() float64 { return float64(s.n-1) / s.end.Sub(s.start).Seconds() }
func (s *stretch) cpuMicros() float64 { return float64(s.used.Nanoseconds()) / 1000 / float64(s.n-1) }

func newSpeed() *cobra.Command {
	var asJSON bool
	var n, rounds int
	var page, only, profile string
	c := &cobra.Command{
		Use:   "speed",
		Short: "How fast the worker is, as a ratio to a loop that only consumes, commits and acknowledges",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if only != "" && page != "" {
				return errors.New("--write takes the whole table; leave --only out")
			}
			if rounds < 1 {
				return fmt.Errorf("--rounds %d: give 1 or more", rounds)
			}
			res, err := runSpeed(c.Context(), c.ErrOrStderr(), n, rounds, only, profile)
			if err != nil {
				return err
			}
			if asJSON {
				return json.NewEncoder(c.OutOrStdout()).Encode(res)
			}
			text := res.table()
			if page != "" {
				return writeSection(page, "speed", text)
			}
			_, err = fmt.Fprintln(c.OutOrStdout(), text)
			return err
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	c.Flags().IntVar(&n, "readings", 3000, "readings a run")
	c.Flags().IntVar(&rounds, "rounds", 3, "how often worker and bare loop take turns in each run; their medians are told")
	c.Flags().StringVar(&only, "only", "", "only the runs whose names hold this, such as traces; the rest is left out")
	c.Flags().StringVar(&profile, "profile", "", "write a processor profile of the worker in each run into this folder")
	c.Flags().StringVar(&page, "write", "", "write the table into this page, such as measure/TRIALS.md")
	return c
}

func runSpeed(ctx context.Context, progress io.Writer, n, rounds int, only, profile string) (*speedResult, error) {
	res := &speedResult{Cores: runtime.GOMAXPROCS(0)}
	var err error
	if only == "" {
		if res.IdleMB, err = idleMB(ctx); err != nil {
			return nil, err
		}
	}
	world, err := newSpeedWorld()
	if err != nil {
		return nil, err
	}
	world.profiles, world.rounds = profile, rounds
	for _, r := range []struct {
		name     string
		traces   bool
		noSync   bool
		printers int
		parts    int
		n        int
	}{
		{"400 patches, sync-always", false, false, 1, 1, n},
		{"400 patches + 8 traces, sync-always", true, false, 1, 1, n / 2},
		{"400 patches, not sync", false, true, 1, 1, n},
		{"400 patches + 8 traces, not sync", true, true, 1, 1, n / 2},
		{"400 patches, 8 printers, inbox whole, sync-always", false, false, 8, 1, n},
		{"400 patches, 8 printers, 8 partitions, sync-always", false, false, 8, 8, n},
		{"400 patches + 8 traces, 8 printers, 8 partitions, sync-always", true, false, 8, 8, n / 2},
	} {
		if !strings.Contains(r.name, only) {
			continue
		}
		fmt.Fprintf(progress, "%s ...\n", r.name)
		world.printers, world.parts = printersIn(r.printers), r.parts
		run, err := world.measure(ctx, r.name, r.n, r.traces, r.noSync)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", r.name, err)
		}
		res.Runs = append(res.Runs, *run)
	}
	if only != "" {
		return res, nil
	}
	world.printers, world.parts = printersIn(1), 1
	res.RatioPatches, res.RatioTraces = res.Runs[0].Ratio, res.Runs[1].Ratio
	fmt.Fprintln(progress, "one verdict ...")
	if res.VerdictMS, res.VerdictAllocs, err = world.verdict(); err != nil {
		return nil, err
	}
	fmt.Fprintln(progress, "latency at 20 readings/s ...")
	if res.AlertP50MS, res.AlertP99MS, err = world.latency(ctx, 400); err != nil {
		return nil, err
	}
	return res, nil
}

func (r *speedResult) table() string {
	var b strings.Builder
	fmt.Fprintf(&b, "## Speed\n\nMeasured on %d cores by `go run ./cmd/trials speed`; ratios are taken in one run on one machine.\n", r.Cores)
	for _, x := range r.Runs[:min(1, len(r.Runs))] {
		fmt.Fprintf(&b, "Worker and bare loop took turns, %d times over %d readings (half as many with traces), and each figure is the median; the lowest and highest ratio stand in brackets. "+
			"Processor time is of all threads, the bus's included.\n", len(x.Ratios), x.Readings)
	}
	b.WriteString("\n")
	b.WriteString("| run | reading | record | bare loop | worker | ratio | processor time a reading, bare | worker |\n|---|---|---|---|---|---|---|---|\n")
	for _, x := range r.Runs {
		fmt.Fprintf(&b, "| %s | %.1f KB | %.1f KB | %.0f/s | %.0f/s | %.2f (%.2f-%.2f) | %.0f us | %.0f us |\n", x.Name, float64(x.ReadingBytes)/1000, float64(x.RecordBytes)/1000, x.BarePerS, x.WorkerPerS,
			x.Ratio, slices.Min(x.Ratios), slices.Max(x.Ratios), x.BareCPU, x.WorkerCPU)
	}
	if r.VerdictMS == 0 {
		return b.String() // only some runs were asked for
	}
	fmt.Fprintf(&b, "\nOne verdict on 400 patches and 8 traces, one core, no bus: %.2f ms, %.0f allocations.\n", r.VerdictMS, r.VerdictAllocs)
	fmt.Fprintf(&b, "Reading published to record stored at 20 readings/s: median %.1f ms, 99 of 100 below %.1f ms.\n", r.AlertP50MS, r.AlertP99MS)
	fmt.Fprintf(&b, "Idle, everything in one process: %.0f MB resident.\n", r.IdleMB)
	return b.String()
}

// speedDir makes a data folder on the disk that the working directory is on: a temporary folder may
// be in memory, where syncing costs nothing.
func speedDir() (string, func(), error) {
	dir, err := os.MkdirTemp(".", ".speed-")
	if err != nil {
		return "", nil, err
	}
	return dir, func() { _ = os.RemoveAll(dir) }, nil
}

// idleMB starts an empty worker and looks at the memory of this process, which has done nothing
// else yet.
func idleMB(ctx context.Context) (float64, error) {
	dir, clean, err := speedDir()
	if err != nil {
		return 0, err
	}
	defer clean()
	w, err := worker.New(worker.Options{DataDir: dir, Listen: "127.0.0.1:0", Log: zerolog.Nop()})
	if err != nil {
		return 0, err
	}
	if err := w.Start(ctx); err != nil {
		return 0, err
	}
	time.Sleep(3 * time.Second) // idle is what is measured: let what starting took be given back
	mb, err := residentMB()
	return mb, joinStop(ctx, w, err)
}

func joinStop(ctx context.Context, w *worker.Worker, err error) error {
	stopCtx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 20*time.Second)
	defer cancel()
	if stopErr := w.Stop(stopCtx); err == nil {
		err = stopErr
	}
	return err
}

// residentMB reads this process's resident memory where the system tells it in /proc.
func residentMB() (float64, error) {
	b, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0, nil //nolint:nilerr // other systems do not tell; the figure is then 0
	}
	for _, line := range strings.Split(string(b), "\n") {
		var kb float64
		if _, err := fmt.Sscanf(line, "VmRSS: %f kB", &kb); err == nil {
			return kb / 1024, nil
		}
	}
	return 0, nil
}

// measure lets the worker drain an inbox of n readings, then a bare loop the same inbox, in turns.
func (w *speedWorld) measure(ctx context.Context, name string, n int, traces, noSync bool) (*speedRun, error) {
	run := &speedRun{Name: name, Readings: n}
	readings, err := w.readings(n, traces)
	if err != nil {
		return nil, err
	}
	run.ReadingBytes = len(readings[0].data)
	for i := range readings { // what else is in them is no part of a worker's memory, and a collector would look through it
		r := readings[i].reading
		readings[i].reading = &protocol.Reading{ID: r.ID, Site: r.Site, Printer: r.Printer}
	}
	var worker, bare, workerCPU, bareCPU []float64
	for round := range w.rounds {
		var judged, plain stretch
		if w.profiles != "" && round == 0 {
			if judged.profile, err = os.Create(filepath.Join(w.profiles, strings.NewReplacer(" ", "-", ",", "", "+", "and").Replace(name)+".pprof")); err != nil {
				return nil, err
			}
		}
		if run.RecordBytes, err = w.workerRate(ctx, readings, noSync, &judged); err != nil {
			return nil, err
		}
		if err = w.bareRate(ctx, readings, run.RecordBytes, noSync, &plain); err != nil {
			return nil, err
		}
		worker, workerCPU = append(worker, judged.perSecond()), append(workerCPU, judged.cpuMicros())
		bare, bareCPU = append(bare, plain.perSecond()), append(bareCPU, plain.cpuMicros())
		run.Ratios = append(run.Ratios, judged.perSecond()/plain.perSecond())
	}
	run.WorkerPerS, run.WorkerCPU = median(worker), median(workerCPU)
	run.BarePerS, run.BareCPU = median(bare), median(bareCPU)
	run.Ratio = median(run.Ratios)
	return run, nil
}

// workerRate learns a baseline, stops, fills the inbox, and times the worker from its first record
// of the n to the last.
func (w *speedWorld) workerRate(ctx context.Context, readings []packed, noSync bool, took *stretch) (recordBytes int, err error) {
	dir, clean, err := speedDir()
	if err != nil {
		return 0, err
	}
	defer clean()
	if err := w.learn(ctx, dir, noSync); err != nil {
		return 0, err
	}
	if err := fillInbox(ctx, dir, readings, w.parts); err != nil {
		return 0, err
	}
	done := make(chan struct{})
	wk, err := worker.New(worker.Options{DataDir: dir, NoSync: noSync, Limits: speedLimits(w.parts), Log: zerolog.Nop(), OnRecord: func(*protocol.Record) {
		if took.record(len(readings)) {
			close(done)
		}
	}})
	if err != nil {
		return 0, err
	}
	if err := wk.Start(ctx); err != nil {
		return 0, err
	}
	select {
	case <-done:
	case <-ctx.Done():
		return 0, joinStop(ctx, wk, ctx.Err())
	}
	s, err := wk.JetStream().Stream(ctx, protocol.StreamRecord)
	if err == nil {
		var m *jetstream.RawStreamMsg
		if m, err = s.GetMsg(ctx, s.CachedInfo().State.LastSeq); err == nil {
			recordBytes = len(m.Data)
		}
	}
	return recordBytes, joinStop(ctx, wk, err)
}

// bareRate is the loop that the worker is held against: consume, commit a record of the same size
// under the same guard, acknowledge; nothing is read and nothing is decided. A divided inbox has such a
// loop for each of its parts.
func (w *speedWorld) bareRate(ctx context.Context, readings []packed, recordBytes int, noSync bool, took *stretch) error {
	dir, clean, err := speedDir()
	if err != nil {
		return err
	}
	defer clean()
	if err := fillInbox(ctx, dir, readings, w.parts); err != nil {
		return err
	}
	_, js, closeBus, err := openSpeedBus(ctx, dir, !noSync, w.parts)
	if err != nil {
		return err
	}
	defer closeBus()
	d, err := bus.ReadDivision(ctx, js)
	if err != nil {
		return err
	}
	body := []byte(strings.Repeat("x", recordBytes))
	var counting sync.Mutex
	done := make(chan error, 1+len(d.Parts))
	for _, part := range d.Parts {
		cons, err := js.Consumer(ctx, protocol.StreamInbox, part.Consumer)
		if err != nil {
			return err
		}
		last := map[string]uint64{} // by printer
		count := 0
		cc, err := cons.Consume(func(m jetstream.Msg) {
			printer := w.printers[0]
			if len(w.printers) > 1 {
				printer = m.Subject()[strings.LastIndexByte(m.Subject(), '.')+1:]
			}
			ack, err := js.Publish(ctx, protocol.RecordSubject("quay", printer, protocol.KindVerdict, "0123456789ab"), body,
				jetstream.WithMsgID(fmt.Sprint(part.Number, "-", count)),
				jetstream.WithExpectLastSequenceForSubject(last[printer], protocol.PrinterRecords("quay", printer)))
			if err != nil {
				done <- err
				return
			}
			last[printer] = ack.Sequence
			_ = m.Ack()
			count++
			counting.Lock()
			defer counting.Unlock()
			if took.record(len(readings)) {
				done <- nil
			}
		}, jetstream.PullMaxMessages(32), jetstream.PullExpiry(2*time.Second), jetstream.PullHeartbeat(time.Second), jetstream.PullPriorityGroup(part.Consumer))
		if err != nil {
			return err
		}
		defer cc.Stop()
	}
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// fillInbox puts the readings into the inbox of a stopped worker's folder.
func fillInbox(ctx context.Context, dir string, readings []packed, parts int) error {
	// Filling need not wait for the disk; what is measured comes after.
	_, js, closeBus, err := openSpeedBus(ctx, dir, false, parts)
	if err != nil {
		return err
	}
	defer closeBus()
	for _, r := range readings {
		if _, _, err := station.Publish(ctx, js, r.reading, r.data); err != nil {
			return err
		}
	}
	return nil
}

// speedLimits are those of an inbox in so many parts.
func speedLimits(parts int) bus.Limits {
	l := bus.DefaultLimits()
	l.Partitions = parts
	return l
}

func openSpeedBus(ctx context.Context, dir string, sync bool, parts int) (*bus.Embedded, jetstream.JetStream, func(), error) {
	limits := speedLimits(parts)
	e, err := bus.StartEmbedded(ctx, bus.EmbeddedOptions{Dir: dir, SyncAlways: sync, MaxStore: limits.Total(), Log: zerolog.Nop()})
	if err != nil {
		return nil, nil, nil, err
	}
	nc, js, err := bus.Connect(ctx, bus.ConnectOptions{Embedded: e, Log: zerolog.Nop()})
	if err != nil {
		e.Stop()
		return nil, nil, nil, err
	}
	stop := func() { nc.Close(); e.Stop() }
	if err := bus.Provision(ctx, js, limits); err != nil {
		stop()
		return nil, nil, nil, err
	}
	return e, js, stop, nil
}

// verdict times one verdict with traces on one core, from the decoded reading to the encoded
// record, without a bus.
func (w *speedWorld) verdict() (ms, allocs float64, err error) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	readings, err := w.readings(64, true)
	if err != nil {
		return 0, 0, err
	}
	base, err := judge.Learn("00000000-0000-5000-8000-000000000000", w.chart, w.good, judge.Options{})
	if err != nil {
		return 0, 0, err
	}
	model, err := judge.Prepare(base)
	if err != nil {
		return 0, 0, err
	}
	var st judge.State
	var before, after runtime.MemStats
	const rounds = 10
	var times []float64
	for round := range rounds + 1 {
		if round == 1 {
			runtime.ReadMemStats(&before) // the first round warms up
		}
		for i := range readings {
			start := time.Now()
			_, next, err := judge.Judge(judge.Input{Reading: readings[i].reading, Chart: w.chart, Model: model, State: st}, judge.Options{})
			if err != nil {
				return 0, 0, err
			}
			st = next
			if round > 0 {
				times = append(times, float64(time.Since(start).Nanoseconds())/1e6)
			}
		}
	}
	runtime.ReadMemStats(&after)
	slices.Sort(times)
	return times[len(times)/2], float64(after.Mallocs-before.Mallocs) / float64(rounds*len(readings)), nil
}

// latency publishes 20 readings a second and times each until its record is stored.
func (w *speedWorld) latency(ctx context.Context, n int) (p50, p99 float64, err error) {
	dir, clean, err := speedDir()
	if err != nil {
		return 0, 0, err
	}
	defer clean()
	if err := w.learn(ctx, dir, false); err != nil {
		return 0, 0, err
	}
	readings, err := w.readings(n, true)
	if err != nil {
		return 0, 0, err
	}
	stored := make(chan time.Time, n)
	wk, err := worker.New(worker.Options{DataDir: dir, Log: zerolog.Nop(), OnRecord: func(*protocol.Record) { stored <- time.Now() }})
	if err != nil {
		return 0, 0, err
	}
	if err := wk.Start(ctx); err != nil {
		return 0, 0, err
	}
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	var ms []float64
	for _, r := range readings {
		<-tick.C
		start := time.Now()
		if _, _, err := station.Publish(ctx, wk.JetStream(), r.reading, r.data); err != nil {
			return 0, 0, joinStop(ctx, wk, err)
		}
		ms = append(ms, float64((<-stored).Sub(start).Nanoseconds())/1e6)
	}
	slices.Sort(ms)
	return ms[len(ms)/2], ms[len(ms)*99/100], joinStop(ctx, wk, nil)
}

func median(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}
