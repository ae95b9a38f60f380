package chart

import (
	"fmt"
	"image"
	"math"

	"golang.org/x/image/vector"
)

// raster turns a scene into rows of device values, 8 bits each, a band at a time, so that a
// chart metres long needs little memory.
type raster struct {
	s       *scene
	perMM   float64 // pixels
	w, h, n int     // pixels across, down; values in a pixel
	blank   byte    // value of an unprinted pixel
	device  [][]byte
	boxes   []image.Rectangle // of each shape, in pixels
	masks   []*image.Alpha    // of each path, made when first met
}

// maxRasterPixels bounds the work of a careless --dpi: a chart of 2 m at 600 dpi fits.
const maxRasterPixels = 3 << 30

func newRaster(s *scene, dpi float64) (*raster, error) {
	if !finite(dpi) || dpi < 72 || dpi > 2880 {
		return nil, fmt.Errorf("%g dpi: must be 72 to 2880", dpi)
	}
	r := &raster{s: s, perMM: dpi / 25.4, n: len(s.l.Channels)}
	r.w = int(math.Round(s.l.SizeMM[0] * r.perMM))
	r.h = int(math.Round(s.l.SizeMM[1] * r.perMM))
	if r.w*r.h > maxRasterPixels {
		return nil, fmt.Errorf("%d x %d pixels is too large; choose fewer dpi, or PDF", r.w, r.h)
	}
	top := 100.0
	if s.l.Driven == DrivenRGB {
		r.blank, top = 255, 255
	}
	r.masks = make([]*image.Alpha, len(s.shapes))
	for _, sh := range s.shapes {
		d := make([]byte, r.n)
		for i, v := range sh.device {
			d[i] = byte(math.Round(v * 255 / top))
		}
		r.device = append(r.device, d)
		r.boxes = append(r.boxes, r.pixels(sh))
	}
	return r, nil
}

// pixels gives the pixels a shape touches: a rectangle's edges go to the nearest pixel edge, a
// path has partly covered pixels.
func (r *raster) pixels(s shape) image.Rectangle {
	b := s.bounds()
	at := func(mm float64, snap func(float64) float64) int { return int(snap(mm * r.perMM)) }
	if s.path == nil {
		return image.Rect(at(b.x, math.Round), at(b.y, math.Round), at(b.x+b.w, math.Round), at(b.y+b.h, math.Round))
	}
	return image.Rect(at(b.x, math.Floor), at(b.y, math.Floor), at(b.x+b.w, math.Ceil), at(b.y+b.h, math.Ceil)).
		Intersect(image.Rect(0, 0, r.w, r.h))
}

// band fills pix with rows y0 to y0+rows, chunky, and is called with growing y0.
func (r *raster) band(pix []byte, y0, rows int) {
	for i := range pix {
		pix[i] = r.blank
	}
	area := image.Rect(0, y0, r.w, y0+rows)
	for i, sh := range r.s.shapes {
		b := r.boxes[i].Intersect(area)
		if b.Empty() {
			if r.boxes[i].Max.Y <= y0 {
				r.masks[i] = nil
			}
			continue
		}
		if sh.path == nil {
			r.fill(pix, y0, b, r.device[i])
			continue
		}
		if r.masks[i] == nil {
			r.masks[i] = r.mask(sh, r.boxes[i])
		}
		r.blend(pix, y0, b, r.device[i], r.masks[i])
	}
}

func (r *raster) fill(pix []byte, y0 int, b image.Rectangle, device []byte) {
	stride := r.w * r.n
	first := pix[(b.Min.Y-y0)*stride+b.Min.X*r.n:][:b.Dx()*r.n]
	for x := 0; x < len(first); x += r.n {
		copy(first[x:], device)
	}
	for y := b.Min.Y + 1; y < b.Max.Y; y++ {
		copy(pix[(y-y0)*stride+b.Min.X*r.n:], first)
	}
}

func (r *raster) blend(pix []byte, y0 int, b image.Rectangle, device []byte, m *image.Alpha) {
	for y := b.Min.Y; y < b.Max.Y; y++ {
		row := pix[(y-y0)*r.w*r.n:]
		for x := b.Min.X; x < b.Max.X; x++ {
			a := int(m.AlphaAt(x, y).A)
			if a == 0 {
				continue
			}
			for c, v := range device {
				p := &row[x*r.n+c]
				*p = byte((int(*p)*(255-a) + int(v)*a + 127) / 255)
			}
		}
	}
}

// mask draws a path's coverage.
func (r *raster) mask(s shape, b image.Rectangle) *image.Alpha {
	m := image.NewAlpha(b)
	z := vector.NewRasterizer(b.Dx(), b.Dy())
	p := func(q point) (float32, float32) {
		return float32(q.x*r.perMM - float64(b.Min.X)), float32(q.y*r.perMM - float64(b.Min.Y))
	}
	for _, c := range s.path {
		z.MoveTo(p(c.start))
		for _, g := range c.segs {
			if g.line {
				z.LineTo(p(g.pts[0]))
				continue
			}
			ax, ay := p(g.pts[0])
			bx, by := p(g.pts[1])
			ex, ey := p(g.pts[2])
			z.CubeTo(ax, ay, bx, by, ex, ey)
		}
		z.ClosePath()
	}
	z.Draw(m, b, image.Opaque, image.Point{})
	return m
}

// rasterOf is one print of a layout, ready to be drawn at a resolution.
func rasterOf(l *Layout, number string, dpi float64) (*raster, error) {
	s, err := newScene(l, number)
	if err != nil {
		return nil, err
	}
	return newRaster(s, dpi)
}

// bandRows is how many rows are drawn at a time, but for the last ones: about 1 MB.
func (r *raster) bandRows() int { return max(1, min(r.h, (1<<20)/(r.w*r.n))) }

// bands draws the print from the top and hands over some rows at a time, which begin at row y. The
// slice is used again for the next.
func (r *raster) bands(do func(y int, pix []byte) error) error {
	rows := r.bandRows()
	pix := make([]byte, rows*r.w*r.n)
	for y := 0; y < r.h; y += rows {
		k := min(rows, r.h-y)
		r.band(pix[:k*r.w*r.n], y, k)
		if err := do(y, pix[:k*r.w*r.n]); err != nil {
			return err
		}
	}
	return nil
}

// Rasterise draws one print as [WriteTIFF] does and hands over its rows from the top, one 8-bit
// value for each channel (or R, G, B) and pixel. The slice is used again for the next row.
func Rasterise(l *Layout, number string, dpi float64, row func(y int, pix []byte) error) error {
	r, err := rasterOf(l, number, dpi)
	if err != nil {
		return err
	}
	return r.bands(func(y int, pix []byte) error {
		for i := range len(pix) / (r.w * r.n) {
			if err := row(y+i, pix[i*r.w*r.n:][:r.w*r.n]); err != nil {
				return err
			}
		}
		return nil
	})
}
