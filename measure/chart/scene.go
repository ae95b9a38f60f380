package chart

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// rect is a rectangle in mm: corner nearest the origin, width, height.
type rect struct{ x, y, w, h float64 }

// point is a place in mm.
type point struct{ x, y float64 }

// segment continues a path from where it stands: one point is a line, three are a cubic curve.
type segment struct {
	pts  [3]point
	line bool
}

// contour is one closed curve.
type contour struct {
	start point
	segs  []segment
}

// shape is an area of one device colour: a rectangle, or a path filled by the nonzero rule.
type shape struct {
	device []float64
	rect   rect
	path   []contour // nil for a rectangle
}

// scene is everything on one sheet, in the order of drawing; shapes do not overlap.
type scene struct {
	l      *Layout
	shapes []shape
}

// newScene turns a layout into shapes. It refuses a layout without geometry.
func newScene(l *Layout, number string) (*scene, error) {
	if err := l.Validate(); err != nil {
		return nil, err
	}
	if !l.HasGeometry() {
		return nil, bad("size_mm", "missing: chart %s says only ids and device values, not where patches lie, and cannot be drawn", l.ID)
	}
	s := &scene{l: l}
	for _, p := range l.Patches {
		if !l.White(p) {
			s.add(p.Device, rect{p.X, p.Y, p.W, p.H})
		}
	}
	for _, st := range l.Strips {
		if !st.White() {
			s.add(l.stripDevice(st), rect{st.X, st.Y, st.W, st.H})
		}
	}
	dark := l.markDevice()
	for _, m := range l.Marks {
		s.shapes = append(s.shapes, shape{device: dark, path: []contour{disc(m.X, m.Y, MarkDiameterMM/2)}})
	}
	if l.Code == nil {
		return s, nil
	}
	modules, err := Tag{l.ID, l.Edition, number}.runs()
	if err != nil {
		return nil, err
	}
	for _, m := range modules {
		if l.Mirrored {
			m.x = 1 - m.x - m.w
		}
		s.add(dark, rect{l.Code.X + m.x*l.Code.W, l.Code.Y + m.y*l.Code.W, m.w * l.Code.W, m.h * l.Code.W})
	}
	return s, s.words(number, dark)
}

func (s *scene) add(device []float64, r rect) {
	s.shapes = append(s.shapes, shape{device: device, rect: r})
}

// stripDevice gives the device values of a strip.
func (l *Layout) stripDevice(s Strip) []float64 {
	d := make([]float64, len(l.Channels))
	if l.Driven != DrivenRGB {
		d[slices.Index(l.Channels, s.Channel)] = s.Tint
		return d
	}
	for i := range d {
		d[i] = 255
	}
	dark := math.Round(255 - 2.55*s.Tint)
	if i := slices.Index(l.Channels, s.Channel); i >= 0 {
		d[i] = dark
	} else {
		d[0], d[1], d[2] = dark, dark, dark
	}
	return d
}

// markDevice is the darkest plain colour for marks, code and words: black ink, else cyan over
// magenta, else all inks; one ink where there is one, so that inks out of register do not
// blur the marks.
func (l *Layout) markDevice() []float64 {
	d := make([]float64, len(l.Channels))
	if l.Driven == DrivenRGB {
		return d
	}
	full := func(names ...string) bool {
		for _, n := range names {
			if !slices.Contains(l.Channels, n) {
				return false
			}
		}
		for _, n := range names {
			d[slices.Index(l.Channels, n)] = 100
		}
		return true
	}
	if full("K") || full("C", "M") {
		return d
	}
	for i := range d {
		d[i] = math.Floor(min(100, 280/float64(len(d))))
	}
	return d
}

// disc is a circle of four cubic curves; the control length is the usual one, whose radius is
// right to 0.03 %.
func disc(x, y, r float64) contour {
	const k = 0.5522847498
	p := func(dx, dy float64) point { return point{x + r*dx, y + r*dy} }
	return contour{start: p(1, 0), segs: []segment{
		{pts: [3]point{p(1, k), p(k, 1), p(0, 1)}},
		{pts: [3]point{p(-k, 1), p(-1, k), p(-1, 0)}},
		{pts: [3]point{p(-1, -k), p(-k, -1), p(0, -1)}},
		{pts: [3]point{p(k, -1), p(1, -k), p(1, 0)}},
	}}
}

// words writes the readable lines beside the code. On a mirrored chart they are drawn mirrored,
// so that they read rightly on the goods.
func (s *scene) words(number string, device []float64) error {
	l := s.l
	// As far from the right edge as the code is from the left.
	box := rect{x: l.Code.X + l.Code.W + 5, y: l.Code.Y, w: l.SizeMM[0] - 2*l.Code.X - l.Code.W - 5}
	if box.w < 20 {
		return nil // no room for words; the code says the same
	}
	title := l.ID + "  ·  " + l.Edition
	if number != "" {
		title += "  ·  no. " + number
	}
	driven := "straight ink values " + strings.Join(l.Channels, " ")
	if l.Driven == DrivenRGB {
		driven = "RGB values to the driver"
	}
	facts := fmt.Sprintf("%s  ·  %g × %g mm", driven, l.SizeMM[0], l.SizeMM[1])
	if l.StepMM > 0 {
		facts += fmt.Sprintf("  ·  step %g mm", l.StepMM)
	}
	if l.Passes > 0 {
		facts += fmt.Sprintf(", %d passes", l.Passes)
	}
	if l.Mirrored {
		facts += "  ·  mirrored for transfer"
	}
	lines := []struct {
		text string
		size float64 // of the em, mm
		y    float64 // baseline below the box's top
	}{
		{title, 4.8, 4.4},
		{facts, 3, 9},
		{"print at 100 %, without colour management; this edge leaves the printer first", 3, 13.2},
		{"printer ..................  media ..................  preset ..................  date ..................", 3, 19.2},
	}
	for _, ln := range lines {
		paths, width, err := outline(ln.text)
		if err != nil {
			return err
		}
		k := min(ln.size, box.w/width)
		for i := range paths {
			paths[i] = paths[i].mapped(func(p point) point {
				q := point{box.x + k*p.x, box.y + ln.y + k*p.y}
				if l.Mirrored {
					q.x = 2*box.x + box.w - q.x
				}
				return q
			})
		}
		s.shapes = append(s.shapes, shape{device: device, path: paths})
	}
	return nil
}

func (c contour) mapped(f func(point) point) contour {
	out := contour{start: f(c.start), segs: make([]segment, len(c.segs))}
	for i, s := range c.segs {
		for k := range s.pts {
			s.pts[k] = f(s.pts[k])
		}
		out.segs[i] = s
	}
	return out
}

// bounds is the box around a shape's points.
func (s shape) bounds() rect {
	if s.path == nil {
		return s.rect
	}
	lo, hi := point{math.Inf(1), math.Inf(1)}, point{math.Inf(-1), math.Inf(-1)}
	see := func(p point) {
		lo = point{min(lo.x, p.x), min(lo.y, p.y)}
		hi = point{max(hi.x, p.x), max(hi.y, p.y)}
	}
	for _, c := range s.path {
		see(c.start)
		for _, g := range c.segs {
			see(g.pts[0])
			if !g.line {
				see(g.pts[1])
				see(g.pts[2])
			}
		}
	}
	return rect{lo.x, lo.y, hi.x - lo.x, hi.y - lo.y}
}
