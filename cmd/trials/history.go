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
	"time"

	"github.com/spf13/cobra"
)

func init() { trials = append(trials, newHistoryTrial) }

func newHistoryTrial() *cobra.Command {
	h := historyShop{seed: 9}
	var dir, program string
	c := &cobra.Command{
		Use:   "history",
		Short: "Reading one printer's year out of a large shop's store, no worker running",
		Long: `Builds the store of a large made-up shop once, then lets the swathkeeper program read
one printer's year out of it and measures the time to the first line, the time to the
last one, and the largest resident memory. Another printer is read each time.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if dir == "" || program == "" {
				return errors.New("give --store FOLDER and --program, a built swathkeeper")
			}
			if err := h.ensure(c.Context(), dir, c); err != nil {
				return err
			}
			for i := range 3 {
				if err := h.measure(c.Context(), c, program, dir, historyPrinter((i*337+1)%h.printers)); err != nil {
					return err
				}
			}
			return nil
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

// measure reads one printer's year with the program.
func (h *historyShop) measure(ctx context.Context, c *cobra.Command, program, dir, printer string) error {
	cmd := exec.CommandContext(ctx, program, "history", "--data", dir, "--printer", printer, "--since", "365d")
	cmd.Stderr = c.ErrOrStderr()
	out, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	start := time.Now()
	if err := cmd.Start(); err != nil {
		return err
	}
	var first time.Duration
	lines := 0
	for s := bufio.NewScanner(out); s.Scan(); lines++ {
		if lines == 0 {
			first = time.Since(start)
		}
	}
	err = cmd.Wait()
	fmt.Fprintf(c.OutOrStdout(), "%s: %d lines, first after %.2f s, all after %.2f s, %s\n", printer, lines, first.Seconds(), time.Since(start).Seconds(), peak(cmd.ProcessState))
	return err
}
