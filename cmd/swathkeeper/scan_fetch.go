package main

import (
	"errors"
	"fmt"
	"os"
	"regexp"

	"github.com/spf13/cobra"

	"swathkeeper/worker/bus"
)

var scanDigest = regexp.MustCompile(`^[0-9a-f]{64}$`)

func newScanFetch() *cobra.Command {
	var out string
	c := &cobra.Command{
		Use:   "fetch SHA256",
		Short: "Fetch the picture behind a reading from the bus",
		Long: `Fetch the picture behind a reading from the bus, where its station has kept it there
(` + "`swathkeeper watch --keep-scans`" + `). SHA256 is what the reading says of its scan; the picture
is checked against it.`,
		Example: "  swathkeeper scan fetch 5f0c3b...e1 --out monday.tif",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if !scanDigest.MatchString(args[0]) {
				return usagef("%q is no SHA-256: give 64 hex digits in lower case", args[0])
			}
			if out == "" {
				out = args[0][:12] + ".tif"
			}
			if _, err := os.Lstat(out); err == nil {
				return fmt.Errorf("%s is there already; give another name with --out", out)
			}
			cl, err := connect(c)
			if err != nil {
				return err
			}
			defer cl.close()
			f, err := os.Create(out + ".part")
			if err != nil {
				return err
			}
			n, err := bus.GetScan(c.Context(), cl.js, args[0], f)
			err = errors.Join(err, f.Close())
			if err == nil {
				err = os.Rename(f.Name(), out)
			}
			if err != nil {
				_ = os.Remove(f.Name())
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s: %d bytes\n", out, n)
			return err
		},
	}
	c.Flags().StringVar(&out, "out", "", "file for the picture (default: the first digits of its SHA-256, .tif)")
	return c
}
