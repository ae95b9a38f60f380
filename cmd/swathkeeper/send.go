package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
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
flags. A folder stands for all files in it. Sending the same reading again within ten minutes
stores it once.`,
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
			var readings []*protocol.Reading
			for _, name := range args {
				items, err := station.ReadWithPictures(c.Context(), name, fill, p)
				if err != nil {
					return err
				}
				for _, it := range items {
					warn(c.ErrOrStderr(), it.Name, it.Warnings)
					readings = append(readings, it.Reading)
				}
			}
			return sendReadings(c, readings, asJSON)
		},
	}
	addFillFlags(c, &fill)
	addTableFlag(c, &fill)
	pf.add(c)
	c.Flags().BoolVar(&asJSON, "json", false, "print one JSON object a reading")
	return c
}

// sendReadings stores readings in the inbox and says of each what became of it. All are checked before
// anything is sent, so that a mistake in the last file does not leave half of them sent.
func sendReadings(c *cobra.Command, readings []*protocol.Reading, asJSON bool) error {
	packed := make([][]byte, len(readings))
	for i, r := range readings {
		var err error
		if packed[i], err = station.Pack(r); err != nil {
			return err
		}
	}
	cl, err := connect(c)
	if err != nil {
		return err
	}
	defer cl.close()
	for i, r := range readings {
		seq, twice, err := station.Publish(c.Context(), cl.js, r, packed[i])
		if errors.Is(err, nats.ErrNoResponders) {
			return fmt.Errorf("nobody takes readings on this bus: the worker has not set it up yet")
		}
		if err != nil {
			return fmt.Errorf("reading %s: %w", r.ID, err)
		}
		if asJSON {
			if err := writeJSON(c, map[string]any{"id": r.ID, "site": r.Site, "printer": r.Printer, "series": r.Series(), "seq": seq, "known": twice}); err != nil {
				return err
			}
			continue
		}
		state := "sent"
		if twice {
			state = "known already, stored once"
		}
		fmt.Fprintf(c.OutOrStdout(), "%s %s/%s %s %s\n", r.ID, r.Site, r.Printer, r.TakenAt.Format(time.RFC3339), state)
	}
	return nil
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
