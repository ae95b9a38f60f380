package main

import (
	"encoding/json"
	"strings"

	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker/station"
)

func newSend() *cobra.Command {
	var fill station.Fill
	var pf pictureFlags
	var asJSON bool
	c := &cobra.Command{
		Use:   "send FILE...",
		Short: "Send readings to the worker",
		Long: `Send readings to the worker.

A file holds one reading (.json), one reading a line (.jsonl), a measurement in an exchange
format, or the scan of a printed chart (see 'read'); what a file cannot know is given by
flags. A folder stands for all files in it. A reading that is sent again is not judged twice.

What the worker on this machine says of each is printed; a bus elsewhere is not waited for, and
neither is anything with --json.

Exit status: 0 all are sent and taken, 1 one was refused or could not be sent, 2 the command
line was wrong.`,
		Example: `  swathkeeper send reading.json
  swathkeeper send --site quay --printer heron --media pennant-knit --preset deep \
      --stage pressed --chart pennant-cmyk monday.txt`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			p, err := pf.pictures(c, cfg)
			if err != nil {
				return err
			}
			var items []station.Item
			for _, name := range args {
				more, err := station.ReadWithPictures(c.Context(), name, fill, p)
				if err != nil {
					return err
				}
				for _, it := range more {
					warn(c.ErrOrStderr(), it.Name, it.Warnings)
				}
				items = append(items, more...)
			}
			// All is checked before anything is sent, so that a mistake in the last file does not
			// leave half of them sent.
			if _, err := packed(items); err != nil {
				return err
			}
			cl, err := connect(c)
			if err != nil {
				return err
			}
			defer cl.close()
			return sendItems(c, cl, items, fill, asJSON)
		},
	}
	addFillFlags(c, &fill)
	addTableFlag(c, &fill)
	pf.add(c)
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object a reading")
	return c
}

// addFillFlags adds the flags that fill in what a measurement file cannot know.
func addFillFlags(c *cobra.Command, f *station.Fill) {
	fl := c.Flags()
	fl.StringVar(&f.Site, "site", "", "site, such as quay")
	fl.StringVar(&f.Printer, "printer", "", "printer, such as heron")
	fl.StringVar(&f.Station, "station", "", "name of this station")
	fl.StringVar(&f.Media, "media", "", "what was printed on, such as pennant-knit")
	fl.StringVar(&f.Preset, "preset", "", "driver preset, such as deep")
	fl.StringVar(&f.Stage, "stage", "", stageFlag)
	fl.StringVar(&f.Path, "path", "", pathFlag)
	fl.StringVar(&f.Chart, "chart", "", "id of the chart, id.edition, or a layout file")
	fl.StringVar(&f.Kind, "instrument", protocol.KindSpectrophotometer, instrumentFlag)
	fl.StringVar(&f.Mode, "mode", "", modeFlag)
	fl.StringVar(&f.Print, "print", "", printFlag)
}

// writeJSON prints v as one line of JSON.
func writeJSON(c *cobra.Command, v any) error {
	enc := json.NewEncoder(c.OutOrStdout())
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}

// fileNames gives the names of a comma-separated list.
func fileNames(list string) []string {
	var out []string
	for _, n := range strings.Split(list, ",") {
		if n = strings.TrimSpace(n); n != "" {
			out = append(out, n)
		}
	}
	return out
}
