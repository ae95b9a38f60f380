package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"unicode"

	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/protocol/exchange"
	"swathkeeper/protocol/measurement"
	"swathkeeper/worker/station"
)

func init() { extra = append(extra, newRead, newConvert, newCompare) }

const filesHelp = `CGATS text (ISO 28178), CxF3 (ISO 17972-1), tables (comma, semicolon or tab, with a
header line) and readings in JSON are told apart by what is in the file. A folder
stands for all files in it.`

func newRead() *cobra.Command {
	var fill station.Fill
	var pf pictureFlags
	var asJSON bool
	c := &cobra.Command{
		Use:   "read FILE...",
		Short: "Show what a measurement file or a scan says, or the reading it becomes",
		Long: `Show what a measurement file or a scan of a printed chart says, or the reading it becomes.

` + filesHelp + `

A scan is a TIFF or PNG picture of a whole chart as 'chart new' draws it.

Without --json, one screen a file: patches, colours, condition, how a scanned sheet lies,
and every doubt that the reader had. With --json, the reading that the file becomes, one
a line; what a file cannot know (site, printer, goods, chart) is given by flags; without
them it is left empty, and that is said.

Exit status: 0 all files were read, 1 one was refused, 2 the command line was wrong.`,
		Example: `  swathkeeper read monday.txt
  swathkeeper read --json --site quay --printer heron --media pennant-knit --preset deep \
      --stage pressed --chart pennant-cmyk monday.cxf > monday.json
  swathkeeper read --layout pennant-cmyk.71ae1a55.json monday.tif
  swathkeeper read measurements/`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if err := checkMode(fill.Mode); err != nil {
				return err
			}
			var names []string
			for _, a := range args {
				more, err := station.Files(a)
				if err != nil {
					return err
				}
				names = append(names, more...)
			}
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			p, err := pf.pictures(c, cfg)
			if err != nil {
				return err
			}
			failed := 0
			for i, name := range names {
				var err error
				if asJSON {
					err = readAsReading(c, name, fill, p)
				} else {
					if i > 0 {
						fmt.Fprintln(c.OutOrStdout())
					}
					err = readForPeople(c, name, fill, p)
				}
				if err == nil {
					continue
				}
				if len(names) == 1 {
					return err
				}
				// One bad file of many does not hide the others.
				failed++
				fmt.Fprintf(c.ErrOrStderr(), "swathkeeper: %v\n", err)
			}
			if failed > 0 {
				return fmt.Errorf("%d of %d files could not be read", failed, len(names))
			}
			return nil
		},
	}
	addFillFlags(c, &fill)
	addTableFlag(c, &fill)
	pf.add(c)
	c.Flags().BoolVar(&asJSON, "json", false, "print the reading that each file becomes, one a line")
	return c
}

func addTableFlag(c *cobra.Command, fill *station.Fill) {
	c.Flags().IntVar(&fill.Table, "table", 0, "which table of a file with several, from 1")
}

func checkMode(mode string) error {
	switch mode {
	case "", "M0", "M1", "M2", "M3":
		return nil
	}
	return usagef("--mode %q: it is M0, M1, M2 or M3", mode)
}

