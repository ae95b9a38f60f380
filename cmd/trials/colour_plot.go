package main

import (
	"image/color"
	"os"
	"path/filepath"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
)

// colourCurve is one line of a plot.
type colourCurve struct {
	name   string
	x, y   []float64
	dashed bool
	grey   bool
}

// Colours that stay apart for colour-blind readers (Okabe and Ito 2008).
var lineColours = []color.RGBA{
	{0, 114, 178, 255}, {213, 94, 0, 255}, {0, 158, 115, 255}, {204, 121, 167, 255},
	{86, 180, 233, 255}, {230, 159, 0, 255}, {0, 0, 0, 255},
}

// drawCurves draws curves into dir and returns the picture's path as seen from the page.
func drawCurves(dir, file, title, x, y string, curves []colourCurve, low, high float64) (string, error) {
	p := plot.New()
	p.Title.Text, p.X.Label.Text, p.Y.Label.Text = title, x, y
	p.Y.Min, p.Y.Max = low, high
	p.Legend.Left = false
	p.Add(plotter.NewGrid())
	for i, c := range curves {
		xy := make(plotter.XYs, len(c.x))
		for k := range c.x {
			xy[k].X, xy[k].Y = c.x[k], max(low, c.y[k])
		}
		l, err := plotter.NewLine(xy)
		if err != nil {
			return "", err
		}
		l.Width = vg.Points(1.5)
		l.Color = lineColours[i%len(lineColours)]
		if c.dashed {
			l.Dashes = []vg.Length{vg.Points(5), vg.Points(3)}
			l.Color = lineColours[(i-len(curves)/2+len(lineColours))%len(lineColours)]
		}
		if c.grey {
			l.Color, l.Width = color.Gray{128}, vg.Points(3)
		}
		p.Add(l)
		p.Legend.Add(c.name, l)
	}
	return save(p, dir, file, 16*vg.Centimeter, 10*vg.Centimeter)
}

// table2 is a confusion table as a heat map's grid, rows from the top.
type table2 struct {
	cells [][]float64
}

func (t table2) Dims() (c, r int)   { return len(t.cells[0]), len(t.cells) }
func (t table2) Z(c, r int) float64 { return t.cells[len(t.cells)-1-r][c] }
func (t table2) X(c int) float64    { return float64(c) }
func (t table2) Y(r int) float64    { return float64(r) }

// whites runs from white to a deep blue.
type whites struct{}

func (whites) Colors() []color.Color {
	out := make([]color.Color, 101)
	for i := range out {
		k := float64(i) / 100
		out[i] = color.RGBA{uint8(255 - 255*k), uint8(255 - 141*k), uint8(255 - 77*k), 255}
	}
	return out
}

// drawTable draws a confusion table, in percent of its rows.
func drawTable(dir, file, title string, rows, cols []string, cells [][]float64) (string, error) {
	p := plot.New()
	p.Title.Text = title
	h := plotter.NewHeatMap(table2{cells}, whites{})
	h.Min, h.Max = 0, 100
	p.Add(h)
	p.NominalX(cols...)
	reversed := make([]string, len(rows))
	for i, r := range rows {
		reversed[len(rows)-1-i] = r
	}
	p.NominalY(reversed...)
	return save(p, dir, file, 24*vg.Centimeter, 12*vg.Centimeter) // so wide that the names below do not touch
}

// margin keeps letters and marks off the edge of a picture.
const margin vg.Length = 6

// neat gives a plot letters without serifs, plain numbers at its axes and room between the names of its lines.
func neat(p *plot.Plot) {
	for _, f := range []*font.Font{&p.Title.TextStyle.Font, &p.X.Label.TextStyle.Font, &p.Y.Label.TextStyle.Font, &p.X.Tick.Label.Font, &p.Y.Tick.Label.Font, &p.Legend.TextStyle.Font} {
		f.Size, f.Variant = vg.Points(10), "Sans"
	}
	p.Title.Padding, p.Legend.Padding = vg.Points(6), vg.Points(2)
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		if _, is := a.Tick.Marker.(plot.DefaultTicks); is {
			a.Tick.Marker = plot.TickerFunc(plainTicks)
		}
	}
}

// plainTicks are the usual marks, with 25 in place of 25.00.
func plainTicks(low, high float64) []plot.Tick {
	ticks := plot.DefaultTicks{}.Ticks(low, high)
	for i, t := range ticks {
		if t.Label != "" {
			ticks[i].Label = strconv.FormatFloat(t.Value, 'g', 4, 64)
		}
	}
	return ticks
}

func save(p *plot.Plot, dir, file string, w, h vg.Length) (string, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", err
	}
	f, err := os.Create(filepath.Join(dir, file))
	if err != nil {
		return "", err
	}
	img := vgimg.New(w, h)
	neat(p)
	p.Draw(draw.Crop(draw.New(img), margin, -2*margin, margin, -margin))
	if _, err := (vgimg.PngCanvas{Canvas: img}).WriteTo(f); err != nil {
		_ = f.Close()
		return "", err
	}
	if err := f.Close(); err != nil {
		return "", err
	}
	return filepath.ToSlash(filepath.Join(filepath.Base(dir), file)), nil
}
