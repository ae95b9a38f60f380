package scan

import (
	"bytes"
	"errors"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"

	"swathkeeper/measure/chart"
)

// point is a place in the picture, in pixels, with pixel centres at .5; or on the sheet, in mm.
type point struct{ x, y float64 }

// code is a chart's square code found in the picture.
type code struct {
	tag chart.Tag
	// The centres of its three corner squares, in full-resolution pixels: bottom left, top left
	// and top right of the code as it would be read.
	corners [3]point
}

// codeSide is the side of the square code with some white around it, in mm: where the overview
// is densest in edges, a square of this size is looked at more closely.
const codeSide = 26.0

// findCode reads the chart's square code anywhere in the picture, at any turn, mirrored or not:
// where its corner squares show, in the whole overview, then in the square that is most likely to
// hold it, more finely and smoothed. The error says why there is none.
func (p *Picture) findCode(o *overview, dpi float64) (*code, error) {
	if g := o.codePart(); g != nil {
		if c, err := g.readCode(); err == nil {
			return c, nil
		}
	}
	whole := &grey{w: o.w, h: o.h, pix: o.pix, scale: float64(o.factor)}
	c, reason := whole.readCode()
	if c != nil {
		return c, nil
	}
	if dpi == 0 {
		dpi = overviewDPI * float64(o.factor)
	}
	side := int(codeSide / 25.4 * dpi / float64(o.factor))
	x, y := o.busiest(side)
	f := float64(o.factor)
	x0, y0 := int(float64(x-side/4)*f), int(float64(y-side/4)*f)
	n := int(float64(side) * 1.5 * f)
	// Pixels of about 1/150, 1/300 and 1/200 inch; each as it is, and smoothed against knit.
	for _, per := range []float64{dpi / 150, dpi / 300, dpi / 200} {
		g := p.crop(x0, y0, n, max(1, per))
		for range 2 {
			if c, err := g.readCode(); err == nil {
				return c, nil
			}
			g = g.smoothed()
		}
	}
	return nil, reason
}

// codePart is the part of the overview around a code's three corner squares: each is a dark ring,
// 7 modules wide, around a dark square of 3 (ISO/IEC 18004, 6.3.3). nil when they do not show.
func (o *overview) codePart() *grey {
	blobs := o.blobs()
	var rings []*blob
	for i := range blobs {
		ring := &blobs[i]
		w, h := ring.sides()
		if w < 12 || w > 1.25*h || h > 1.25*w || ring.fill() < 0.25 || ring.fill() > 0.65 {
			continue
		}
		for j := range blobs {
			core := &blobs[j]
			cw, ch := core.sides()
			if core.x0 > ring.x0 && core.x1 < ring.x1 && core.y0 > ring.y0 && core.y1 < ring.y1 && core.fill() > 0.6 &&
				cw > 0.25*w && cw < 0.6*w && ch > 0.25*h && ch < 0.6*h && dist(core.centre(), ring.centre()) < 0.1*w {
				rings = append(rings, ring)
				break
			}
		}
	}
	if len(rings) < 3 || len(rings) > 8 {
		return nil
	}
	box := *rings[0]
	for _, r := range rings[1:] {
		box.join(r)
	}
	// The white around a code is at least 4 modules.
	edge := (rings[0].x1 - rings[0].x0) * 4 / 7
	x0, y0 := int(max(0, box.x0-edge)), int(max(0, box.y0-edge))
	x1, y1 := min(o.w, int(box.x1+edge+1)), min(o.h, int(box.y1+edge+1))
	g := &grey{w: x1 - x0, h: y1 - y0, x0: float64(x0 * o.factor), y0: float64(y0 * o.factor), scale: float64(o.factor)}
	for y := y0; y < y1; y++ {
		g.pix = append(g.pix, o.pix[y*o.w+x0:][:x1-x0]...)
	}
	return g
}

// busiest finds the square with the most strong edges.
func (o *overview) busiest(side int) (x, y int) {
	limit := (int(o.white) - int(o.black)) / 4
	// sums[y][x] counts the edges above and left of a place.
	sums := make([]int32, (o.w+1)*(o.h+1))
	for v := range o.h {
		row := int32(0)
		for u := range o.w {
			if u > 0 && v > 0 {
				here := int(o.pix[v*o.w+u])
				if abs(here-int(o.pix[v*o.w+u-1])) > limit {
					row++
				}
				if abs(here-int(o.pix[(v-1)*o.w+u])) > limit {
					row++
				}
			}
			sums[(v+1)*(o.w+1)+u+1] = sums[v*(o.w+1)+u+1] + row
		}
	}
	best := int32(-1)
	for v := 0; v+side <= o.h; v += 4 {
		for u := 0; u+side <= o.w; u += 4 {
			at := func(x, y int) int32 { return sums[y*(o.w+1)+x] }
			if n := at(u+side, v+side) - at(u, v+side) - at(u+side, v) + at(u, v); n > best {
				best, x, y = n, u, v
			}
		}
	}
	return x, y
}

