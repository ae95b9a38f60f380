package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/worker/station"
)

func init() { extraScan = append(extraScan, newScanCalibrate, newScanFetch) }

func newScanCalibrate() *cobra.Command {
	var f pictureFlags
	var fill station.Fill
	var out string
	var force, asJSON bool
	c := &cobra.Command{
		Use:   "calibrate PICTURE MEASUREMENT",
		Short: "Make a scanner's colours those of a spectrophotometer",
		Long: `Make a scanner's colours those of a spectrophotometer.

PICTURE is the scan of a printed chart; MEASUREMENT what a spectrophotometer read from the
same print, as a file in an exchange format or a reading. The fit is kept on this machine,
and 'watch', 'read' and 'send' use it from then on for every scan; each reading says so.

It holds for one scanner with its settings as they are, and for one kind of ink on one
kind of goods: a scanner does not see colours as the eye does. Without it a scanner is good
for telling that colours have changed; with it, also about how much. The error to expect is
told: that of patches which the fit was not given.

Readings before and after a calibration differ: learn baselines of scanned series anew.`,
		Example: `  swathkeeper scan calibrate print-412.tif print-412.txt
  swathkeeper scan calibrate --layout pennant-cmyk.71ae1a55.json --out bench-1.json print-412.tif print-412.cxf
  swathkeeper watch --calibration bench-1.json /srv/scans`,
		Args: cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			if err := checkMode(fill.Mode); err != nil {
				return err
			}
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			if out == "" {
				out = filepath.Join(cfg.Data, station.CalibrationFile)
			}
			f.calibration = "none" // it is fitted to the scanner's own light
			pictures, err := f.pictures(c, cfg)
			if err != nil {
				return err
			}
			_, s, err := pictures.Read(c.Context(), args[0], fill)
			if s == nil {
				return err
			}
			cal, err := station.Calibrate(s, args[0], args[1], fill, time.Now())
			if err != nil {
				return err
			}
			if cal.Mean >= cal.Before && !force {
				return fmt.Errorf("the fit is no better than %s (%.2f against %.2f dE00); nothing is kept (--force keeps it)", s.Encoding, cal.Mean, cal.Before)
			}
			if err := cal.Save(out); err != nil {
				return err
			}
			warn(c.ErrOrStderr(), args[0], s.Warnings)
			warn(c.ErrOrStderr(), args[1], cal.Warnings)
			if asJSON {
				return writeJSON(c, struct {
					*station.Calibration
					Before     float64  `json:"mean_de00_before"`
					WorstPatch string   `json:"worst_patch"`
					LeftOut    []string `json:"left_out,omitempty"`
					File       string   `json:"file"`
				}{cal.Calibration, cal.Before, cal.WorstPatch, cal.LeftOut, out})
			}
			return printCalibrated(c, cal, s.Encoding, out)
		},
	}
	f.addLayouts(c)
	fl := c.Flags()
	fl.StringVar(&out, "out", "", "file for the calibration (default: "+station.CalibrationFile+" in the data folder)")
	fl.StringVar(&fill.Chart, "chart", "", "id of the chart, id.edition, or a layout file, where the sheet's code cannot be read")
	fl.StringVar(&fill.Mode, "mode", "", "measuring condition M0 to M3 of the measurement, where its file does not say")
	fl.IntVar(&fill.Table, "table", 0, "which table of a measurement file with several, from 1")
	fl.BoolVar(&force, "force", false, "keep it even where it is no better than the scanner's own colours")
	fl.BoolVar(&asJSON, "json", false, "print the calibration as JSON")
	return c
}

func printCalibrated(c *cobra.Command, cal *station.Calibrated, before, file string) error {
	w := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
	print := ""
	if cal.Print != "" {
		print = ", print " + cal.Print
	}
	fmt.Fprintf(w, "fitted\tby %d patches of chart %s%s, a polynomial of degree %d\n", cal.N, cal.Chart, print, cal.Degree)
	fmt.Fprintf(w, "error to expect\tmean %.2f, 95 of 100 below %.2f, largest %.2f dE00 (patch %s)\n", cal.Mean, cal.P95, cal.Max, cal.WorstPatch)
	fmt.Fprintf(w, "without it\tmean %.2f dE00 (%s)\n", cal.Before, before)
	if n := len(cal.LeftOut); n > 0 {
		fmt.Fprintf(w, "left out\t%d patches, clipped or dirty in the picture: %s\n", n, onScreen(strings.Join(cal.LeftOut, ", ")))
	}
	fmt.Fprintf(w, "kept in\t%s\n", file)
	return w.Flush()
}
