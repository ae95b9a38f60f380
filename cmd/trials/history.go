package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"
)

func init() { trials = append(trials, newHistoryTrial) }

func newHistoryTrial() *cobra.Command {
	h := historyShop{seed: 9}
	var dir string
	var compress bool
	c := &cobra.Command{
		Use:   "history",
		Short: "Reading one printer's year out of a large shop's store",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			h.to = time.Now().UTC().Truncate(time.Hour)
			h.from = h.to.AddDate(-1, 0, 1)
			start := time.Now()
			n, err := h.build(c.Context(), dir, compress, func(done int) {
				if done%(50*h.printers) == 0 {
					fmt.Fprintf(c.ErrOrStderr(), "%d records, %s\n", done, time.Since(start).Round(time.Second))
				}
			})
			fmt.Println(n, time.Since(start))
			return err
		},
	}
	f := c.Flags()
	f.StringVar(&dir, "store", "", "folder of the store; it is built when it is not there")
	f.IntVar(&h.printers, "printers", 1000, "printers")
	f.IntVar(&h.readings, "readings", 1000, "readings of each printer")
	f.BoolVar(&compress, "compress", false, "compress")
	return c
}