func abs(i int) int { return max(i, -i) }

// grey is a grey picture of a part of the whole.
type grey struct {
	w, h   int
	pix    []byte
	x0, y0 float64 // of its corner, in full-resolution pixels
	scale  float64 // full-resolution pixels in one
}

// crop averages squares of about per pixels around the middles of a grid over a square part.
func (p *Picture) crop(x0, y0, side int, per float64) *grey {
	x0, y0 = max(0, x0), max(0, y0)
	w, h := min(side, p.W-x0), min(side, p.H-y0)
	g := &grey{w: int(float64(w) / per), h: int(float64(h) / per), x0: float64(x0), y0: float64(y0), scale: per}
	g.pix = make([]byte, g.w*g.h)
	channel, sb := 0, p.sampleBytes()
	if p.Channels == 3 {
		channel = 1
	}
	for y := range g.h {
		for x := range g.w {
			sum, n := 0, 0
			for v := y0 + int(float64(y)*per); v < y0+int(float64(y+1)*per); v++ {
				for u := x0 + int(float64(x)*per); u < x0+int(float64(x+1)*per); u++ {
					sum += int(p.Pix[v*p.stride()+(u*p.Step+channel)*sb])
					n++
				}
			}
			g.pix[y*g.w+x] = byte(sum / max(1, n))
		}
	}
	return g
}

// smoothed is the mean over 3 x 3 pixels.
func (g *grey) smoothed() *grey {
	out := *g
	out.pix = make([]byte, len(g.pix))
	for y := range g.h {
		for x := range g.w {
			sum := 0
			for v := y - 1; v <= y+1; v++ {
				for u := x - 1; u <= x+1; u++ {
					sum += int(g.pix[min(max(v, 0), g.h-1)*g.w+min(max(u, 0), g.w-1)])
				}
			}
			out.pix[y*g.w+x] = byte(sum / 9)
		}
	}
	return &out
}

// readCode looks for the code in the whole of the grey picture.
func (g *grey) readCode() (*code, error) {
	if g.w < 32 || g.h < 32 {
		return nil, errors.New("the part of the picture is too small")
	}
	src := &luminance{LuminanceSourceBase: gozxing.LuminanceSourceBase{Width: g.w, Height: g.h}, g: g}
	hard := map[gozxing.DecodeHintType]any{gozxing.DecodeHintType_TRY_HARDER: true}
	var reason error
	for _, binarizer := range []gozxing.Binarizer{gozxing.NewHybridBinarizer(src), gozxing.NewGlobalHistgramBinarizer(src)} {
		bmp, err := gozxing.NewBinaryBitmap(binarizer)
		if err != nil {
			return nil, err
		}
		res, err := qrcode.NewQRCodeReader().Decode(bmp, hard)
		if err == nil {
			var c *code
			if c, err = g.codeOf(res); err == nil {
				return c, nil
			}
		}
		if reason == nil {
			reason = err
		}
	}
	return nil, reason
}

func (g *grey) codeOf(res *gozxing.Result) (*code, error) {
	tag, err := chart.ParseTag(res.GetText())
	if err != nil {
		return nil, err
	}
	c := &code{tag: tag}
	points := res.GetResultPoints()
	if len(points) < 3 {
		return nil, errors.New("the square code has no corners")
	}
	for i, p := range points[:3] {
		c.corners[i] = point{g.x0 + p.GetX()*g.scale, g.y0 + p.GetY()*g.scale}
	}
	return c, nil
}

// places gives where a layout has the three corners, in mm, in the order of code.corners.
func (c *code) places(l *chart.Layout) ([3]point, bool) {
	n, err := c.tag.Modules()
	if l.Code == nil || err != nil {
		return [3]point{}, false
	}
	near := 3.5 / float64(n)
	out := [3]point{{near, 1 - near}, {near, near}, {1 - near, near}}
	for i := range out {
		if l.Mirrored {
			out[i].x = 1 - out[i].x
		}
		out[i] = point{l.Code.X + out[i].x*l.Code.W, l.Code.Y + out[i].y*l.Code.W}
	}
	return out, true
}

// luminance shows a grey picture to the code reader.
type luminance struct {
	gozxing.LuminanceSourceBase
	g *grey
}

func (l *luminance) GetRow(y int, row []byte) ([]byte, error) {
	return append(row[:0], l.g.pix[y*l.g.w:][:l.g.w]...), nil
}

func (l *luminance) GetMatrix() []byte { return bytes.Clone(l.g.pix) }

func (l *luminance) Invert() gozxing.LuminanceSource {
	return gozxing.NewInvertedLuminanceSource(l)
}

func (l *luminance) String() string { return "picture" }
