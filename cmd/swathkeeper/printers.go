package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/worker/history"
)

func init() { extra = append(extra, newPrinters) }

func newPrinters() *cobra.Command {
	var site, printer string
	var asJSON bool
	c := &cobra.Command{
		Use:   "printers",
		Short: "How each printer stands, in a line",
		Long: `How each printer stands, in a line: its gravest open alert, or what its last reading
said; how many days ago its head was cleaned, an ink changed and its baseline made; and
the mean colour difference (dE00) of its last readings.`,
		Example: `  swathkeeper printers
  swathkeeper printers --json | jq -r 'select(.state=="stop") | .printer'`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cl, zone, err := lookAt(c, site, printer)
			if err != nil {
				return err
			}
			defer cl.close()
			list, err := history.Printers(cl.ctx, cl.js, site, printer)
			if list, err = found(cl, site, printer, list, err); err != nil {
				return err
			}
			if asJSON {
				return writeJSONLines(c, list)
			}
			if len(list) == 0 {
				_, err := fmt.Fprintln(c.ErrOrStderr(), "no printer is known yet; one is with its first reading")
				return err
			}
			return screen(c, zone).List(list, time.Now())
		},
	}
	addWhich(c.Flags(), &site, &printer)
	c.Flags().BoolVar(&asJSON, "json", false, "print one printer a line as JSON")
	return c
}
