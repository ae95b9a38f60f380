package detail

import (
	"errors"
	"fmt"
	"image/color"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"swathkeeper/worker/picture"
)

// WritePNG writes the pictures into a folder and gives their paths.
func (d *Detail) WritePNG(dir string, zone *time.Location) ([]string, error) {
	var names []string
	where := d.Record.Site + "/" + d.Record.Printer
	write := func(data []byte, err error, name string) error {
		if errors.Is(err, picture.ErrNothing) {
			return nil
		}
		path := filepath.Join(dir, name+".png")
		if err == nil {
			err = os.WriteFile(path, data, 0o644)
		}
		if err != nil {
			return fmt.Errorf("picture %s: %w", path, err)
		}
		names = append(names, path)
		return nil
	}
	if v := d.Record.Verdict; v != nil && v.Colour != nil && len(d.Patches) > 0 {
		c := *v.Colour
		c.PatchDE00 = make([]float64, len(d.Patches))
		for i := range d.Patches {
			c.PatchDE00[i] = d.Patches[i].DE00
		}
		data, err := picture.Heat(where+": where colours moved", d.Chart, &c)
		if err := write(data, err, "chart"); err != nil {
			return names, err
		}
	}
	for i := range d.Profiles {
		f := &d.Profiles[i]
		data, err := picture.Profile(where+": "+trackName("lines", f.Channel)+" over one paper step", f.banding)
		if err := write(data, err, "lines-"+strings.ToLower(f.Channel)); err != nil {
			return names, err
		}
	}
	for i := range d.Tracks {
		t := &d.Tracks[i]
		p, err := t.plot(where, zone)
		if err != nil {
			return names, err
		}
		name := "control-" + t.Kind
		if t.Channel != "" {
			name += "-" + strings.ToLower(t.Channel)
		}
		data, err := picture.Plotted(p)
		if err := write(data, err, name); err != nil {
			return names, err
		}
	}
	return names, nil
}

// plot is a control chart: the readings, and the limits of what is usual.
func (t *Track) plot(where string, zone *time.Location) (*plot.Plot, error) {
	p := plot.New()
	p.Title.Text = where + ": " + t.Name()
	p.Y.Label.Text = t.Unit
	p.X.Label.Text = "reading"
	if n := len(t.Points); n > 0 {
		p.X.Label.Text = fmt.Sprintf("readings, %s to %s", t.Points[0].At.In(zone).Format("2 Jan"), t.Points[n-1].At.In(zone).Format("2 Jan 2006"))
	}
	var all, beyond plotter.XYs
	for i, k := range t.Points {
		pt := plotter.XY{X: float64(i + 1), Y: k.Value}
		all = append(all, pt)
		if k.Beyond() {
			beyond = append(beyond, pt)
		}
	}
	line, err := plotter.NewLine(all)
	if err != nil {
		return nil, err
	}
	line.Color = color.Gray{120}
	p.Add(plotter.NewGrid(), line)
	dots := func(xy plotter.XYs, c color.Color, shape draw.GlyphDrawer, name string) error {
		if len(xy) == 0 {
			return nil
		}
		s, err := plotter.NewScatter(xy)
		if err != nil {
			return err
		}
		s.Color, s.Shape, s.Radius = c, shape, vg.Points(2.5)
		p.Add(s)
		p.Legend.Add(name, s)
		return nil
	}
	if err := dots(all, color.Gray{40}, draw.CircleGlyph{}, "a reading"); err != nil {
		return nil, err
	}
	if err := dots(beyond, color.RGBA{200, 20, 20, 255}, draw.BoxGlyph{}, "a reading beyond what is usual"); err != nil {
		return nil, err
	}
	for _, k := range []struct {
		name   string
		value  func(Point) float64
		dashes []vg.Length
		colour color.Color
	}{
		{"what is usual for this printer, by chance alone", func(p Point) float64 { return p.Limit }, []vg.Length{vg.Points(4), vg.Points(3)}, color.RGBA{0, 70, 200, 255}},
		{"your tolerance", func(p Point) float64 { return p.Tolerance }, []vg.Length{vg.Points(1), vg.Points(3)}, color.RGBA{138, 75, 0, 255}},
	} {
		for _, side := range []float64{1, -1} {
			var edge plotter.XYs
			for i, pt := range t.Points {
				if v := k.value(pt); v > 0 && (side > 0 || t.Sided) {
					edge = append(edge, plotter.XY{X: float64(i + 1), Y: side * v})
				}
			}
			if len(edge) == 0 {
				continue
			}
			l, err := plotter.NewLine(edge)
			if err != nil {
				return nil, err
			}
			l.Dashes, l.Color = k.dashes, k.colour
			p.Add(l)
			if side > 0 {
				p.Legend.Add(k.name, l)
			}
		}
	}
	// What the signs mean stands in a strip of its own above the readings.
	p.Legend.Top, p.Legend.Left, p.Legend.TextStyle.Font.Size, p.Legend.Padding = true, true, vg.Points(8), vg.Points(2)
	p.X.Min, p.X.Max = 0.5, float64(len(t.Points))+0.5
	if !t.Sided {
		p.Y.Min = min(p.Y.Min, 0)
	}
	p.Y.Tick.Marker, p.X.Tick.Marker = roundTicks(p.Y.Max, 6, 0), roundTicks(p.X.Max, 12, 1)
	p.Y.Max += legendShare * (p.Y.Max - p.Y.Min)
	return p, nil
}

// roundTicks marks round numbers, at most about n, 0 among them, none above top and none nearer to
// one another than least.
func roundTicks(top float64, n int, least float64) plot.Ticker {
	return plot.TickerFunc(func(from, _ float64) []plot.Tick {
		if !(top > from) {
			return []plot.Tick{{Value: from, Label: strconv.FormatFloat(from, 'g', 6, 64)}}
		}
		step := math.Pow(10, math.Floor(math.Log10((top-from)/float64(n))))
		for _, k := range []float64{1, 2, 5, 10} {
			if k*step*float64(n) >= top-from {
				step *= k
				break
			}
		}
		step = max(step, least)
		var out []plot.Tick
		for i := math.Ceil(from / step); i*step <= top && len(out) < 50; i++ {
			// Adding 0 takes the sign off a 0.
			out = append(out, plot.Tick{Value: i * step, Label: strconv.FormatFloat(i*step+0, 'g', 6, 64)})
		}
		return out
	})
}

// legendShare is the height of the legend's strip over that of what is drawn.
const legendShare = 0.45
