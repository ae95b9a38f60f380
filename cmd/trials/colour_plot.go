package main

import (
	"image/color"
	"os"
	"path/filepath"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
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

func save(p *plot.Plot, dir, file string, w, h vg.Length) (string, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", err
	}
	if err := p.Save(w, h, filepath.Join(dir, file)); err != nil {
		return "", err
	}
	return filepath.ToSlash(filepath.Join(filepath.Base(dir), file)), nil
}
