package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/protocol/exchange"
	"swathkeeper/protocol/measurement"
	"swathkeeper/worker/station"
)

func newConvert() *cobra.Command {
	var fill station.Fill
	var to string
	var force bool
	c := &cobra.Command{
		Use:   "convert IN OUT",
		Short: "Write a measurement file in another format",
		Long: `Write a measurement file in another format.

` + filesHelp + `

The ending of OUT tells the format (.txt CGATS, .cxf CxF3, .csv, .tsv, .json); --to does
where it cannot, and OUT - is standard output. All values are kept to the last digit. A
reading (.json) has one kind of colour, and needs the flags that 'read --json' needs.

Exit status: 0 written, 1 refused or failed, 2 the command line was wrong.`,
		Example: `  swathkeeper convert monday.cxf monday.txt
  swathkeeper convert monday.txt - --to csv
  swathkeeper convert monday.txt monday.json --site quay --printer heron \
      --media pennant-knit --preset deep --stage pressed --chart pennant-cmyk`,
		Args: cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			in, out := args[0], args[1]
			if err := checkMode(fill.Mode); err != nil {
				return err
			}
			format, err := outFormat(out, to)
			if err != nil {
				return err
			}
			if out != "-" && !force {
				if _, err := os.Stat(out); err == nil {
					return fmt.Errorf("%s is there already; give --force to overwrite it", out)
				}
			}
			var b bytes.Buffer
			n, warnings, err := convert(&b, in, format, fill)
			if err != nil {
				return err
			}
			warn(c.ErrOrStderr(), in, warnings)
			if out == "-" {
				_, err := io.Copy(c.OutOrStdout(), &b)
				return err
			}
			if err := writeWhole(out, b.Bytes()); err != nil {
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s: %d patches\n", out, n)
			return err
		},
	}
	addFillFlags(c, &fill)
	addTableFlag(c, &fill)
	c.Flags().StringVar(&to, "to", "", "the format of OUT: "+strings.Join(exchange.Formats(), ", "))
	c.Flags().BoolVar(&force, "force", false, "overwrite OUT")
	return c
}

// outFormat is the format that was asked for, by flag or by ending.
func outFormat(name, to string) (measurement.Format, error) {
	if to != "" {
		if !slices.Contains(exchange.Formats(), to) {
			return "", usagef("--to %q: it is %s", to, strings.Join(exchange.Formats(), ", "))
		}
		return measurement.Format(to), nil
	}
	f, err := exchange.FormatOf(name)
	if err != nil {
		return "", usagef("%s: its ending tells no format; give --to", name)
	}
	return f, nil
}

// convert writes a file in a format and tells how many patches it wrote.
func convert(w io.Writer, in string, format measurement.Format, fill station.Fill) (n int, warnings []string, err error) {
	if format == measurement.JSON {
		items, err := station.ReadItems(in, fill)
		if err != nil {
			return 0, nil, err
		}
		for _, it := range items {
			data, err := station.Pack(it.Reading)
			if err != nil {
				return 0, nil, fmt.Errorf("%s: %w%s", in, err, missingFlag(err))
			}
			if it.Reading.Patches != nil {
				n += len(it.Reading.Patches.ID)
			}
			warnings = append(warnings, it.Warnings...)
			if it.File != nil && blocks(it.File) > 1 {
				warnings = append(warnings, "a reading has one kind of colour: it takes "+taken(it.Reading.Patches))
			}
			if _, err := fmt.Fprintf(w, "%s\n", data); err != nil {
				return 0, nil, err
			}
		}
		return n, warnings, nil
	}
	f, err := oneMeasurement(in, fill)
	if err != nil {
		return 0, nil, err
	}
	if r := f.Reading; r != nil && len(r.Traces) > 0 {
		f.Warnf("the %d traces of the reading have no place in this format", len(r.Traces))
	}
	return f.Len(), f.Warnings, exchange.Write(w, f, format, time.Now())
}

// oneMeasurement reads a file that must hold one measurement.
func oneMeasurement(name string, fill station.Fill) (*measurement.File, error) {
	if st, err := os.Stat(name); err == nil && st.IsDir() {
		return nil, fmt.Errorf("%s is a folder; name one file of it", name)
	}
	files, err := station.Measurements(name, fill)
	if err != nil {
		return nil, err
	}
	if len(files) != 1 {
		return nil, fmt.Errorf("%s: %d readings where one is wanted", name, len(files))
	}
	return files[0], nil
}

func asRefusal(err error, r **protocol.Refusal) bool { return errors.As(err, r) }
