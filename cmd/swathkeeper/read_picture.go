package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"swathkeeper/measure/scan"
	"swathkeeper/protocol"
	"swathkeeper/worker/station"
)

// readPictureForPeople shows on one screen what was understood of the scan of a chart.
func readPictureForPeople(c *cobra.Command, name string, fill station.Fill, p *station.Pictures) error {
	r, s, err := p.Read(c.Context(), name, fill)
	if err != nil && s == nil {
		return err
	}
	return printScan(c.OutOrStdout(), name, r, s, err)
}

// printScan shows a scan; r may be nil, and why then says what is wrong with it as a reading.
func printScan(out io.Writer, name string, r *protocol.Reading, s *scan.Reading, why error) error {
	p := &s.Picture
	kind := "RGB"
	if p.Channels == 1 {
		kind = "grey"
	}
	fmt.Fprintf(out, "%s: %s picture, %d x %d pixels, %s, %d bits\n", name, p.Format, p.W, p.H, kind, p.Bits)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	line := func(name, format string, args ...any) {
		fmt.Fprintf(w, "  %s\t%s\n", name, fmt.Sprintf(format, args...))
	}
	line("chart", "%s", chartText(s))
	line("lies", "%s", liesText(s))
	if s.Stage != "" {
		line("stage", "%s, by its handedness", s.Stage)
	}
	line("resolution", "%.0f dpi", s.DPI)
	if s.Stretch != [2]float64{} {
		hundredths := func(v float64) float64 { return math.Round(100*v)/100 + 0 } // no -0.00
		line("size", "%+.2f %% across and %+.2f %% along the feed against the layout, %.2f degrees out of square", hundredths(s.Stretch[0]), hundredths(s.Stretch[1]), math.Abs(s.Shear))
	}
	line("marks", "%d of %d; uneven by %.2f mm, places known to %.3f mm", s.Marks, s.Marks+s.MissingMarks, s.WarpMM, s.PlaceMM)
	printScanPatches(line, s)
	if len(s.Traces) == 0 {
		line("strips", "none are read of this picture")
	}
	for i, t := range s.Traces {
		end := t.StartMM + float64(len(t.Values)-1)*t.PitchUM/1000
		line(cond(i == 0, "strips", ""), "%s: %s at %g %%, through the %s filter, %.1f to %.1f mm of the feed, %d samples, mean density %.3f", t.Strip, t.Channel, t.Tint, t.Filter, t.StartMM, end, len(t.Values), mean(t.Values))
	}
	line("as a reading", "%s", readingText(name, r, why))
	for i, text := range s.Warnings {
		line(cond(i == 0, "warnings", ""), "%s", onScreen(text))
	}
	return w.Flush()
}

// chartText says which chart was scanned and how that is known.
func chartText(s *scan.Reading) string {
	code := "the sheet's code was not read"
	if s.Tag.Chart != "" {
		code = "by the sheet's code"
		if s.Tag.Number != "" {
			code += ", print " + s.Tag.Number
		}
	}
	edition := ""
	if s.Layout.Edition != "" {
		edition = ", edition " + s.Layout.Edition
	}
	return s.Layout.ID + edition + ", " + code
}

// printScanPatches sums up the patches of a scan.
func printScanPatches(line func(name, format string, args ...any), s *scan.Reading) {
	if len(s.Patches) == 0 {
		line("patches", "none are read of this picture")
		return
	}
	clipped, dusty := 0, 0
	light, dark := s.Patches[0], s.Patches[0]
	for _, v := range s.Patches {
		if v.Clipped > 0.01 {
			clipped++
		}
		if v.Dusty > 0.05 {
			dusty++
		}
		if v.Lab.L > light.Lab.L {
			light = v
		}
		if v.Lab.L < dark.Lab.L {
			dark = v
		}
	}
	line("colours", "%s", s.Encoding)
	line("patches", "%d; %d clipped, %d with dirt on them", len(s.Patches), clipped, dusty)
	line("lightest", "%s: L* %.2f, a* %.2f, b* %.2f", light.ID, light.Lab.L, light.Lab.A, light.Lab.B)
	line("darkest", "%s: L* %.2f, a* %.2f, b* %.2f", dark.ID, dark.Lab.L, dark.Lab.A, dark.Lab.B)
}

// readingText says what a scan is as a reading, or why it is none.
func readingText(name string, r *protocol.Reading, why error) string {
	if why != nil {
		return "no: " + strings.TrimPrefix(why.Error(), name+": ")
	}
	_, err := station.Pack(r)
	if hint := missingFlag(err); hint != "" {
		return fmt.Sprintf("not complete yet: %v%s", err, hint)
	} else if err != nil {
		return fmt.Sprintf("no: %v", err)
	}
	return fmt.Sprintf("%s of %s/%s, %s %s %s", r.ID, r.Site, r.Printer, r.Condition.Media, r.Condition.Preset, r.Condition.Stage)
}

// liesText says how the sheet lies in the picture.
func liesText(s *scan.Reading) string {
	text := "upright"
	switch s.Quarters {
	case 1:
		text = "a quarter turn clockwise"
	case 2:
		text = "upside down"
	case 3:
		text = "a quarter turn anticlockwise"
	}
	switch {
	case s.Degrees > 0.05:
		text += fmt.Sprintf(", %.1f degrees clockwise", s.Degrees)
	case s.Degrees < -0.05:
		text += fmt.Sprintf(", %.1f degrees anticlockwise", -s.Degrees)
	}
	if s.Mirrored {
		text += ", mirrored against the sheet as it left the printer"
	}
	return text
}

func mean(v []float64) float64 {
	s := 0.0
	for _, x := range v {
		s += x / float64(len(v))
	}
	return s
}
