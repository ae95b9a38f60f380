package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/worker/station"
)

func init() { extra = append(extra, newScan) }

// extraScan holds subcommands of scan that other files of this package add.
var extraScan []func() *cobra.Command

func newScan() *cobra.Command {
	c := &cobra.Command{
		Use:   "scan",
		Short: "Scan charts, make a scanner's colours true, fetch pictures",
		Args:  cobra.NoArgs,
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newScanAcquire())
	for _, sub := range extraScan {
		c.AddCommand(sub())
	}
	return c
}

// scanCautions go before whatever the scanner's maker says.
const scanCautions = `Take care: goods just off the press are hot, and ink that is not dry soils the glass; let
them cool and dry first. Keep fingers out of the hinge, do not look into the lamp, and
keep fluids away from the scanner, which is electrical. The maker's manual and the rules
of your place of work come before this text.`

func newScanAcquire() *cobra.Command {
	var o station.AcquireOptions
	var into string
	var list, asJSON bool
	var limit time.Duration
	c := &cobra.Command{
		Use:   "acquire",
		Short: "Scan a printed chart with a scanner that SANE knows",
		Long: `Scan a printed chart with a scanner that SANE knows, on USB or in the network.

The picture is put into a folder, best one that ` + "`swathkeeper watch`" + ` takes files from, with
a sidecar of what the flags say of it. Lay the whole chart on the glass, flat and fairly
straight, at 300 dpi or more; turn off every correction the scanner can do by itself
(colour, sharpening, dust removal), and leave its settings the same from scan to scan.

` + scanCautions,
		Example: `  swathkeeper scan acquire --list
  swathkeeper scan acquire --dpi 300 --into /srv/scans --site quay --printer heron \
      --media pennant-knit --preset deep`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			ctx, cancel := context.WithTimeoutCause(c.Context(), limit, fmt.Errorf("no end after %s", limit))
			defer cancel()
			if list {
				found, err := station.Scanners(ctx)
				if err != nil {
					return err
				}
				return printScanners(c, found, asJSON)
			}
			if err := placeFor(&o, into); err != nil {
				return err
			}
			warnings, err := station.Acquire(ctx, o)
			for _, w := range warnings {
				fmt.Fprintf(c.ErrOrStderr(), "scanner: %s\n", w)
			}
			if err != nil {
				return err
			}
			if asJSON {
				return writeJSON(c, map[string]any{"path": o.Path, "warnings": warnings})
			}
			fmt.Fprintln(c.OutOrStdout(), o.Path)
			return nil
		},
	}
	f := c.Flags()
	f.BoolVar(&list, "list", false, "list the scanners that SANE finds, and scan nothing")
	f.StringVar(&o.Device, "device", "", "scanner, as --list names it (default: the one there is)")
	f.IntVar(&o.DPI, "dpi", 300, "resolution")
	f.StringVar(&o.Mode, "colour-mode", "Color", "colour mode, as the scanner names it")
	f.IntVar(&o.Bits, "bits", 0, "bits of a sample, 8 or 16 (default: the scanner's choice)")
	f.Float64SliceVar(&o.AreaMM, "area", nil, "`LEFT,TOP,WIDTH,HEIGHT` in mm of what is scanned (default: the whole bed)")
	f.Lookup("area").DefValue = ""
	f.StringArrayVar(&o.Settings, "set", nil, "another setting of the scanner, NAME=VALUE; may be repeated")
	f.StringVar(&into, "into", "", "folder for the picture (default: this one)")
	f.StringVar(&o.Path, "out", "", "file for the picture, in place of --into")
	f.DurationVar(&limit, "limit", 10*time.Minute, "how long it may take")
	f.BoolVar(&asJSON, "json", false, "print a JSON object")
	f.StringVar(&o.Fill.Site, "site", "", "site, such as quay")
	f.StringVar(&o.Fill.Printer, "printer", "", "printer, such as heron")
	f.StringVar(&o.Fill.Station, "station", "", "name of this station")
	f.StringVar(&o.Fill.Media, "media", "", "what was printed on, such as pennant-knit")
	f.StringVar(&o.Fill.Preset, "preset", "", "driver preset, such as deep")
	f.StringVar(&o.Fill.Stage, "stage", "", stageFlag)
	f.StringVar(&o.Fill.Path, "path", "", pathFlag)
	f.StringVar(&o.Fill.Chart, "chart", "", "id of the chart, or id.edition, where the sheet has no code")
	f.StringVar(&o.Fill.Print, "print", "", printFlag+", where it has no code")
	return c
}

// placeFor decides where the picture goes.
func placeFor(o *station.AcquireOptions, into string) error {
	if o.Path != "" {
		if into != "" {
			return usagef("give --into or --out, not both")
		}
		if e := filepath.Ext(o.Path); e != ".tif" && e != ".tiff" {
			return usagef("--out %s: the picture is a TIFF; let its name end in .tif", o.Path)
		}
		return nil
	}
	if into == "" {
		into = "."
	}
	if st, err := os.Stat(into); err != nil {
		return err
	} else if !st.IsDir() {
		return usagef("--into %s is no folder", into)
	}
	base := "scan-" + time.Now().Format("20060102-150405")
	for n := 1; ; n++ {
		o.Path = filepath.Join(into, base+".tif")
		if n > 1 {
			o.Path = filepath.Join(into, fmt.Sprintf("%s-%d.tif", base, n))
		}
		if _, err := os.Lstat(o.Path); errors.Is(err, os.ErrNotExist) {
			return nil
		} else if err != nil {
			return err
		}
	}
}

func printScanners(c *cobra.Command, found []station.Scanner, asJSON bool) error {
	if asJSON {
		if found == nil {
			found = []station.Scanner{}
		}
		return writeJSON(c, found)
	}
	if len(found) == 0 {
		fmt.Fprintln(c.OutOrStdout(), "SANE finds no scanner; is it switched on, connected, and may this user use it?")
		return nil
	}
	w := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "DEVICE\tVENDOR\tMODEL\tTYPE")
	for _, s := range found {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", s.Device, s.Vendor, s.Model, s.Type)
	}
	return w.Flush()
}
