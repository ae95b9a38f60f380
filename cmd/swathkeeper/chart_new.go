package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"swathkeeper/measure/chart"
	"swathkeeper/worker/station"
)

func init() { extraChart = append(extraChart, newChartNew) }

// chartNew holds the flags of chart new.
type chartNew struct {
	spec       chart.Spec
	size       string
	channels   string
	house      []string
	first      float64
	formats    string
	out        string
	dpi        float64
	number     string
	count      int
	force, asJ bool
}

// sheets are the paper sizes that have names (ISO 216), in mm.
var sheets = map[string][2]float64{"a5": {148, 210}, "a4": {210, 297}, "a3": {297, 420}, "a2": {420, 594}, "a1": {594, 841}}

func newChartNew() *cobra.Command {
	var n chartNew
	c := &cobra.Command{
		Use:   "new ID",
		Short: "Draw a control chart to print, and its layout",
		Long: `Draw a control chart to print, and write its layout beside it.

The chart has patches at random places (each ink's ramp twice, overprints, near-neutrals,
paper white, house colours), a strip of each ink along the feed on both sides, marks, and a
square code that names chart, edition and print number. Print it at 100 %, without colour
management or tone correction; what the file says is what the printer must get.

A chart for a transfer is mirrored (--mirrored): its readable line reads rightly on the goods.
The head's step, nozzle pitch and passes, where you know them, let a line be traced to a nozzle.`,
		Example: `  swathkeeper chart new pennant-cmyk --mirrored --step 6.35 --passes 4
  swathkeeper chart new quay-rgb --driven rgb --mirrored --format pdf,png
  swathkeeper chart new wide --channels C,M,Y,K,orange,violet --size 600x900 --format tiff
  swathkeeper chart new pennant-cmyk --house "pennant red=5,95,85,0" --number 000412 --count 5`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error { return n.run(c, args[0]) },
	}
	f := c.Flags()
	f.StringVar(&n.size, "size", "a4", "sheet: a5 to a1, or WIDTHxHEIGHT in mm, height along the feed")
	f.StringVar(&n.channels, "channels", "", "inks in the printer's order (default C,M,Y,K; C,M,Y for rgb)")
	f.StringVar(&n.spec.Driven, "driven", chart.DrivenInk, "ink: tints per ink; rgb: RGB values to a driver")
	f.Float64Var(&n.spec.MarginMM, "margin", 0, "border the printer cannot reach, mm (default 10)")
	f.Float64Var(&n.spec.PatchMM, "patch", 0, "about the side of a patch, mm (default 8, less on a small sheet)")
	f.Float64Var(&n.spec.StripTint, "tint", 0, "tint of the strips, percent (default 50)")
	f.Float64Var(&n.spec.StepMM, "step", 0, "paper step between passes, mm")
	f.IntVar(&n.spec.Passes, "passes", 0, "passes that make up a row")
	f.Float64Var(&n.spec.PitchUM, "nozzle-pitch", 0, "distance of neighbouring nozzles of one ink, micrometres")
	f.IntVar(&n.spec.Nozzles, "nozzles", 0, "nozzles of one ink")
	f.Float64Var(&n.first, "first-nozzle", 0, "feed position of the first nozzle in the first pass, mm")
	f.BoolVar(&n.spec.Mirrored, "mirrored", false, "for a transfer: mirrored on the paper")
	f.StringArrayVar(&n.house, "house", nil, "a colour you sell by, NAME=VALUE,VALUE,... in device values (may be repeated)")
	f.Float64Var(&n.spec.InkLimit, "ink-limit", 0, "most ink on one spot, summed percent (default 280)")
	f.Uint64Var(&n.spec.Seed, "seed", 0, "another arrangement of the patches")
	f.StringVar(&n.formats, "format", "pdf", "pdf, tiff, png (rgb only), or several with commas")
	f.Float64Var(&n.dpi, "dpi", 360, "of TIFF and PNG")
	f.StringVar(&n.number, "number", "", "print number in the code, capitals and digits")
	f.IntVar(&n.count, "count", 1, "sheets to draw, numbered on from --number")
	f.StringVar(&n.out, "out", ".", "folder to write to")
	f.BoolVar(&n.force, "force", false, "replace files that are there")
	f.BoolVar(&n.asJ, "json", false, "print the layout as JSON")
	return c
}

