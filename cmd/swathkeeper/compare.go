package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"swathkeeper/measure/pair"
	"swathkeeper/worker/compare"
	"swathkeeper/worker/station"
)

func newCompare() *cobra.Command {
	var fill station.Fill
	var by, wanted, chart string
	var asJSON bool
	c := &cobra.Command{
		Use:   "compare A B | compare --aim AIM READING...",
		Short: "Compare two measurements of one chart, or rank prints by an aim",
		Long: `Compare two measurements of one chart: CIEDE2000 of each patch, summed up.

` + filesHelp + `

Patches are paired by id where device values agree or are absent, else by name, else by
device values; by position only with --pair position. Ids that are numbered down in one
file and across in the other are noticed. Measuring conditions M0 and M1 are never compared.

With --aim, prints made under several presets are ranked by how near they come to it, and
what each differs in is said. AIM is 'screen', or a file of wanted colours (a characterisation
table, an earlier reading); --chart names the layout that was printed. All prints are held
against the same colours; those beyond what any of them reaches are pulled in.

Exit status: 0 within the shop's tolerances for a chart (mean and 95th percentile), 1 failed
or refused, 2 the command line was wrong, 3 beyond a tolerance.`,
		Example: `  swathkeeper compare monday.txt tuesday.cxf
  swathkeeper compare --json monday.json tuesday.json
  swathkeeper compare --pair device ours.txt theirs.txt
  swathkeeper compare --aim screen --chart pennant-rgb.json deep.json vivid.json plain.json`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if wanted != "" {
				if by != "" {
					return usagef("--pair goes with two measurements, not with --aim")
				}
				return rankByAim(c, wanted, chart, args, fill, asJSON)
			}
			if chart != "" {
				return usagef("--chart goes with --aim")
			}
			if len(args) != 2 {
				return usagef("name two measurements, or give --aim")
			}
			switch by {
			case "", pair.ByID, pair.ByName, pair.ByDevice, pair.ByPosition:
			default:
				return usagef("--pair %q: it is id, name, device or position", by)
			}
			if err := checkMode(fill.Mode); err != nil {
				return err
			}
			return compareTwo(c, args[0], args[1], by, fill, asJSON)
		},
	}
	c.Flags().StringVar(&by, "pair", "", "pair by id, name, device or position (default: what the evidence allows)")
	c.Flags().StringVar(&wanted, "aim", "", "rank prints by this aim: screen, or a file of wanted colours")
	c.Flags().StringVar(&chart, "chart", "", "layout file of the chart, with --aim")
	c.Flags().StringVar(&fill.Mode, "mode", "", "take the measurements of this condition, M0 to M3, where a file has several")
	addTableFlag(c, &fill)
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object")
	return c
}

// compareTwo compares two files, and gives errFound when they differ by more than a tolerance.
func compareTwo(c *cobra.Command, first, second, by string, fill station.Fill, asJSON bool) error {
	cfg, err := loadConfig(c)
	if err != nil {
		return err
	}
	a, err := oneMeasurement(first, fill)
	if err != nil {
		return err
	}
	b, err := oneMeasurement(second, fill)
	if err != nil {
		return err
	}
	r, err := compare.Compare(a, b, by)
	if err != nil {
		return err
	}
	beyond := r.Beyond(cfg.judgeOptions().Drift.WithDefaults().Tolerances)
	if asJSON {
		// One object; what the files' readers had to say goes to standard error.
		warn(c.ErrOrStderr(), a.Name, a.Warnings)
		warn(c.ErrOrStderr(), b.Name, b.Warnings)
		err = writeJSON(c, r)
	} else {
		r.Warnings = append(r.Warnings, prefixed(a.Name, a.Warnings)...)
		r.Warnings = append(r.Warnings, prefixed(b.Name, b.Warnings)...)
		err = printComparison(c, r, beyond)
	}
	if err == nil && len(beyond) > 0 {
		err = errFound
	}
	return err
}

func prefixed(name string, texts []string) []string {
	out := make([]string, len(texts))
	for i, t := range texts {
		out[i] = name + ": " + t
	}
	return out
}

func printComparison(c *cobra.Command, r compare.Result, beyond []string) error {
	out := c.OutOrStdout()
	fmt.Fprintf(out, "%d patches, paired by %s\n", r.N, r.PairedBy)
	fmt.Fprintf(out, "mean %.2f, median %.2f, 95 of 100 patches below %.2f, largest %.2f dE00 (%s)\n", r.MeanDE00, r.MedianDE00, r.P95DE00, r.MaxDE00, onScreen(r.WorstPatch))
	if r.WhiteDE00 != nil {
		fmt.Fprintf(out, "lightest patch %.2f dE00\n", *r.WhiteDE00)
	}
	for _, text := range r.Warnings {
		fmt.Fprintf(out, "note: %s\n", onScreen(text))
	}
	if len(beyond) == 0 {
		_, err := fmt.Fprintln(out, "within the tolerances for a chart")
		return err
	}
	for _, text := range beyond {
		fmt.Fprintln(out, text)
	}
	return nil
}
