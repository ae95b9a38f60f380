package picture

import (
	"cmp"
	"fmt"
	"image/color"
	"math"
	"slices"

	"github.com/lucasb-eyer/go-colorful"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"

	"swathkeeper/protocol"
)

// Measures of a heat map, in pixels.
const (
	heatEdge   = 14
	heatTitle  = 28 // line height of the title
	heatBar    = 22 // height of the scale
	heatFoot   = 76
	heatText   = 22
	heatSmall  = 20
	mostHeight = 860 // of the chart itself; a longer chart is drawn narrower
)

// cell is one patch as it is drawn: its place on the chart in any unit, y downwards.
type cell struct {
	x, y, w, h float64
	de         float64 // negative: not read
	ring       bool
}

// Heat draws where on a chart the colours moved: every patch in its place, the darker the larger
// its colour difference from the baseline (CIEDE2000); patches that do not follow the rest of the
// chart are ringed, and patches that were not read are crossed out. title is one line for people.
//
// The scale is of one hue and ends at 2, 4, 6, 10 or 20 dE00, whichever holds the largest, so that
// nothing looks large that is not, and two pictures can be compared by their scales.
func Heat(title string, c *protocol.Chart, v *protocol.Colour) ([]byte, error) {
	if c == nil || v == nil || len(v.PatchDE00) == 0 || len(v.PatchDE00) != len(c.Patches) || !finite(v.PatchDE00...) {
		return nil, ErrNothing
	}
	cells, w, h := cells(c, v)
	if w <= 0 || h <= 0 || !finite(w, h) {
		return nil, ErrNothing
	}
	scale := min((Width-2*heatEdge)/w, mostHeight/h)
	left := (Width - scale*w) / 2
	height := heatEdge + heatTitle + 8 + scale*h + heatFoot
	canvas := vgimg.NewWith(vgimg.UseWH(Width, vg.Length(math.Ceil(height))), vgimg.UseDPI(72))
	d := heat{draw.New(canvas), height}
	d.text(heatEdge, heatEdge+heatTitle-8, style(heatText, true), title)
	top := heatEdge + heatTitle + 8.0
	end := ScaleEnd(slices.Max(v.PatchDE00))
	for _, k := range cells {
		x, y, w, h := left+scale*k.x, top+scale*k.y, scale*k.w, scale*k.h
		if k.de < 0 {
			d.crossed(x, y, w, h)
			continue
		}
		d.rect(x, y, w, h, Shade(k.de/end))
	}
	for _, k := range cells { // on top of all patches, so that no neighbour covers a ring
		if k.ring {
			d.ring(left+scale*k.x, top+scale*k.y, scale*k.w, scale*k.h)
		}
	}
	d.legend(top+scale*h+14, end, v)
	return encoded(canvas)
}

// heat is a canvas with y downwards, in pixels.
type heat struct {
	draw.Canvas
	height float64
}

var (
	faint  = color.Gray{150}
	ringed = color.RGBA{0, 70, 200, 255}
)

func (d heat) at(x, y float64) vg.Point {
	return vg.Point{X: vg.Length(x), Y: vg.Length(d.height - y)}
}

func (d heat) corners(x, y, w, h float64) []vg.Point {
	return []vg.Point{d.at(x, y), d.at(x+w, y), d.at(x+w, y+h), d.at(x, y+h)}
}

func (d heat) rect(x, y, w, h float64, c color.Color) { d.FillPolygon(c, d.corners(x, y, w, h)) }

func (d heat) line(width float64, c color.Color, x, y, x2, y2 float64) {
	d.StrokeLines(draw.LineStyle{Color: c, Width: vg.Length(width)}, []vg.Point{d.at(x, y), d.at(x2, y2)})
}

func (d heat) text(x, y float64, s draw.TextStyle, t string) { d.FillText(s, d.at(x, y), t) }

// ring frames a patch, in another hue than the scale's, on a white edge that parts it from both
// light and dark patches.
func (d heat) ring(x, y, w, h float64) {
	frame := append(d.corners(x, y, w, h), d.at(x, y), d.at(x+w, y))
	d.StrokeLines(draw.LineStyle{Color: color.White, Width: 6}, frame)
	d.StrokeLines(draw.LineStyle{Color: ringed, Width: 3}, frame)
}

