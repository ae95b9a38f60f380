package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/handclock"
	"swathkeeper/worker/station"
)

func newDemo() *cobra.Command {
	var fast bool
	var keep string
	c := &cobra.Command{
		Use:   "demo",
		Short: "Watch a made-up shop for a week, in about 20 seconds",
		Long: `Watch a made-up shop for a week, in about 20 seconds.

The real worker runs on its own bus in a temporary folder. The shop, its printers and
its troubles are made up and simulated; what the worker says about them is not.`,
		Example: "  swathkeeper demo\n  swathkeeper demo --fast --keep ./demo-data",
		Args:    cobra.NoArgs,
		RunE:    func(c *cobra.Command, _ []string) error { return runDemo(c, keep, fast) },
	}
	c.Flags().BoolVar(&fast, "fast", false, "do not pause between readings")
	c.Flags().StringVar(&keep, "keep", "", "folder to keep the history in (default: a temporary one)")
	return c
}

// demoPause is the time between two readings, so that a person can follow.
const demoPause = 240 * time.Millisecond

func inOrder(steps []demoStep) []demoStep {
	slices.SortStableFunc(steps, func(a, b demoStep) int { return cmp.Or(cmp.Compare(a.day, b.day), cmp.Compare(a.hour, b.hour)) })
	return steps
}

// demoRun is a demo under way.
type demoRun struct {
	out     io.Writer
	w       *worker.Worker
	clock   *handclock.Clock
	shop    *demoShop
	records chan *protocol.Record
	pause   time.Duration
	lots    map[string]map[string]string
}

func runDemo(c *cobra.Command, keep string, fast bool) (err error) {
	ctx := c.Context()
	dir := keep
	if dir == "" {
		if dir, err = os.MkdirTemp("", "swathkeeper-demo-"); err != nil {
			return err
		}
	} else if entries, err := os.ReadDir(dir); err == nil && len(entries) > 0 {
		return usagef("--keep %s: the folder is not empty", dir)
	}
	d := &demoRun{
		out: c.OutOrStdout(), clock: handclock.New(demoMonday),
		records: make(chan *protocol.Record, 1024), pause: demoPause, lots: map[string]map[string]string{},
	}
	if fast {
		d.pause = 0
	}
	if d.shop, err = newDemoShop(demoPrinters...); err != nil {
		return err
	}
	o := worker.Options{
		DataDir: dir, Clock: d.clock, Log: zerolog.Nop(), Version: versionText(),
		OnRecord: func(r *protocol.Record) { d.records <- r },
	}
	o.Alert.Zone = demoMonday.Location()
	o.Alert.RemindStop = 24 * time.Hour // a week in 20 seconds has no room for more
	if d.w, err = worker.New(o); err != nil {
		return err
	}
	fmt.Fprintln(d.out, "The Quay Street pennant works: three printers, a heat press, a bench where charts are read.")
	fmt.Fprintln(d.out, "The shop is made up and its charts are simulated; the worker that watches it is the real one.")
	if err := d.w.Start(ctx); err != nil {
		return err
	}
	defer func() {
		stopCtx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 15*time.Second)
		defer cancel()
		err = errors.Join(err, d.w.Stop(stopCtx))
	}()
	if err := d.play(ctx); err != nil {
		return err
	}
	d.close(dir)
	return nil
}

// play goes through the script.
func (d *demoRun) play(ctx context.Context) error {
	stores, err := bus.OpenStores(ctx, d.w.JetStream())
	if err != nil {
		return err
	}
	defer stores.Close()
	if err := stores.PutChart(ctx, d.shop.layout); err != nil {
		return err
	}
	fmt.Fprintf(d.out, "\nThe week before: fifteen charts of each printer are read on five days and said to be good.\n")
	learned, watching := 0, false
	for _, s := range demoScript() {
		rec, err := d.step(ctx, s)
		if err != nil {
			return err
		}
		if s.day < firstWatched {
			if learned++; learned%6 == 0 {
				fmt.Fprint(d.out, ".")
			}
			if rec.Baseline != nil && rec.Baseline.Do == protocol.BaselineAccept {
				fmt.Fprintf(d.out, "\n  %s", rec.Text)
				learned = 0
			}
			if rec.Refusal != nil {
				return fmt.Errorf("demo: %s", rec.Text)
			}
			continue
		}
		if !watching {
			watching = true
			fmt.Fprintln(d.out)
		}
		if s.say != "" {
			fmt.Fprintf(d.out, "\n%s\n", s.say)
		}
		d.show(rec)
		if err := d.rest(ctx); err != nil {
			return err
		}
	}
	return nil
}

// rest lets the reader read.
func (d *demoRun) rest(ctx context.Context) error {
	if d.pause == 0 {
		return nil
	}
	t := time.NewTimer(d.pause)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// step sends one reading or note and waits for its record.
func (d *demoRun) step(ctx context.Context, s demoStep) (*protocol.Record, error) {
	at := s.at()
	d.clock.Set(at.Add(time.Minute))
	js := d.w.JetStream()
	var seq uint64
	if s.note != nil {
		n := *s.note
		n.Schema, n.ID, n.At, n.Site, n.Printer = protocol.SchemaNote, demoID(d.shop.rng, at), at, "quay", s.printer
		if j := n.Journal; j != nil && j.What == protocol.DidInk {
			d.lots[s.printer] = map[string]string{j.Channel: j.Lot}
		}
		got, err := station.PublishNote(ctx, js, &n)
		if err != nil {
			return nil, err
		}
		seq = got
	} else {
		r, err := d.shop.read(s.printer, s.day, at, s.fault, d.lots[s.printer])
		if err != nil {
			return nil, err
		}
		data, err := station.Pack(r)
		if err != nil {
			return nil, err
		}
		if seq, _, err = station.Publish(ctx, js, r, data); err != nil {
			return nil, err
		}
	}
	for {
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case rec := <-d.records:
			if rec.InboxSeq == seq {
				return rec, nil
			}
			d.show(rec) // a timer's
		case <-time.After(30 * time.Second):
			return nil, fmt.Errorf("demo: the worker did not answer")
		}
	}
}

// show prints a record as a line, and what chat would say as a box.
func (d *demoRun) show(r *protocol.Record) {
	zone := demoMonday.Location()
	fmt.Fprintf(d.out, "  %s  %s\n", r.At.In(zone).Format("Mon 15:04"), r.Text)
	for _, text := range chatTexts(r, zone) {
		fmt.Fprintln(d.out, "    +--")
		for _, line := range strings.Split(strings.TrimSpace(text), "\n") {
			fmt.Fprintf(d.out, "    | %s\n", line)
		}
		fmt.Fprintln(d.out, "    +--")
	}
}

func (d *demoRun) close(dir string) {
	self := "swathkeeper"
	if exe, err := os.Executable(); err == nil && strings.Contains(filepath.ToSlash(exe), "/go-build") {
		self = "go run ./cmd/swathkeeper"
	}
	fmt.Fprintf(d.out, "\nThat was the week. Its history is in %s; look at it with\n", dir)
	fmt.Fprintf(d.out, "  %s history --data %s --changes\n", self, dir)
	fmt.Fprintf(d.out, "  %s history --data %s --printer heron --last 20\n", self, dir)
	fmt.Fprintf(d.out, "  %s baseline list --data %s\n", self, dir)
}
