package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"swathkeeper/worker/bus"
	"swathkeeper/worker/station"
)

func init() { trials = append(trials, newSoak, newSoakWorker) }

// soakPlan is what a soak is asked for. It is the first line of its file.
type soakPlan struct {
	Minutes  float64       `json:"minutes"`
	Rate     float64       `json:"rate"` // readings a second
	Idle     time.Duration `json:"idle_ns"`
	Window   time.Duration `json:"window_ns"` // for which the inbox knows the ids of what was sent
	Keep     time.Duration `json:"keep_ns"`   // after which inputs and records are removed; 0: never
	Profiles string        `json:"profiles,omitempty"`
}

func newSoak() *cobra.Command {
	p := soakPlan{}
	var idle float64
	var out, read string
	var asJSON bool
	c := &cobra.Command{
		Use:   "soak",
		Short: "A worker under a steady load for a long time: memory, goroutines and disk",
		Long: `A worker in a process of its own under a steady load of readings with 400 patches,
sync-always. First it is left idle for --idle seconds. Every two seconds its memory,
goroutines and disk are written to the file --out, so that nothing is lost when the soak is
cut short: it then says what it has seen until then, and --read says it again from the file.

Three things fill up once and then no more, and are cut off before a slope is fitted:
 - the ids of the readings sent, by which one that is sent twice is stored once. The inbox
   of a worker knows them for ten minutes, some 130 bytes each: 8 MB at a hundred readings
   a second. --window shortens that, so that less of a soak is cut off.
 - what is kept. A worker removes once a day what is older than 400 days; here what is older
   than --keep is removed once a minute, by the same code, so that a soak is long enough to
   see a store that is full and stays so.
 - the heap of a fresh process, until its garbage collector has found its pace.
The first third is cut off, or more where --window or --keep and two minutes are longer.

Most of the heap are the buffers in which blocks of up to 8 MB go to the disk and come from
it. Some are in use at any time, so the live heap goes up and down by tens of MB within
minutes, and a slope of it says little. All else that the heap holds is therefore counted
alone (kept, from the sampled allocations): whatever is forgotten to be let go shows there.

A slope is fitted to the means of twelve equal stretches, so that its error is that of
samples that follow each other closely. Flat is what surely, with 95 %, grows less than the
bound: of what is kept 16 bytes a reading, so that nothing can be kept of each; of memory
as a whole 130 bytes a reading at equal buffers, and never above the collector's goal of
192 MiB.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			var res *soakResult
			var err error
			if read != "" {
				res, err = readSoak(read)
			} else {
				p.Idle = time.Duration(idle * float64(time.Second))
				if p.Minutes <= 0 || p.Rate <= 0 || p.Idle < 0 || p.Window < time.Second || p.Window > bus.InboxWindow || p.Keep < 0 {
					return fmt.Errorf("--minutes and --rate must be above 0, --idle and --keep at least 0, --window from 1s to %s", bus.InboxWindow)
				}
				res, err = soak(c.Context(), p, out)
			}
			if res == nil {
				return err
			}
			if asJSON {
				if werr := json.NewEncoder(c.OutOrStdout()).Encode(res); err == nil {
					err = werr
				}
			} else {
				fmt.Fprint(c.OutOrStdout(), res.text())
			}
			return err
		},
	}
	c.Flags().Float64Var(&p.Minutes, "minutes", 30, "how long; it sends the readings of this time, and takes longer where the machine cannot keep up")
	c.Flags().Float64Var(&p.Rate, "rate", 100, "readings a second")
	c.Flags().Float64Var(&idle, "idle", 30, "seconds to leave it idle before")
	c.Flags().DurationVar(&p.Window, "window", bus.InboxWindow, "for how long the inbox knows the ids of what was sent; the default is what `run` has, and the most")
	c.Flags().DurationVar(&p.Keep, "keep", 5*time.Minute, "how long inputs and records are kept; 0: nothing is removed")
	c.Flags().StringVar(&p.Profiles, "profiles", "", "folder for heap profiles after the warm-up and at the end")
	c.Flags().StringVar(&out, "out", "soak.jsonl", "file for what is measured, as it is measured")
	c.Flags().StringVar(&read, "read", "", "measure nothing: sum up this file of an earlier soak")
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

// sample is what was seen at one moment. Sizes are in bytes.
type sample struct {
	At         time.Time `json:"at"`
	Phase      string    `json:"phase"`    // begun, idle (at its end) or load
	Resident   float64   `json:"resident"` // memory of the process that lies in the machine's
	Anonymous  float64   `json:"anonymous"`
	Live       float64   `json:"live"`   // heap that the last collection found in use
	Kept       float64   `json:"kept"`   // of it, all but
	Blocks     float64   `json:"blocks"` // the buffers of the file store
	Goroutines float64   `json:"goroutines"`
	CPU        float64   `json:"cpu"` // seconds used
	Stored     float64   `json:"stored"`
	Limit      float64   `json:"limit"`
	Folder     float64   `json:"folder"` // the data folder's files
	Verdicts   float64   `json:"verdicts"`
	Waiting    float64   `json:"waiting"`
	Sent       int       `json:"sent"`
}

// soak runs a soak. Where it was cut short the result is of what was seen until then, beside the error.
func soak(ctx context.Context, p soakPlan, out string) (*soakResult, error) {
	file, err := os.Create(out)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	lines := json.NewEncoder(file)
	if err := lines.Encode(p); err != nil {
		return nil, err
	}
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
	w, err := startSoakWorker(ctx, p, dir)
	if err != nil {
		return nil, err
	}
	defer w.stop()
	nc, js, err := bus.Connect(ctx, bus.ConnectOptions{URL: w.ep.Address, Token: w.ep.Token, Log: zerolog.Nop()})
	if err != nil {
		return nil, err
	}
	defer nc.Close()

	var all []sample
	look := func(phase string, sent int) error {
		s, err := w.look(ctx)
		if err != nil {
			return err
		}
		s.Phase, s.Sent = phase, sent
		all = append(all, s)
		return lines.Encode(s)
	}
	err = func() error {
		if err := look("begun", 0); err != nil {
			return err
		}
		if err := rest(ctx, p.Idle); err != nil {
			return err
		}
		if err := look("idle", 0); err != nil {
			return err
		}
		return underLoad(ctx, p, w, js, world, drawn, look)
	}()
	res, sumErr := sumUp(p, all)
	if sumErr != nil {
		return nil, errors.Join(err, sumErr)
	}
	if err != nil {
		res.CutShort = err.Error()
		err = fmt.Errorf("cut short after %.1f of %.1f minutes; what was seen is in %s: %w", res.Minutes, p.Minutes, out, err)
	}
	return res, err
}

// underLoad sends the readings of a soak at their pace, and looks every two seconds.
func underLoad(ctx context.Context, p soakPlan, w *soakProcess, js jetstream.JetStream, world *speedWorld, drawn []packed, look func(string, int) error) error {
	count := max(1, int(p.Rate*p.Minutes*60))
	sent := make(chan int, count)
	failed := make(chan error, 1)
	sending, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		defer close(sent)
		pace := time.NewTicker(time.Duration(float64(time.Second) / p.Rate))
		defer pace.Stop()
		for i := range count {
			select {
			case <-sending.Done():
				failed <- sending.Err()
				return
			case <-pace.C:
			}
			// A hundred are drawn and sent again and again under new ids and times.
			r := *drawn[i%len(drawn)].reading
			world.at = world.at.Add(time.Minute)
			r.ID, r.TakenAt = uuid.Must(uuid.NewV7()).String(), world.at
			data, err := station.Pack(&r)
			if err == nil {
				_, _, err = station.Publish(sending, js, &r, data)
			}
			if err != nil {
				failed <- err
				return
			}
			sent <- i + 1
		}
	}()
	begun, n, profiled := time.Now(), 0, false
	every := time.NewTicker(2 * time.Second)
	defer every.Stop()
	for {
		select {
		case i, more := <-sent:
			if more {
				n = i
				continue
			}
			select {
			case err := <-failed:
				return err
			default:
			}
			if err := look("load", n); err != nil {
				return err
			}
			return w.profile(ctx, p.Profiles, "late")
		case <-every.C:
		}
		if err := look("load", n); err != nil {
			return err
		}
		if !profiled && time.Since(begun) >= p.warmUp(time.Duration(p.Minutes*float64(time.Minute))) {
			profiled = true
			if err := w.profile(ctx, p.Profiles, "early"); err != nil {
				return err
			}
		}
	}
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

// soakProcess is the worker of a soak, as the trial sees it.
type soakProcess struct {
	cmd   *exec.Cmd
	dir   string
	ep    bus.Endpoint
	debug string // where its profiles are had, HOST:PORT
	input io.WriteCloser
}

func startSoakWorker(ctx context.Context, p soakPlan, dir string) (*soakProcess, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	w := &soakProcess{dir: dir}
	w.cmd = exec.CommandContext(ctx, self, "soak-worker", "--data", dir, "--window", p.Window.String(), "--keep", p.Keep.String())
	w.cmd.Cancel = func() error { return w.cmd.Process.Signal(os.Interrupt) }
	w.cmd.WaitDelay = 30 * time.Second
	w.cmd.Stderr = os.Stderr
	// It ends when its input does: also where this process is killed.
	if w.input, err = w.cmd.StdinPipe(); err != nil {
		return nil, err
	}
	out, err := w.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := w.cmd.Start(); err != nil {
		return nil, err
	}
	if _, err := fmt.Fscanln(out, &w.debug); err != nil { // it says so when it watches
		w.stop()
		return nil, fmt.Errorf("the worker did not start: %w", err)
	}
	if w.ep, err = bus.ReadEndpoint(dir); err != nil {
		w.stop()
		return nil, err
	}
	return w, nil
}

func (w *soakProcess) stop() {
	_ = w.input.Close()
	_ = w.cmd.Wait()
}

func get(ctx context.Context, url string) (*http.Response, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return nil, err
	}
	resp, err := http.DefaultClient.Do(req)
	if err == nil && resp.StatusCode != http.StatusOK {
		resp.Body.Close()
		err = fmt.Errorf("%s: %s", url, resp.Status)
	}
	return resp, err
}

// profile writes a profile of the worker's heap, right after a collection, into a folder.
func (w *soakProcess) profile(ctx context.Context, folder, name string) error {
	if folder == "" {
		return nil
	}
	resp, err := get(ctx, "http://"+w.debug+"/debug/pprof/heap?gc=1")
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	f, err := os.Create(filepath.Join(folder, "heap-"+name+".pprof"))
	if err != nil {
		return err
	}
	_, err = io.Copy(f, resp.Body)
	return errors.Join(err, f.Close())
}

// look reads what the worker says of itself, and the size of its folder.
func (w *soakProcess) look(ctx context.Context) (sample, error) {
	resp, err := get(ctx, "http://"+w.ep.Health+"/metrics")
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
	s := sample{
		At: time.Now(), Resident: sum("process_resident_memory_bytes"), Goroutines: sum("go_goroutines"), CPU: sum("process_cpu_seconds_total"),
		Stored: sum("swathkeeper_store_bytes"), Limit: sum("swathkeeper_store_limit_bytes"), Verdicts: sum("swathkeeper_verdicts_total"), Waiting: sum("swathkeeper_waiting_inputs"),
	}
	inside, err := get(ctx, "http://"+w.debug+"/heap")
	if err != nil {
		return sample{}, err
	}
	defer inside.Body.Close()
	if err := json.NewDecoder(inside.Body).Decode(&s); err != nil {
		return sample{}, err
	}
	s.Anonymous = anonymous(w.cmd.Process.Pid)
	return s, filepath.WalkDir(w.dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return nil //nolint:nilerr // the worker removes files as it goes
		}
		if i, err := d.Info(); err == nil {
			s.Folder += float64(i.Size())
		}
		return nil
	})
}

// anonymous is how much of a process's resident memory is its own and not a file's, which the system
// may take back; 0 where the system does not tell.
func anonymous(pid int) float64 {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0
	}
	for line := range strings.Lines(string(b)) {
		var kb float64
		if _, err := fmt.Sscanf(line, "RssAnon: %f kB", &kb); err == nil {
			return kb * 1024
		}
	}
	return 0
}
