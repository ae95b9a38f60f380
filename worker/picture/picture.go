// Package picture draws what a verdict saw, as PNG, small enough for a phone and for every chat
// service: where on the chart the colours moved, a line folded over one paper step, and how far
// each ink is from its baseline. It only draws; numbers come from the verdict.
package picture

import (
	"bytes"
	"errors"
	"image/color"
	"math"

	stdfont "golang.org/x/image/font"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
)

// Width of every picture, in pixels. A phone shows it at about half that.
const Width = 640

// PlotHeight is the height of the pictures with axes, in pixels.
const PlotHeight = 320

// ErrNothing says that the verdict does not hold what the picture is made of.
var ErrNothing = errors.New("the verdict holds nothing to draw")

// Plotted draws a plot to PNG, in the size and the letters of every picture with axes.
func Plotted(p *plot.Plot) ([]byte, error) {
	for _, f := range []*font.Font{&p.Title.TextStyle.Font, &p.X.Label.TextStyle.Font, &p.Y.Label.TextStyle.Font, &p.X.Tick.Label.Font, &p.Y.Tick.Label.Font} {
		f.Size, f.Variant = vg.Points(11), "Sans"
	}
	p.Legend.TextStyle.Font.Variant = "Sans"
	canvas := vgimg.NewWith(vgimg.UseWH(Width*vg.Inch/96, PlotHeight*vg.Inch/96), vgimg.UseDPI(96))
	p.Draw(draw.Crop(draw.New(canvas), vg.Points(6), -vg.Points(10), vg.Points(6), -vg.Points(6)))
	return encoded(canvas)
}

func encoded(canvas *vgimg.Canvas) ([]byte, error) {
	var b bytes.Buffer
	if _, err := (vgimg.PngCanvas{Canvas: canvas}).WriteTo(&b); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// style of a text, in pixels of a canvas of 72 dots an inch.
func style(size float64, bold bool) text.Style {
	f := font.From(plot.DefaultFont, vg.Length(size))
	f.Variant = "Sans"
	if bold {
		f.Weight = stdfont.WeightBold
	}
	return text.Style{Color: color.Black, Font: f, Handler: plot.DefaultTextHandler}
}

func finite(vs ...float64) bool {
	for _, v := range vs {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

func channelColour(channel string) color.Color {
	switch channel {
	case "C", "LC":
		return color.RGBA{0, 150, 200, 255}
	case "M", "LM":
		return color.RGBA{200, 0, 110, 255}
	case "Y", "FY":
		return color.RGBA{225, 190, 0, 255}
	case "R":
		return color.RGBA{200, 40, 30, 255}
	case "G":
		return color.RGBA{30, 140, 60, 255}
	case "B":
		return color.RGBA{40, 60, 170, 255}
	case "O":
		return color.RGBA{235, 120, 0, 255}
	}
	return color.RGBA{50, 50, 50, 255}
}
