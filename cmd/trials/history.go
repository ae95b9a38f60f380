package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/history"
)

func init() { trials = append(trials, newHistoryTrial) }

func newHistoryTrial() *cobra.Command {
	h := historyShop{seed: 9}
	var dir, program string
	c := &cobra.Command{
		Use:   "history",
		Short: "Reading one printer's year out of a large shop's store, with and without a worker",
		Long: `Builds the store of a large made-up shop once, then lets the swathkeeper program read
one printer's year out of it, and list the printers, without a worker and then with one.
It measures the time to the first line, the time to the last one, and the largest
resident memory of the command. Another printer is read each time.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if dir == "" || program == "" {
				return errors.New("give --store FOLDER and --program, a built swathkeeper")
			}
			if err := h.ensure(c.Context(), dir, c); err != nil {
				return err
			}
			if err := h.rows(c.Context(), c, dir); err != nil {
				return err
			}
			fmt.Fprintln(c.OutOrStdout(), "no worker:")
			if err := h.measureAll(c.Context(), c, program, dir); err != nil {
				return err
			}
			return h.withWorker(c.Context(), c, dir, func() error {
				fmt.Fprintln(c.OutOrStdout(), "a worker runs:")
				return h.measureAll(c.Context(), c, program, dir)
			})
		},
	}
	f := c.Flags()
	f.StringVar(&dir, "store", "", "folder of the store; it is built when it is not there")
	f.StringVar(&program, "program", "", "the swathkeeper program to measure")
	f.IntVar(&h.printers, "printers", 1000, "printers")
	f.IntVar(&h.readings, "readings", 1000, "readings of each printer")
	return c
}

// ensure builds the store where it is not there yet.
func (h *historyShop) ensure(ctx context.Context, dir string, c *cobra.Command) error {
	if _, err := os.Stat(filepath.Join(dir, "bus")); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	h.to = time.Now().UTC().Truncate(time.Hour)
	h.from = h.to.AddDate(0, 0, -364)
	start := time.Now()
	n, err := h.build(ctx, dir, func(done int) {
		if done%(100*h.printers) == 0 {
			fmt.Fprintf(c.ErrOrStderr(), "%d records, %s\n", done, time.Since(start).Round(time.Second))
		}
	})
	if err != nil {
		return err
	}
	all := h.printers * h.readings
	fmt.Fprintf(c.OutOrStdout(), "built %d records of %d bytes on average in %s\n", all, n/int64(all), time.Since(start).Round(time.Second))
	return nil
}

// limits lets the store hold the whole shop.
func (h *historyShop) limits() bus.Limits {
	l := bus.DefaultLimits()
	l.Record, l.Rows = 64<<30, 4<<30
	return l
}

// rows makes the rows that are missing.
func (h *historyShop) rows(ctx context.Context, c *cobra.Command, dir string) error {
	return withTrialBus(ctx, dir, h.limits(), func(js jetstream.JetStream) error {
		start := time.Now()
		if err := history.NewClerk(js, zerolog.Nop()).CatchUp(ctx); err != nil {
			return err
		}
		s, err := js.Stream(ctx, protocol.StreamRows)
		if err != nil {
			return err
		}
		st := s.CachedInfo().State
		fmt.Fprintf(c.OutOrStdout(), "%d rows of %d bytes on average, made in %s\n", st.Msgs, st.Bytes/max(st.Msgs, 1), time.Since(start).Round(100*time.Millisecond))
		return nil
	})
}

// withWorker runs a worker on the store while fn works.
func (h *historyShop) withWorker(ctx context.Context, c *cobra.Command, dir string, fn func() error) error {
	debug.SetMemoryLimit(192 << 20) // as run does
	w, err := worker.New(worker.Options{DataDir: dir, Listen: "127.0.0.1:0", Limits: h.limits(), Log: zerolog.Nop()})
	if err != nil {
		return err
	}
	start := time.Now()
	if err := w.Start(ctx); err != nil {
		return err
	}
	fmt.Fprintf(c.OutOrStdout(), "the worker started in %.1f s\n", time.Since(start).Seconds())
	err = fn()
	return errors.Join(err, w.Stop(ctx))
}

func (h *historyShop) measureAll(ctx context.Context, c *cobra.Command, program, dir string) error {
	for i := range 3 {
		if err := measure(ctx, c, program, "history", "--data", dir, "--printer", historyPrinter((i*337+1)%h.printers), "--since", "365d"); err != nil {
			return err
		}
	}
	for range 2 {
		if err := measure(ctx, c, program, "printers", "--data", dir); err != nil {
			return err
		}
	}
	return nil
}

// measure runs the program once.
func measure(ctx context.Context, c *cobra.Command, program string, args ...string) error {
	cmd := exec.CommandContext(ctx, program, args...)
	cmd.Stderr = c.ErrOrStderr()
	out, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	start := time.Now()
	if err := cmd.Start(); err != nil {
		return err
	}
	peak := watchPeak(cmd.Process.Pid)
	var first time.Duration
	lines := 0
	for s := bufio.NewScanner(out); s.Scan(); lines++ {
		if lines == 0 {
			first = time.Since(start)
		}
	}
	memory := peak() // before it is gone
	err = cmd.Wait()
	fmt.Fprintf(c.OutOrStdout(), "  %-8s %4d lines, first after %.2f s, all after %.2f s, %s\n", args[0], lines, first.Seconds(), time.Since(start).Seconds(), memory)
	return err
}