func (n *chartNew) run(c *cobra.Command, id string) error {
	if err := needToken("ID", id); err != nil {
		return err
	}
	if err := n.wish(c, id); err != nil {
		return usagef("%w", err)
	}
	l, err := chart.New(n.spec)
	if err != nil {
		return usagef("%w", flagged(err))
	}
	numbers, err := numbered(n.number, n.count)
	if err != nil {
		return usagef("%w", err)
	}
	layout, err := station.FromLayout(l)
	if err != nil {
		return err
	}
	files, err := n.files(l, numbers)
	if err != nil {
		return usagef("%w", err)
	}
	name := filepath.Join(n.out, id+"."+l.Edition+".json")
	text, err := json.MarshalIndent(layout, "", " ")
	if err != nil {
		return err
	}
	files = append(files, drawing{name, func(w io.Writer) error { _, err := w.Write(append(text, '\n')); return err }})
	if !n.force {
		for _, f := range files {
			if _, err := os.Stat(f.name); err == nil {
				return fmt.Errorf("%s is there already; --force replaces it", f.name)
			}
		}
	}
	if err := os.MkdirAll(n.out, 0o755); err != nil {
		return err
	}
	for _, f := range files {
		if err := f.write(); err != nil {
			return err
		}
	}
	if n.asJ {
		return writeJSON(c, layout)
	}
	w := c.OutOrStdout()
	fmt.Fprintf(w, "chart %s: %d patches, %d strips, %d marks, %g x %g mm\n", chartName(layout), len(l.Patches), len(l.Strips), len(l.Marks), l.SizeMM[0], l.SizeMM[1])
	for _, f := range files {
		fmt.Fprintln(w, "  "+f.name)
	}
	_, err = fmt.Fprintf(w, "print at 100 %%, without colour management; then: swathkeeper chart add %s\n", name)
	return err
}

// wish fills the spec from the flags that need reading.
func (n *chartNew) wish(c *cobra.Command, id string) error {
	n.spec.ID = id
	var err error
	if n.spec.SizeMM, err = sheetSize(n.size); err != nil {
		return err
	}
	n.spec.Channels = fileNames(n.channels)
	if n.channels != "" && len(n.spec.Channels) != strings.Count(n.channels, ",")+1 {
		return fmt.Errorf("--channels %q: a name between two commas is missing", n.channels)
	}
	if c.Flags().Changed("first-nozzle") {
		n.spec.FirstNozzleMM = &n.first
	}
	for _, h := range n.house {
		name, values, ok := strings.Cut(h, "=")
		if !ok || strings.TrimSpace(name) == "" {
			return fmt.Errorf("--house %q: give NAME=VALUES, the values separated by commas", h)
		}
		var device []float64
		for _, v := range strings.Split(values, ",") {
			x, err := strconv.ParseFloat(strings.TrimSpace(v), 64)
			if err != nil {
				return fmt.Errorf("--house %q: %q is not a number", h, v)
			}
			device = append(device, x)
		}
		n.spec.House = append(n.spec.House, chart.House{Name: strings.TrimSpace(name), Device: device})
	}
	return nil
}

// flagOfSpec names the flag behind a field that the drawing of a chart complains of.
var flagOfSpec = map[string]string{
	"size_mm": "size", "margin_mm": "margin", "patch_mm": "patch", "tint_percent": "tint", "step_mm": "step", "passes": "passes",
	"nozzle_pitch_um": "nozzle-pitch", "nozzles": "nozzles", "first_nozzle_mm": "first-nozzle", "ink_limit_percent": "ink-limit",
	"channels": "channels", "driven": "driven", "house": "house", "marks": "size",
}

