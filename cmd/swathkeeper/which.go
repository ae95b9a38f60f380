package main

import (
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// addWhich adds the flags by which commands that look back are asked about a part of the shop.
func addWhich(f *pflag.FlagSet, site, printer *string) {
	f.StringVar(site, "site", "", "only this site")
	f.StringVar(printer, "printer", "", "only this printer")
}

// found passes on what such a command found. Where that is nothing, a site or printer of which nothing
// was ever heard is an error.
func found[T any](cl *client, site, printer string, list []T, err error) ([]T, error) {
	if err == nil && len(list) == 0 {
		err = cl.known(site, printer)
	}
	return list, cl.explain(err)
}

// writeJSONLines prints one value a line.
func writeJSONLines[T any](c *cobra.Command, list []T) error {
	for _, v := range list {
		if err := writeJSON(c, v); err != nil {
			return err
		}
	}
	return nil
}
