package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker/judge"
	"swathkeeper/worker/limited"
	"swathkeeper/worker/station"
)

func newJudge() *cobra.Command {
	var layout, baselines string
	var asJSON bool
	var fill station.Fill
	c := &cobra.Command{
		Use:   "judge --chart LAYOUT --baseline FILE[,FILE] FILE...",
		Short: "Judge readings in files, without a worker",
		Long: `Judge readings in files, without a worker.

A baseline file is what 'baseline show --json' prints, or known-good readings to
learn one from. The readings are taken in the order of the files and of their lines;
the state goes from one to the next, for each site, printer and series by itself.
Exit status 3: one of them is at act or worse.`,
		Example: "  swathkeeper judge --chart pennant-cmyk.json --baseline good.jsonl today.json\n  swathkeeper judge --chart pennant-cmyk.json --baseline heron.json --json week.jsonl",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if layout == "" || baselines == "" {
				return usagef("give --chart and --baseline; see `swathkeeper judge --help`")
			}
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			chart, err := station.ReadLayout(layout, "")
			if err != nil {
				return err
			}
			if fill.Chart == "" {
				fill.Chart = layout
			}
			bench := judge.NewBench(chart, cfg.judgeOptions())
			for _, name := range fileNames(baselines) {
				if err := addBaseline(bench, name, fill); err != nil {
					return err
				}
			}
			if err := bench.Ready(); err != nil {
				return err
			}
			found := false
			for _, name := range args {
				readings, err := station.ReadFile(name, fill)
				if err != nil {
					return err
				}
				for _, r := range readings {
					v, err := bench.Judge(r)
					if err != nil {
						return fmt.Errorf("%s: reading %s: %w", name, r.ID, err)
					}
					found = found || v.Outcome == protocol.LevelAct || v.Outcome == protocol.LevelStop
					if asJSON {
						err = writeJSON(c, v)
					} else {
						err = printVerdict(c.OutOrStdout(), v)
					}
					if err != nil {
						return err
					}
				}
			}
			if found {
				return errFound
			}
			return nil
		},
	}
	c.Flags().StringVar(&baselines, "baseline", "", "baseline files, separated by commas")
	c.Flags().BoolVar(&asJSON, "json", false, "print one verdict a line as JSON")
	addFillFlags(c, &fill)
	c.Flags().Lookup("chart").Usage = "layout file of the chart"
	c.PreRun = func(*cobra.Command, []string) { layout, fill.Chart = fill.Chart, "" }
	return c
}

// addBaseline adds a frozen baseline, or readings to learn from.
func addBaseline(b *judge.Bench, name string, fill station.Fill) error {
	data, err := limited.Read(name, protocol.MaxBaseline)
	if err != nil {
		return err
	}
	if frozen, err := judge.DecodeBaseline(data); err == nil {
		return b.AddBaseline(frozen)
	}
	readings, err := station.ReadFile(name, fill)
	if err != nil {
		return err
	}
	for _, r := range readings {
		if err := b.AddGood(r); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	return nil
}
