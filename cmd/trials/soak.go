package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime/debug"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	"github.com/rs/zerolog"
	"github.com/spf13/cobra"
	"gonum.org/v1/gonum/stat"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/station"
)

func init() { trials = append(trials, newSoak, newSoakWorker) }

// soakResult is what a soak measured, of a worker in a process of its own.
type soakResult struct {
	Minutes  float64 `json:"minutes"`
	Window   float64 `json:"window"` // minutes for which the inbox knew the ids of what was sent
	Ids      int     `json:"ids"`    // that it knew at the end
	Rate     float64 `json:"rate"`   // readings a second that were sent
	Readings int     `json:"readings"`
	Verdicts float64 `json:"verdicts"`
	Waiting  float64 `json:"waiting"` // inputs without a record at the end

	IdleMB         float64 `json:"idle_mb"`          // resident memory before any reading
	IdleCPUPercent float64 `json:"idle_cpu_percent"` // of one core

	// Over the second half of the soak, so that what fills up once does not count as growth.
	MemoryMB           float64 `json:"memory_mb"` // mean resident memory
	MemoryMBPerHour    slope   `json:"memory_mb_per_hour"`
	LiveMBPerHour      slope   `json:"live_mb_per_hour"` // of the program's own data that a collection leaves
	LiveMB             float64 `json:"live_mb"`
	GoroutinesPerHour  slope   `json:"goroutines_per_hour"`
	DiskBytesPerRecord float64 `json:"disk_bytes_per_record"`
	DiskMB             float64 `json:"disk_mb"` // of the data folder at the end
	LimitMB            float64 `json:"limit_mb"`
	CPUPercent         float64 `json:"cpu_percent"`
}

// slope is a fitted slope and its standard error.
type slope struct {
	Value float64 `json:"value"`
	SE    float64 `json:"se"`
}

func (s slope) String() string { return fmt.Sprintf("%+.2f (se %.2f)", s.Value, s.SE) }