// flagged says a complaint about a field in terms of its flag.
func flagged(err error) error {
	var fe *chart.FieldError
	if !errors.As(err, &fe) {
		return err
	}
	if flag, ok := flagOfSpec[fe.Field]; ok {
		return fmt.Errorf("--%s: %s", flag, fe.Why)
	}
	return err
}

func sheetSize(s string) ([2]float64, error) {
	if mm, ok := sheets[strings.ToLower(s)]; ok {
		return mm, nil
	}
	w, h, ok := strings.Cut(strings.ToLower(s), "x")
	x, err1 := strconv.ParseFloat(w, 64)
	y, err2 := strconv.ParseFloat(h, 64)
	if !ok || err1 != nil || err2 != nil {
		return [2]float64{}, fmt.Errorf("--size %q: expected a4, a3, ... or WIDTHxHEIGHT in mm", s)
	}
	return [2]float64{x, y}, nil
}

// numbered counts on from a first print number, keeping its width.
func numbered(first string, count int) ([]string, error) {
	if count < 1 || count > 1000 {
		return nil, fmt.Errorf("--count %d: must be 1 to 1000", count)
	}
	if count == 1 {
		return []string{first}, nil
	}
	digits := len(first) - len(strings.TrimRight(first, "0123456789"))
	if digits == 0 || digits > 15 {
		return nil, errors.New("--count needs a --number that ends in at most 15 digits, such as 000412, to count on from")
	}
	head, tail := first[:len(first)-digits], first[len(first)-digits:]
	at, err := strconv.Atoi(tail)
	if err != nil {
		return nil, err
	}
	var out []string
	for i := range count {
		out = append(out, fmt.Sprintf("%s%0*d", head, digits, at+i))
	}
	return out, nil
}

// drawing is a file to write.
type drawing struct {
	name string
	draw func(io.Writer) error
}

// write writes the whole file or none: a half-written chart must not be printed.
func (d drawing) write() error {
	tmp := d.name + ".part"
	f, err := os.Create(tmp)
	if err != nil {
		return err
	}
	b := bufio.NewWriter(f)
	err = d.draw(b)
	err = errors.Join(err, b.Flush(), f.Close())
	if err == nil {
		err = os.Rename(tmp, d.name)
	}
	if err != nil {
		os.Remove(tmp)
		return fmt.Errorf("%s: %w", d.name, err)
	}
	return nil
}

// files lists what is to be drawn: one PDF with a page for each number, one TIFF or PNG for
// each number.
func (n *chartNew) files(l *chart.Layout, numbers []string) ([]drawing, error) {
	base := filepath.Join(n.out, l.ID+"."+l.Edition)
	var out []drawing
	for _, format := range fileNames(n.formats) {
		switch strings.ToLower(format) {
		case "pdf":
			out = append(out, drawing{base + ".pdf", func(w io.Writer) error { return chart.WritePDF(w, l, numbers...) }})
		case "tiff", "tif", "png":
			write, ext := chart.WriteTIFF, ".tif"
			if strings.ToLower(format) == "png" {
				if l.Driven != chart.DrivenRGB {
					return nil, errors.New("--format png holds no ink values; use tiff or pdf, or --driven rgb")
				}
				write, ext = chart.WritePNG, ".png"
			}
			for _, number := range numbers {
				name := base + ext
				if number != "" {
					name = base + "-" + number + ext
				}
				out = append(out, drawing{name, func(w io.Writer) error { return write(w, l, number, n.dpi) }})
			}
		default:
			return nil, fmt.Errorf("--format %q: expected pdf, tiff or png", format)
		}
	}
	if len(out) == 0 {
		return nil, errors.New("--format names no format; expected pdf, tiff or png")
	}
	return out, nil
}
