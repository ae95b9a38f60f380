package main

import (
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/worker/detail"
	"swathkeeper/worker/history"
)

func init() { extra = append(extra, newShow) }

func newShow() *cobra.Command {
	var q history.Query
	var since, png string
	var asJSON bool
	c := &cobra.Command{
		Use:   "show ID|PRINTER|ALERT",
		Short: "One verdict or alert in full, with pictures",
		Long: `One verdict or alert in full: its numbers against their limits, what was found and what
else it could be, where on the chart it shows, the lines, and how each figure came there.

Name it by its id or the first six characters or more of it (of the record, the verdict,
the reading or the journal entry; 'swathkeeper history --ids' shows them), by a printer for
its newest reading, or by the key of an alert as 'swathkeeper alert list' shows it.`,
		Example: `  swathkeeper show heron
  swathkeeper show quay/heron/check_ink/C
  swathkeeper show accaf6c6 --png pictures
  swathkeeper show heron --json | jq '[.patches[] | select(.de00 > 2) | .id]'`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if _, _, err := spanAt(since, "", time.Now()); err != nil {
				return err
			}
			cl, zone, err := lookAt(c, "", q.Printer)
			if err != nil {
				return err
			}
			defer cl.close()
			if q.Since, _, _, err = cl.span(since, ""); err != nil {
				return err
			}
			if err := cl.known("", q.Printer); err != nil {
				return err
			}
			d, err := detail.Find(cl.ctx, cl.js, args[0], q)
			if err != nil {
				return cl.explain(err)
			}
			if png != "" {
				if err := os.MkdirAll(png, 0o755); err != nil {
					return cannotWrite("into folder "+png, err)
				}
				names, err := d.WritePNG(png, zone)
				if err != nil {
					return err
				}
				for _, n := range names {
					fmt.Fprintln(c.ErrOrStderr(), n)
				}
				if len(names) == 0 {
					fmt.Fprintln(c.ErrOrStderr(), "there is nothing to draw")
				}
			}
			if asJSON {
				return writeJSON(c, d)
			}
			return d.Print(page(c, zone), cl.cfg.judgeOptions().Drift.WithDefaults().Tolerances)
		},
	}
	f := c.Flags()
	f.StringVar(&q.Printer, "printer", "", "look for the id among this printer's records only, which is faster")
	f.StringVar(&since, "since", "", "look for the id from then on only: 7d, monday, 2026-03-04")
	f.StringVar(&png, "png", "", "write the pictures as PNG files into this folder too")
	f.BoolVar(&asJSON, "json", false, "print all of it as JSON")
	return c
}
