package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
)

func init() { trials = append(trials, newAll) }

// allParts are the commands that make the page, in its order. Their sizes are chosen so that all of them
// take less than a quarter of an hour on two cores that do nothing else.
func allParts(page string) [][]string {
	return [][]string{
		{"speed", "--readings", "1500", "--rounds", "3", "--write", page}, // first: the machine is as quiet as it will be
		{"scaling", "--write", page},
		{"colour", "--shops", "60", "--write", page},
		{"lines", "--page", page},
		{"settings", "--shops", "100", "--write", page},
	}
}

// allBudget is how long a rebuild of the page may take.
const allBudget = 15 * time.Minute

func newAll() *cobra.Command {
	page := filepath.Join("measure", "TRIALS.md")
	var only []string
	c := &cobra.Command{
		Use:   "all",
		Short: "Rebuild the whole page of trials: every table and plot, from seeds",
		Long: `Runs every trial that the page holds, each in a process of its own, and writes the page with
its plots. What is simulated comes out the same to the last byte on the same kind of
processor; what is measured (speed, scaling) is this machine's. Takes less than a quarter
of an hour on two cores that do nothing else. Long ones are left out: soak, history.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			program, err := os.Executable()
			if err != nil {
				return err
			}
			return runAll(c.Context(), c.ErrOrStderr(), page, only, func(ctx context.Context, args []string) error {
				cmd := exec.CommandContext(ctx, program, args...)
				cmd.Stdout, cmd.Stderr = c.ErrOrStderr(), c.ErrOrStderr()
				return cmd.Run()
			})
		},
	}
	c.Flags().StringVar(&page, "write", page, "the page")
	c.Flags().StringSliceVar(&only, "only", nil, "only these trials; short: only the page's own table of goals")
	return c
}

// runAll runs the parts and then writes the table of goals.
func runAll(ctx context.Context, progress io.Writer, page string, only []string, run func(context.Context, []string) error) error {
	begin := time.Now()
	for _, args := range allParts(page) {
		if len(only) > 0 && !slices.Contains(only, args[0]) {
			continue
		}
		start := time.Now()
		if err := run(ctx, args); err != nil {
			return fmt.Errorf("trials %s: %w", strings.Join(args, " "), err)
		}
		fmt.Fprintf(progress, "trials %s: %.0f s\n", strings.Join(args, " "), time.Since(start).Seconds())
	}
	took := time.Since(begin)
	fmt.Fprintf(progress, "all: %.1f minutes\n", took.Minutes())
	if took > allBudget {
		fmt.Fprintf(progress, "longer than %.0f minutes: is something else running on this machine?\n", allBudget.Minutes())
	}
	return refreshShort(page)
}

// refreshShort writes a page's first section anew.
func refreshShort(page string) error {
	data, err := os.ReadFile(page)
	if err != nil {
		return err
	}
	return os.WriteFile(page, []byte(withShort(string(data))), 0o644)
}

// shortSection is the name of the section that comes first: how to read the page, and what its goals
// came to. It is written anew with every other section.
const shortSection = "short"

// withShort gives a page's text with that section as its tables have it now.
func withShort(text string) string {
	begin, end := shortMarks()
	short := strings.TrimSpace(inShort(text))
	body := begin + "\n" + pageGuide + "\n" + short + "\n" + end
	if i, j := strings.Index(text, begin), strings.Index(text, end); i >= 0 && j > i {
		return text[:i] + body + text[j+len(end):]
	}
	first := strings.Index(text, "<!-- begin ")
	if first < 0 || short == "" {
		return text
	}
	return text[:first] + body + "\n\n" + text[first:]
}

func shortMarks() (begin, end string) {
	begin, end = marks(shortSection)
	return strings.Replace(begin, "trials "+shortSection, "trials all", 1), end
}

const pageGuide = `## How to read this page

For a printer: each section names a question ("how often does it cry wolf?", "how soon does it see a weak cyan?"), the shop that
was made up to ask it, the goal that was set beforehand, and what came of it. A goal that was missed stands there as missed.

For a colour scientist: each section names the model of inks, goods, press and noise, what of it the judge does not know or assumes
otherwise, the number of trials, and wherever one can be had the bound of an observer who knows more. Intervals are for 95 %.

- *Difference* (dE00) is CIEDE2000. As a rule of thumb, an eye hardly sees less than 1 side by side.
- *In control* is a printer on which nothing is wrong: it still prints a little differently every day, and that spread is its *strength sd*.
- *Baseline* is what the shop itself printed on good days. A baseline of 10 is learned from ten charts.
- ` + "`act`" + ` is a verdict that something is real and beyond the shop's tolerance. One alone is no alert: it takes two of three.

What no trial here can tell: whether made-up inks, goods, presses and scanners behave as yours do. They were made from textbook
models, some of them on purpose at odds with what the judge assumes, and from ranges that are common practice, without a source.
No real printer, fabric, press or instrument was measured for this page, and no one has yet run the program in a shop for a year.
`
