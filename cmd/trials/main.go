// Command trials runs seeded trials of the detectors on made-up printers and writes what it
// measured, with tables and plots, into measure/TRIALS.md.
//
// Every figure it writes comes from simulation and says so. A trial owns one section of the
// page, between two marker comments, so that running one leaves the others as they are.
package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"

	"github.com/spf13/cobra"
)

// trials holds the subcommands; each trial's file adds its own.
var trials []func() *cobra.Command

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	root := &cobra.Command{
		Use:           "trials",
		Short:         "Seeded trials of the detectors on made-up printers",
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	for _, t := range trials {
		root.AddCommand(t())
	}
	if err := root.ExecuteContext(ctx); err != nil {
		fmt.Fprintf(os.Stderr, "trials: %v\n", err)
		os.Exit(1)
	}
}