// legend draws the scale and says what the marks mean.
func (d heat) legend(y, end float64, v *protocol.Colour) {
	const steps, wide, right = 64, 250.0, 360.0
	for i := range steps {
		d.rect(heatEdge+wide*float64(i)/steps, y, wide/steps+0.5, heatBar, Shade((float64(i)+0.5)/steps))
	}
	d.StrokeLines(draw.LineStyle{Color: faint, Width: 1}, append(d.corners(heatEdge, y, wide, heatBar), d.at(heatEdge, y)))
	small := style(heatSmall, false)
	below := y + heatBar + heatSmall + 6
	for i := range 3 {
		label := fmt.Sprintf("%g", end*float64(i)/2)
		x := heatEdge + wide*float64(i)/2
		d.line(1, color.Black, x, y+heatBar, x, y+heatBar+5)
		if i > 0 {
			x -= float64(small.Width(label)) / 2
		}
		if i == 2 {
			label += " dE00"
		}
		d.text(x, below, small, label)
	}
	d.text(right, y+heatBar-4, small, fmt.Sprintf("mean %.1f, largest %.1f dE00", v.MeanDE00, v.MaxDE00))
	x := right
	if len(v.Outliers) > 0 {
		d.ring(x+3, below-heatSmall+4, 15, 15)
		d.text(x+28, below, small, "odd patch")
		x += 28 + float64(small.Width("odd patch")) + 18
	}
	if slices.Min(v.PatchDE00) < 0 {
		d.crossed(x, below-heatSmall+2, 18, 18)
		d.text(x+26, below, small, "not read")
	}
}

// crossed marks a patch that was not read.
func (d heat) crossed(x, y, w, h float64) {
	d.rect(x, y, w, h, color.White)
	d.line(1.5, faint, x, y, x+w, y+h)
	d.line(1.5, faint, x, y+h, x+w, y)
}

// ScaleEnd is the difference at the dark end of the scale.
func ScaleEnd(largest float64) float64 {
	for _, end := range []float64{2, 4, 6, 10, 20} {
		if largest <= end {
			return end
		}
	}
	return math.Ceil(largest/20) * 20
}

// Shade is the colour of a share of the scale, 0 to 1: one hue, from nearly white to dark, even to
// the eye in lightness.
func Shade(t float64) color.Color {
	t = max(0, min(1, t))
	c := colorful.Hcl(38, 0.04+0.52*math.Sin(t*math.Pi/2*1.25), 0.97-0.72*t).Clamped()
	r, g, b := c.RGB255()
	return color.RGBA{r, g, b, 255}
}

// cells puts the patches in their places. A layout without geometry is drawn by rows and columns,
// and one without these in rows of its own order.
func cells(c *protocol.Chart, v *protocol.Colour) (out []cell, w, h float64) {
	odd := map[string]bool{}
	for _, id := range v.Outliers {
		odd[id] = true
	}
	measured := !slices.ContainsFunc(c.Patches, func(p protocol.Patch) bool { return p.WMM <= 0 || p.HMM <= 0 })
	gridded := !slices.ContainsFunc(c.Patches, func(p protocol.Patch) bool { return p.Row <= 0 || p.Col <= 0 })
	across := max(1, int(math.Ceil(math.Sqrt(float64(len(c.Patches))*1.4))))
	for i, p := range c.Patches {
		k := cell{de: v.PatchDE00[i], ring: odd[p.ID]}
		switch {
		case measured:
			k.x, k.y, k.w, k.h = p.XMM, p.YMM, p.WMM, p.HMM
		case gridded:
			k.x, k.y, k.w, k.h = float64(p.Col), float64(p.Row), 0.94, 0.94
		default:
			k.x, k.y, k.w, k.h = float64(i%across), float64(i/across), 0.94, 0.94
		}
		out = append(out, k)
	}
	least := func(f func(cell) float64) float64 {
		return f(slices.MinFunc(out, func(a, b cell) int { return cmp.Compare(f(a), f(b)) }))
	}
	x0, y0 := least(func(k cell) float64 { return k.x }), least(func(k cell) float64 { return k.y })
	for i := range out {
		out[i].x -= x0
		out[i].y -= y0
		w, h = max(w, out[i].x+out[i].w), max(h, out[i].y+out[i].h)
	}
	return out, w, h
}
