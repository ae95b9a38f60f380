package scan

import (
	"bytes"

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

// findCode reads the chart's square code anywhere in the overview, at any turn, mirrored or
// not. The error says why there is none.
func (o *overview) findCode() (*code, error) {
	src := &luminance{LuminanceSourceBase: gozxing.LuminanceSourceBase{Width: o.w, Height: o.h}, o: o}
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
			if c, err = o.codeOf(res); err == nil {
				return c, nil
			}
		}
		if reason == nil {
			reason = err
		}
	}
	return nil, reason
}

func (o *overview) codeOf(res *gozxing.Result) (*code, error) {
	tag, err := chart.ParseTag(res.GetText())
	if err != nil {
		return nil, err
	}
	c := &code{tag: tag}
	for i, p := range res.GetResultPoints()[:3] {
		c.corners[i] = point{p.GetX() * float64(o.factor), p.GetY() * float64(o.factor)}
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

// luminance shows an overview to the code reader.
type luminance struct {
	gozxing.LuminanceSourceBase
	o *overview
}

func (l *luminance) GetRow(y int, row []byte) ([]byte, error) {
	return append(row[:0], l.o.pix[y*l.o.w:][:l.o.w]...), nil
}

func (l *luminance) GetMatrix() []byte { return bytes.Clone(l.o.pix) }

func (l *luminance) Invert() gozxing.LuminanceSource {
	return gozxing.NewInvertedLuminanceSource(l)
}

func (l *luminance) String() string { return "overview" }
