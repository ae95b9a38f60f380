package detail

import (
	"image/color"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"fmt"
	"path/filepath"
	"strings"
)

// WritePNG writes the pictures into a folder and gives their paths.
func (d *Detail) WritePNG(dir string, zone *time.Location) ([]string, error) {
	var names []string
	save := func(p *plot.Plot, w, h vg.Length, name string) error {
		path := filepath.Join(dir, name+".png")
		if err := p.Save(w, h, path); err != nil {
			return fmt.Errorf("picture %s: %w", path, err)
		}
		names = append(names, path)
		return nil
	}
	where := d.Record.Site + "/" + d.Record.Printer
	if p, w, h := d.heatPlot(where); p != nil {
		if err := save(p, w, h, "chart"); err != nil {
			return names, err
		}
	}
	for i := range d.Profiles {
		p, err := d.Profiles[i].plot(where)
		if err != nil {
			return names, err
		}
		if err := save(p, 16*vg.Centimeter, 9*vg.Centimeter, "lines-"+d.Profiles[i].Channel); err != nil {
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
		if err := save(p, 16*vg.Centimeter, 8*vg.Centimeter, name); err != nil {
			return names, err
		}
	}
	return names, nil
}

// heatPlot is the chart with each patch in its place, darker where colours moved further.
func (d *Detail) heatPlot(where string) (*plot.Plot, vg.Length, vg.Length) {
	if len(d.Patches) == 0 {
		return nil, 0, 0
	}
	rows, cols, largest := 0, 0, 0.0
	for _, k := range d.Patches {
		rows, cols, largest = max(rows, k.Row), max(cols, k.Col), max(largest, k.DE00)
	}
	end := ScaleEnd(largest)
	p := plot.New()
	p.Title.Text = fmt.Sprintf("%s: colour difference of each patch, white 0 to dark %g dE00", where, end)
	p.HideAxes()
	p.Add(heatField{d.Patches, end})
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = 0.5, float64(cols)+0.5, -float64(rows)-0.5, -0.5
	side := min(0.8*vg.Centimeter, 24*vg.Centimeter/vg.Length(cols))
	return p, max(14*vg.Centimeter, side*vg.Length(cols)), side*vg.Length(rows) + 1.2*vg.Centimeter
}

// heatField draws the patches.
type heatField struct {
	patches []Patch
	end     float64
}

// Plot implements plot.Plotter.
func (f heatField) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	for i := range f.patches {
		k := &f.patches[i]
		l, r, t, b := x(float64(k.Col)-0.47), x(float64(k.Col)+0.47), y(-float64(k.Row)+0.47), y(-float64(k.Row)-0.47)
		box := []vg.Point{{X: l, Y: b}, {X: r, Y: b}, {X: r, Y: t}, {X: l, Y: t}}
		if k.DE00 < 0 {
			c.StrokeLines(draw.LineStyle{Color: color.Gray{150}, Width: 1}, []vg.Point{box[0], box[2]}, []vg.Point{box[1], box[3]})
			continue
		}
		c.FillPolygon(Shade(k.DE00/f.end), box)
		if k.Odd {
			c.StrokeLines(draw.LineStyle{Color: color.RGBA{0, 70, 200, 255}, Width: 2}, append(box, box[0]))
		}
	}
}

func (f *Profile) plot(where string) (*plot.Plot, error) {
	xy := make(plotter.XYs, len(f.Values))
	for i, v := range f.Values {
		xy[i].X, xy[i].Y = (float64(i)+0.5)/float64(len(f.Values))*f.PeriodMM, v
	}
	line, err := plotter.NewLine(xy)
	if err != nil {
		return nil, err
	}
	line.Width = vg.Points(1.5)
	p := plot.New()
	p.Title.Text = where + ": " + trackName("lines", f.Channel) + ", strips laid over one paper step"
	p.X.Label.Text, p.Y.Label.Text = "mm along the paper step", f.Unit+" against the strip around it"
	p.Add(plotter.NewGrid(), line)
	for _, m := range f.Marks {
		v, err := plotter.NewLine(plotter.XYs{{X: m, Y: p.Y.Min}, {X: m, Y: p.Y.Max}})
		if err != nil {
			return nil, err
		}
		v.Color, v.Dashes = color.RGBA{190, 30, 30, 255}, []vg.Length{vg.Points(3), vg.Points(3)}
		p.Add(v)
	}
	return p, nil
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
	var all, beyond, upper, lower plotter.XYs
	for i, k := range t.Points {
		pt := plotter.XY{X: float64(i + 1), Y: k.Value}
		all = append(all, pt)
		if k.Beyond() {
			beyond = append(beyond, pt)
		}
		if k.Limit > 0 {
			upper = append(upper, plotter.XY{X: pt.X, Y: k.Limit})
			lower = append(lower, plotter.XY{X: pt.X, Y: -k.Limit})
		}
	}
	line, err := plotter.NewLine(all)
	if err != nil {
		return nil, err
	}
	line.Color = color.Gray{120}
	p.Add(plotter.NewGrid(), line)
	for _, limit := range []plotter.XYs{upper, lower} {
		if len(limit) == 0 || !t.Sided && &limit[0] == &lower[0] {
			continue
		}
		l, err := plotter.NewLine(limit)
		if err != nil {
			return nil, err
		}
		l.Dashes, l.Color = []vg.Length{vg.Points(4), vg.Points(3)}, color.RGBA{0, 70, 200, 255}
		p.Add(l)
	}
	dots := func(xy plotter.XYs, c color.Color, shape draw.GlyphDrawer) error {
		if len(xy) == 0 {
			return nil
		}
		s, err := plotter.NewScatter(xy)
		if err != nil {
			return err
		}
		s.Color, s.Shape, s.Radius = c, shape, vg.Points(2.5)
		p.Add(s)
		return nil
	}
	if err := dots(all, color.Gray{40}, draw.CircleGlyph{}); err != nil {
		return nil, err
	}
	if err := dots(beyond, color.RGBA{200, 20, 20, 255}, draw.BoxGlyph{}); err != nil {
		return nil, err
	}
	return p, nil
}
