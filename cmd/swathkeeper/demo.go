package main

import (
	"errors"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"swathkeeper/worker/demo"
)

func newDemo() *cobra.Command {
	var o demo.Options
	c := &cobra.Command{
		Use:   "demo",
		Short: "Watch a made-up shop for a week, in about 20 seconds",
		Long: `Watch a made-up shop for a week, in about 20 seconds.

The real worker runs on its own bus in a temporary folder. The shop, its printers and
its troubles are made up and simulated; what the worker says about them is not.`,
		Example: "  swathkeeper demo\n  swathkeeper demo --fast --keep ./demo-data",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			o.Out, o.Version = c.OutOrStdout(), versionText()
			if exe, err := os.Executable(); err == nil && strings.Contains(filepath.ToSlash(exe), "/go-build") {
				o.Self = "go run ./cmd/swathkeeper"
			}
			err := demo.Run(c.Context(), o)
			if held := (*demo.NotEmptyError)(nil); errors.As(err, &held) {
				return usagef("--keep %w", err)
			}
			return err
		},
	}
	c.Flags().BoolVar(&o.Fast, "fast", false, "do not pause between readings")
	c.Flags().StringVar(&o.Dir, "keep", "", "folder to keep the history in (default: a temporary one)")
	return c
}