func newSoak() *cobra.Command {
	var minutes, rate, idle float64
	var window time.Duration
	var asJSON bool
	c := &cobra.Command{
		Use:   "soak",
		Short: "A worker under a steady load for a long time: memory, goroutines and disk",
		Long: `A worker in a process of its own under a steady load of readings with 400 patches,
sync-always. First it is left idle for --idle seconds. Memory and goroutines are sampled
every two seconds through /metrics, and straight lines are fitted to the second half.

The inbox knows the id of every reading for two hours, so that one that is sent twice is
stored once: some 130 bytes each, a megabyte at one reading a second, 90 at a hundred.
That grows for two hours and then no more. To see whether anything else grows, shorten it
by --window to less than half of the soak.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if minutes <= 0 || rate <= 0 || idle < 0 || window < time.Second {
				return errors.New("--minutes and --rate must be above 0, --idle at least 0, --window at least 1s")
			}
			res, err := soak(c.Context(), time.Duration(minutes*float64(time.Minute)), rate, time.Duration(idle*float64(time.Second)), window)
			if err != nil {
				return err
			}
			if asJSON {
				return json.NewEncoder(c.OutOrStdout()).Encode(res)
			}
			fmt.Fprint(c.OutOrStdout(), res.text())
			return nil
		},
	}
	c.Flags().Float64Var(&minutes, "minutes", 30, "how long")
	c.Flags().Float64Var(&rate, "rate", 100, "readings a second")
	c.Flags().Float64Var(&idle, "idle", 30, "seconds to leave it idle before")
	c.Flags().DurationVar(&window, "window", 2*time.Hour, "for how long the inbox knows the ids of what was sent; the default is what `run` has")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

func (r *soakResult) text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "idle: %.1f MB resident, %.2f %% of a core\n", r.IdleMB, r.IdleCPUPercent)
	fmt.Fprintf(&b, "%.1f min, %.1f readings/s sent, %d readings, %.0f verdicts, %.0f waiting at the end\n", r.Minutes, r.Rate, r.Readings, r.Verdicts, r.Waiting)
	fmt.Fprintf(&b, "second half: %.1f MB resident, %.1f %% of a core\n", r.MemoryMB, r.CPUPercent)
	fmt.Fprintf(&b, "slopes an hour: resident %s MB, live %s MB of %.1f, goroutines %s\n", r.MemoryMBPerHour, r.LiveMBPerHour, r.LiveMB, r.GoroutinesPerHour)
	fmt.Fprintf(&b, "ids that the inbox knows: those of the last %.0f min, %d at the end\n", r.Window, r.Ids)
	fmt.Fprintf(&b, "disk: %.0f MB of at most %.0f MB, %.0f bytes a reading and its record\n", r.DiskMB, r.LimitMB, r.DiskBytesPerRecord)
	return b.String()
}

// newSoakWorker is the worker's own process. The limits are small enough that a long soak reaches
// them where nothing is removed.
func newSoakWorker() *cobra.Command {
	var dir string
	var window time.Duration
	c := &cobra.Command{Use: "soak-worker", Hidden: true, Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error {
		debug.SetMemoryLimit(192 << 20) // as `run` has it
		ctx, stop := signal.NotifyContext(c.Context(), os.Interrupt)
		defer stop()
		if err := knowIDsFor(ctx, dir, window); err != nil {
			return err
		}
		w, err := worker.New(worker.Options{DataDir: dir, Listen: "127.0.0.1:0", Health: "127.0.0.1:0", Log: zerolog.New(c.ErrOrStderr()).Level(zerolog.WarnLevel)})
		if err != nil {
			return err
		}
		if err := w.Start(ctx); err != nil {
			return err
		}
		fmt.Fprintln(c.OutOrStdout(), "watching")
		return w.Wait(ctx)
	}}
	c.Flags().StringVar(&dir, "data", "", "data folder")
	c.Flags().DurationVar(&window, "window", 2*time.Hour, "for how long the inbox knows ids")
	return c
}

// knowIDsFor sets for how long the inbox of a data folder knows the ids of what was sent. A server that
// runs goes on by the old time until that has passed (its timer is set before the new time is), so this
// is done before the worker is started.
func knowIDsFor(ctx context.Context, dir string, window time.Duration) error {
	e, err := bus.StartEmbedded(ctx, bus.EmbeddedOptions{Dir: dir, MaxStore: bus.DefaultLimits().Total(), Log: zerolog.Nop()})
	if err != nil {
		return err
	}
	defer e.Stop()
	nc, js, err := bus.Connect(ctx, bus.ConnectOptions{Embedded: e, Log: zerolog.Nop()})
	if err != nil {
		return err
	}
	defer nc.Close()
	s, err := js.Stream(ctx, protocol.StreamInbox)
	if err != nil {
		return err
	}
	conf := s.CachedInfo().Config
	conf.Duplicates = window
	_, err = js.UpdateStream(ctx, conf)
	return err
}

// sample is what /metrics said at one moment.
type sample struct {
	at                               time.Time
	resident, live, goroutines, cpu  float64
	stored, limit, verdicts, waiting float64
}

func soak(ctx context.Context, length time.Duration, rate float64, idle, window time.Duration) (*soakResult, error) {
	dir, clean, err := speedDir()
	if err != nil {
		return nil, err
	}
	defer clean()
	world, err := newSpeedWorld()
	if err != nil {
		return nil, err
	}
	if err := world.learn(ctx, dir, false); err != nil {
		return nil, err
	}
	drawn, err := world.readings(100, false)
	if err != nil {
		return nil, err
	}
	count := max(1, int(rate*length.Seconds()))
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	cmd := exec.CommandContext(ctx, self, "soak-worker", "--data", dir, "--window", window.String())
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	defer func() {
		_ = cmd.Process.Signal(os.Interrupt)
		_ = cmd.Wait()
	}()
	if _, err := out.Read(make([]byte, 64)); err != nil { // it says when it watches
		return nil, fmt.Errorf("the worker did not start: %w", err)
	}
	ep, err := bus.ReadEndpoint(dir)
	if err != nil {
		return nil, err
	}
	nc, js, err := bus.Connect(ctx, bus.ConnectOptions{URL: ep.Address, Token: ep.Token, Log: zerolog.Nop()})
	if err != nil {
		return nil, err
	}
	defer nc.Close()
	res := &soakResult{}
	look := func() (sample, error) { return readSample(ctx, ep.Health) }
	before, err := look()
	if err != nil {
		return nil, err
	}
	if err := rest(ctx, idle); err != nil {
		return nil, err
	}
	start, err := look()
	if err != nil {
		return nil, err
	}
	res.IdleMB = start.resident / 1e6
	if d := start.at.Sub(before.at).Seconds(); d > 1 {
		res.IdleCPUPercent = 100 * (start.cpu - before.cpu) / d
	}

	sendErr := make(chan error, 1)
	begun := time.Now()
	go func() {
		pace := time.NewTicker(time.Duration(float64(time.Second) / rate))
		defer pace.Stop()
		for i := range count {
			select {
			case <-ctx.Done():
				sendErr <- ctx.Err()
				return
			case <-pace.C:
			}
			// A hundred are drawn and sent again and again under new ids and times.
			r := *drawn[i%len(drawn)].reading
			world.at = world.at.Add(time.Minute)
			r.ID, r.TakenAt = uuid.Must(uuid.NewV7()).String(), world.at
			data, err := station.Pack(&r)
			if err == nil {
				_, _, err = station.Publish(ctx, js, &r, data)
			}
			if err != nil {
				sendErr <- err
				return
			}
			res.Readings = i + 1
		}
		sendErr <- nil
	}()
	var samples []sample
	every := time.NewTicker(2 * time.Second)
	defer every.Stop()
	for done := false; !done; {
		select {
		case err := <-sendErr:
			if err != nil {
				return nil, err
			}
			done = true
		case <-every.C:
		}
		s, err := look()
		if err != nil {
			return nil, err
		}
		samples = append(samples, s)
	}
	res.Minutes, res.Rate = time.Since(begun).Minutes(), float64(res.Readings)/time.Since(begun).Seconds()
	res.Window = window.Minutes()
	res.Ids = min(res.Readings, int(res.Rate*window.Seconds()))
	return res, res.sumUp(samples, start, dir)
}

func rest(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

func (r *soakResult) sumUp(all []sample, start sample, dir string) error {
	half := all[len(all)/2:]
	if len(half) < 3 {
		return errors.New("too few samples for a slope: make it longer")
	}
	last := half[len(half)-1]
	r.Verdicts, r.Waiting = last.verdicts-start.verdicts, last.waiting
	var hours, resident, live, goroutines []float64
	for _, s := range half {
		hours = append(hours, s.at.Sub(half[0].at).Hours())
		resident = append(resident, s.resident/1e6)
		live = append(live, s.live/1e6)
		goroutines = append(goroutines, s.goroutines)
	}
	r.MemoryMB = stat.Mean(resident, nil)
	r.LiveMB = stat.Mean(live, nil)
	r.MemoryMBPerHour, r.LiveMBPerHour, r.GoroutinesPerHour = fitSlope(hours, resident), fitSlope(hours, live), fitSlope(hours, goroutines)
	r.CPUPercent = 100 * (last.cpu - half[0].cpu) / last.at.Sub(half[0].at).Seconds()
	r.LimitMB = last.limit / 1e6
	if r.Verdicts > 0 {
		r.DiskBytesPerRecord = (last.stored - start.stored) / r.Verdicts
	}
	return filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return nil //nolint:nilerr // the worker removes files as it goes
		}
		if i, err := d.Info(); err == nil {
			r.DiskMB += float64(i.Size()) / 1e6
		}
		return nil
	})
}

// fitSlope is the least-squares slope of y on x and its standard error; the samples follow each other
// closely, so that the true error is larger than this one, which takes them as independent.
func fitSlope(x, y []float64) slope {
	a, b := stat.LinearRegression(x, y, nil, false)
	mx, sxx, rss := stat.Mean(x, nil), 0.0, 0.0
	for i := range x {
		sxx += (x[i] - mx) * (x[i] - mx)
		e := y[i] - a - b*x[i]
		rss += e * e
	}
	return slope{b, math.Sqrt(rss / float64(len(x)-2) / sxx)}
}

func readSample(ctx context.Context, address string) (sample, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+address+"/metrics", nil)
	if err != nil {
		return sample{}, err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return sample{}, err
	}
	defer resp.Body.Close()
	p := expfmt.NewTextParser(model.UTF8Validation)
	families, err := p.TextToMetricFamilies(resp.Body)
	if err != nil {
		return sample{}, err
	}
	sum := func(name string) float64 {
		total := 0.0
		for _, m := range families[name].GetMetric() {
			total += m.GetGauge().GetValue() + m.GetCounter().GetValue()
		}
		return total
	}
	// The next collection is due when what the last one left has grown by GOGC percent; what is in use
	// at a moment says how long ago that was, and little else.
	return sample{
		at: time.Now(), resident: sum("process_resident_memory_bytes"), live: sum("go_memstats_next_gc_bytes") / (1 + sum("go_gc_gogc_percent")/100), goroutines: sum("go_goroutines"), cpu: sum("process_cpu_seconds_total"),
		stored: sum("swathkeeper_store_bytes"), limit: sum("swathkeeper_store_limit_bytes"), verdicts: sum("swathkeeper_verdicts_total"), waiting: sum("swathkeeper_waiting_inputs"),
	}, nil
}
