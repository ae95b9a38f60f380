package detail

import (
	"errors"
	"fmt"
	"image/color"
	"os"
	"path/filepath"
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
	save := func(p *plot.Plot, w, h vg.Length, name string) error {
		path := filepath.Join(dir, name+".png")
		if err := p.Save(w, h, path); err != nil {
			return fmt.Errorf("picture %s: %w", path, err)
		}
		names = append(names, path)
		return nil
	}
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
		if err := save(p, 16*vg.Centimeter, 8*vg.Centimeter, name); err != nil {
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
