package main

import (
	"cmp"
	"fmt"

	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker/search"
	"swathkeeper/worker/station"
)

// rankByAim ranks prints by an aim.
func rankByAim(c *cobra.Command, wanted, layout string, names []string, fill station.Fill, asJSON bool) error {
	if layout == "" {
		return usagef("give --chart, the layout file of the chart that was printed")
	}
	if err := checkMode(fill.Mode); err != nil {
		return err
	}
	chart, err := station.ReadLayout(layout, "")
	if err != nil {
		return err
	}
	a, err := readAim(chart, wanted, station.Fill{Mode: fill.Mode})
	if err != nil {
		return err
	}
	// What a measurement file cannot know does not matter here, but a reading has it.
	fill.Site, fill.Printer, fill.Media, fill.Preset, fill.Stage, fill.Kind = "here", "printer", cmp.Or(a.Media, "media"), searchPreset, cmp.Or(a.Stage, protocol.StagePressed), protocol.KindSpectrophotometer
	fill.Chart = layout
	var readings []*protocol.Reading
	var files []string
	for _, name := range names {
		items, err := station.ReadItems(name, fill)
		if err != nil {
			return err
		}
		for _, it := range items {
			if it.Reading.Patches == nil {
				return fmt.Errorf("%s: the reading has no patches", it.Name)
			}
			readings, files = append(readings, it.Reading), append(files, it.Name)
		}
	}
	r, err := search.Rank(chart, a, readings, files)
	if err != nil {
		return err
	}
	if asJSON {
		return writeJSON(c, r)
	}
	out := c.OutOrStdout()
	fmt.Fprintf(out, "aim: %s, %d patches", onScreen(r.Aim), r.Patches)
	if r.Out > 0 {
		fmt.Fprintf(out, "; %d (%.0f %%) are beyond what these prints reach, and were pulled in by %.1f dE00", r.Out, 100*float64(r.Out)/float64(r.Patches), r.PulledDE00)
	}
	fmt.Fprintln(out)
	if r.Note != "" {
		fmt.Fprintf(out, "note: %s\n", onScreen(r.Note))
	}
	for i, reading := range readings {
		for _, note := range a.Notes(reading.Condition.Media, reading.Condition.Stage) {
			fmt.Fprintf(out, "note: %s: %s\n", onScreen(files[i]), onScreen(note))
		}
	}
	for i, p := range r.Prints {
		preset := ""
		if p.Preset != searchPreset {
			preset = " (" + p.Preset + ")"
		}
		if _, err := fmt.Fprintf(out, "%d. %s%s: mean %.2f, 95 of 100 patches below %.2f dE00\n   %s\n", i+1, onScreen(p.File), preset, p.MeanDE00, p.P95DE00, p.Words); err != nil {
			return err
		}
	}
	return nil
}
