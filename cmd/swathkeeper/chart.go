package main

import (
	"errors"
	"fmt"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/station"
)

func newChart() *cobra.Command {
	c := &cobra.Command{
		Use:   "chart",
		Short: "Charts: draw one to print, make its layout known, list, show",
		Args:  cobra.NoArgs,
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newChartAdd(), newChartList(), newChartShow())
	for _, sub := range extraChart {
		c.AddCommand(sub())
	}
	return c
}

// extraChart holds subcommands of chart that other files of this package add.
var extraChart []func() *cobra.Command

func newChartAdd() *cobra.Command {
	var id string
	var asJSON bool
	c := &cobra.Command{
		Use:   "add FILE",
		Short: "Make a chart layout known to the worker",
		Long: `Make a chart layout known to the worker.

FILE is a layout, or a list of device values in an exchange format: that becomes a
layout without geometry, which is enough to watch colours.`,
		Example: "  swathkeeper chart add pennant-cmyk.71ae1a55.json\n  swathkeeper chart add --id pennant-cmyk devices.txt",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if id != "" {
				if err := needToken("id", id); err != nil {
					return err
				}
			}
			layout, err := station.ReadLayout(args[0], id)
			if err != nil {
				return err
			}
			return withStores(c, func(s *bus.Stores) error {
				if err := s.PutChart(c.Context(), layout); err != nil {
					return err
				}
				if asJSON {
					return writeJSON(c, layout)
				}
				_, err := fmt.Fprintf(c.OutOrStdout(), "chart %s added: %d patches, %d strips, channels %s\n", chartName(layout), len(layout.Patches), len(layout.Strips), strings.Join(layout.Channels, " "))
				return err
			})
		},
	}
	c.Flags().StringVar(&id, "id", "", "id of the chart, where the file does not say (default: the file's name)")
	c.Flags().BoolVar(&asJSON, "json", false, "print the layout as JSON")
	return c
}

func newChartList() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:     "list",
		Short:   "List the known chart layouts",
		Example: "  swathkeeper chart list",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			return withStores(c, func(s *bus.Stores) error {
				// What can be read is listed; what cannot is told after it.
				charts, damaged := s.Charts(c.Context())
				if asJSON {
					for _, l := range charts {
						if err := writeJSON(c, l); err != nil {
							return err
						}
					}
					return damaged
				}
				if len(charts) == 0 && damaged != nil {
					return damaged
				}
				if len(charts) == 0 {
					_, err := fmt.Fprintln(c.OutOrStdout(), "no chart is known yet; add one with `swathkeeper chart add FILE`")
					return err
				}
				w := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
				fmt.Fprintln(w, "chart\tedition\tpatches\tstrips\tchannels\tdriven by")
				for _, l := range charts {
					fmt.Fprintf(w, "%s\t%s\t%d\t%d\t%s\t%s\n", l.ID, l.Edition, len(l.Patches), len(l.Strips), strings.Join(l.Channels, " "), l.Driven)
				}
				return errors.Join(w.Flush(), damaged)
			})
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print one layout a line as JSON")
	return c
}

func newChartShow() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:     "show ID[.EDITION]",
		Short:   "Show one chart layout",
		Example: "  swathkeeper chart show pennant-cmyk\n  swathkeeper chart show pennant-cmyk.a1b2c3d4 --json",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return withStores(c, func(s *bus.Stores) error {
				l, err := findChart(c, s, args[0])
				if err != nil {
					return err
				}
				if asJSON {
					return writeJSON(c, l)
				}
				return printChart(c, l)
			})
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print the layout as JSON")
	return c
}

// findChart gives the one layout of a name; several editions need the edition.
func findChart(c *cobra.Command, s *bus.Stores, name string) (*protocol.Chart, error) {
	charts, damaged := s.Charts(c.Context())
	var found []*protocol.Chart
	var all []string
	for _, l := range charts {
		if chartName(l) == name {
			return l, nil
		}
		if l.ID == name {
			found = append(found, l)
			all = append(all, chartName(l))
		}
	}
	switch len(found) {
	case 0:
		if damaged != nil {
			return nil, fmt.Errorf("no chart %s can be read: %w", name, damaged)
		}
		return nil, fmt.Errorf("no chart %s is known; `swathkeeper chart list` shows those that are, and `swathkeeper chart add FILE` makes one known", name)
	case 1:
		return found[0], nil
	}
	return nil, fmt.Errorf("chart %s has several editions; name one of %s", name, strings.Join(all, ", "))
}

func chartName(l *protocol.Chart) string {
	if l.Edition == "" {
		return l.ID
	}
	return l.ID + "." + l.Edition
}

func printChart(c *cobra.Command, l *protocol.Chart) error {
	w := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "chart\t%s\n", chartName(l))
	fmt.Fprintf(w, "channels\t%s, driven by %s values\n", strings.Join(l.Channels, " "), l.Driven)
	if len(l.SizeMM) == 2 {
		fmt.Fprintf(w, "size\t%g x %g mm, paper feed along %s\n", l.SizeMM[0], l.SizeMM[1], l.FeedAxis)
	}
	if l.StepMM > 0 {
		fmt.Fprintf(w, "paper step\t%g mm, %d passes\n", l.StepMM, l.Passes)
	}
	if l.NozzlePitchUM > 0 {
		fmt.Fprintf(w, "head\t%d nozzles, %.1f µm apart\n", l.Nozzles, l.NozzlePitchUM)
	}
	fmt.Fprintf(w, "patches\t%d\n", len(l.Patches))
	for _, p := range l.Patches {
		if p.House != "" {
			fmt.Fprintf(w, "house colour\t%s: patch %s\n", p.House, p.ID)
		}
	}
	for _, s := range l.Strips {
		what := "nothing printed"
		if s.Channel != "" {
			what = fmt.Sprintf("%s at %g %%", s.Channel, s.TintPercent)
		}
		fmt.Fprintf(w, "strip\t%s: %s, %g x %g mm\n", s.ID, what, s.WMM, s.HMM)
	}
	return w.Flush()
}

// withStores runs fn with the stores of the bus.
func withStores(c *cobra.Command, fn func(*bus.Stores) error) error {
	cl, err := connect(c)
	if err != nil {
		return err
	}
	defer cl.close()
	if cl.embed != nil {
		// The store was opened by this command itself; the worker that will run on it later finds
		// what was made here.
		if err := bus.Provision(c.Context(), cl.js, bus.DefaultLimits()); err != nil {
			return err
		}
	}
	s, err := bus.OpenStores(c.Context(), cl.js)
	if err != nil {
		return err
	}
	defer s.Close()
	return fn(s)
}