// readAsReading prints the readings of a file; the warnings of its reader go to standard error.
func readAsReading(c *cobra.Command, name string, fill station.Fill, p *station.Pictures) error {
	items, err := station.ReadWithPictures(c.Context(), name, fill, p)
	if err != nil {
		return err
	}
	for _, it := range items {
		data, err := station.Pack(it.Reading)
		if hint := missingFlag(err); hint != "" {
			// What the file cannot know may be filled in later, by hand or by another program.
			fmt.Fprintf(c.ErrOrStderr(), "%s: not complete yet: %v%s\n", name, err, hint)
			data, err = protocol.Encode(it.Reading)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		warn(c.ErrOrStderr(), name, it.Warnings)
		if _, err := fmt.Fprintf(c.OutOrStdout(), "%s\n", data); err != nil {
			return err
		}
	}
	return nil
}

func warn(w io.Writer, name string, warnings []string) {
	for _, text := range warnings {
		fmt.Fprintf(w, "%s: %s\n", name, text)
	}
}

// flagOf names the flag that fills in a field of a reading.
var flagOf = map[string]string{
	"site": "site", "printer": "printer", "chart": "chart", "condition.media": "media", "condition.preset": "preset",
	"condition.stage": "stage", "condition.path": "path", "instrument.kind": "instrument", "station": "station",
}

// missingFlag is a hint at the flag that gives the field that a refusal names.
func missingFlag(err error) string {
	var r *protocol.Refusal
	if asRefusal(err, &r) && flagOf[r.Field] != "" {
		return "; give --" + flagOf[r.Field]
	}
	return ""
}

// readForPeople shows one file on one screen.
func readForPeople(c *cobra.Command, name string, fill station.Fill, p *station.Pictures) error {
	if picture, err := station.FileIsPicture(name); err != nil {
		return err
	} else if picture {
		return readPictureForPeople(c, name, fill, p)
	}
	out := c.OutOrStdout()
	files, err := station.Measurements(name, fill)
	if err != nil {
		return err
	}
	for i, f := range files {
		if i > 0 {
			fmt.Fprintln(out)
		}
		if err := printFile(out, f); err != nil {
			return err
		}
	}
	return nil
}

// printFile shows what a file says.
func printFile(out io.Writer, f *measurement.File) error {
	fmt.Fprintf(out, "%s: %s, %s\n", f.Name, exchange.NameOf(f.Format), f.Encoding)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	line := func(name, format string, args ...any) {
		fmt.Fprintf(w, "  %s\t%s\n", name, fmt.Sprintf(format, args...))
	}
	line("patches", "%s", patchesText(f))
	if r := f.Reading; r != nil {
		line("reading", "%s of %s/%s, chart %s, %s %s %s, %d traces", r.ID, r.Site, r.Printer, r.Chart, r.Condition.Media, r.Condition.Preset, r.Condition.Stage, len(r.Traces))
	}
	line("colours", "%s", coloursText(f))
	if f.Device != nil {
		unit := "tints 0 to 100 %"
		if f.DeviceSpace() == "RGB" {
			unit = "0 to 255"
		}
		line("device values", "%s, %s", strings.Join(f.Channels, " "), unit)
	}
	if f.Lab != nil && f.Len() > 0 {
		at := 0
		for i := range f.Lab {
			if f.Lab[i][0] > f.Lab[at][0] {
				at = i
			}
		}
		line("lightest patch", "%s: L* %.2f, a* %.2f, b* %.2f", onScreen(f.ID[at]), f.Lab[at][0], f.Lab[at][1], f.Lab[at][2])
	}
	c := f.Condition
	line("condition", "%s", conditionText(c))
	for _, x := range [][2]string{{"instrument", c.Instrument}, {"serial", c.Serial}, {"content", f.Descriptor}, {"written by", f.Originator}} {
		if x[1] != "" {
			line(x[0], "%s", onScreen(x[1]))
		}
	}
	switch {
	case f.Created != nil:
		line("created", "%s", f.Created.Format("2006-01-02 15:04:05 -07:00"))
	case f.CreatedText != "":
		line("created", "%s", onScreen(f.CreatedText))
	}
	if len(f.Ignored) > 0 {
		line("not taken", "%s", onScreen(strings.Join(f.Ignored, ", ")))
	}
	if p, err := f.Patches(); err != nil {
		line("as a reading", "no: %s", strings.TrimPrefix(err.Error(), f.Name+": "))
	} else if n := blocks(f); n > 1 {
		line("as a reading", "%s; a reading has one kind", taken(p))
	}
	for i, text := range f.Warnings {
		name := ""
		if i == 0 {
			name = "warnings"
		}
		if most := 15; i == most && len(f.Warnings) > most+1 { // one screen
			line("", "and %d more", len(f.Warnings)-most)
			break
		}
		line(name, "%s", onScreen(text))
	}
	return w.Flush()
}

// onScreen keeps free text of a file on one line and free of control characters.
func onScreen(s string) string {
	s = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) { // nor of marks that turn the direction of writing
			return ' '
		}
		return r
	}, s)
	if r := []rune(s); len(r) > 160 {
		s = string(r[:157]) + "..."
	}
	return s
}

func patchesText(f *measurement.File) string {
	switch n := f.Len(); n {
	case 0:
		return "none"
	case 1:
		return "1, id " + onScreen(f.ID[0])
	default:
		text := fmt.Sprintf("%d, ids %s to %s", n, onScreen(f.ID[0]), onScreen(f.ID[n-1]))
		if f.Names != nil {
			text += ", with names"
		}
		return text
	}
}

func blocks(f *measurement.File) (n int) {
	for _, have := range []bool{f.Lab != nil, f.XYZ != nil, f.Spectra != nil} {
		if have {
			n++
		}
	}
	return n
}

func coloursText(f *measurement.File) string {
	var out []string
	if s := f.Spectra; s != nil {
		n := len(s.Values[0])
		out = append(out, fmt.Sprintf("spectra %g to %g nm by %g", s.StartNM, s.StartNM+float64(n-1)*s.StepNM, s.StepNM))
	}
	if f.Lab != nil {
		out = append(out, "Lab")
	}
	if f.XYZ != nil {
		out = append(out, "XYZ")
	}
	if f.RGB != nil {
		out = append(out, "scanner values, "+f.RGBEncoding)
	}
	if out == nil {
		return "none"
	}
	return strings.Join(out, ", ")
}

func taken(p *protocol.Patches) string {
	switch {
	case p.Spectra != nil:
		return "the spectra"
	case p.Lab != nil:
		return "Lab"
	}
	return "XYZ"
}

func conditionText(c measurement.Condition) string {
	or := func(v, format, without string) string {
		if v == "" {
			return without
		}
		return fmt.Sprintf(format, onScreen(v))
	}
	return strings.Join([]string{
		or(c.Illuminant, "%s", "illuminant not stated"), or(measurement.ObserverText(c.Observer), "%s observer", "observer not stated"),
		or(c.Mode, "%s", "M0 to M3 not stated"), or(c.Backing, "%s backing", "backing not stated"), or(c.Filter, "filter %s", "filter not stated"),
		or(c.Geometry, "geometry %s", "geometry not stated"),
	}, ", ")
}
