package scan

import (
	"math"

	"swathkeeper/measure/chart"
)

// pinpoint places a mark to a fraction of a pixel: the centre of gravity of the darkness over
// the white around it, in a round window that is moved until it is centred on the mark. Blur
// does not move a centre of gravity. ok is false when what is there is not a disc of the right
// size on white.
func (p *Picture) pinpoint(at point, perMM float64) (centre point, ok bool) {
	r := chart.MarkDiameterMM / 2 * perMM
	reach := r + 0.9*perMM // within the white that the chart leaves around a mark
	var dark, white float64
	for k := range 6 {
		if k < 2 { // the levels change little once the window is about right
			if dark, white, ok = p.levels(at, r, reach); !ok {
				return at, false
			}
		}
		c, area, good := p.gravity(at, reach, dark, white)
		if !good {
			return at, false
		}
		moved := dist(c, at)
		at = c
		if moved < 0.01 {
			full := math.Pi * r * r
			return at, area > 0.7*full && area < 1.4*full
		}
	}
	return at, true
}

// window is the box of pixels around a round window; ok is false when it is not all in the
// picture.
func (p *Picture) window(at point, reach float64) (x0, y0, x1, y1 int, ok bool) {
	x0, x1 = int(math.Floor(at.x-reach)), int(math.Ceil(at.x+reach))
	y0, y1 = int(math.Floor(at.y-reach)), int(math.Ceil(at.y+reach))
	return x0, y0, x1, y1, x0 >= 0 && y0 >= 0 && x1 <= p.W && y1 <= p.H
}

// seen is the channel in which marks are looked at, as a byte offset in a row.
func (p *Picture) seen() int {
	if p.Channels == 3 {
		return p.sampleBytes() // green
	}
	return 0
}

// levels gives the median of the inner half of a disc and of the ring around it.
func (p *Picture) levels(at point, r, reach float64) (dark, white float64, ok bool) {
	x0, y0, x1, y1, ok := p.window(at, reach)
	if !ok {
		return 0, 0, false
	}
	var inner, ring [256]int
	near, from, to := 0.25*r*r, 0.75*reach+0.25*r, reach*reach
	from *= from
	step := p.Step * p.sampleBytes()
	// About 40 x 40 pixels are enough for a median.
	skip := max(1, int(reach/20))
	for y := y0; y < y1; y += skip {
		row := p.Pix[y*p.stride()+p.seen():]
		dy := float64(y) + 0.5 - at.y
		for x := x0; x < x1; x += skip {
			dx := float64(x) + 0.5 - at.x
			switch d := dx*dx + dy*dy; {
			case d < near:
				inner[row[x*step]]++
			case d > from && d < to:
				ring[row[x*step]]++
			}
		}
	}
	dark, white = middle(&inner), middle(&ring)
	return dark, white, white-dark >= 25
}

// middle is the median of a histogram.
func middle(h *[256]int) float64 {
	n := 0
	for _, c := range h {
		n += c
	}
	half := n / 2
	for v, c := range h {
		if half -= c; half < 0 {
			return float64(v)
		}
	}
	return 0
}

// gravity gives the centre and the area, in pixels, of what is dark in a window.
func (p *Picture) gravity(at point, reach, dark, white float64) (c point, area float64, ok bool) {
	x0, y0, x1, y1, ok := p.window(at, reach)
	if !ok {
		return at, 0, false
	}
	sb, step := p.sampleBytes(), p.Step*p.sampleBytes()
	// What differs from white by less than a sixth of the contrast is texture, not mark. Levels are
	// in 1/256 of a step of 8 bits, places from the middle of the window's first pixel.
	limit := white - (white-dark)/6
	full := int(math.Round(limit * 256))
	var n, sx, sy int
	for y := y0; y < y1; y++ {
		dy := float64(y) + 0.5 - at.y
		half := reach*reach - dy*dy
		if half < 0 {
			continue
		}
		half = math.Sqrt(half)
		xa, xb := max(x0, int(math.Ceil(at.x-half-0.5))), min(x1, int(math.Floor(at.x+half-0.5))+1)
		if xa >= xb {
			continue
		}
		row := p.Pix[y*p.stride()+p.seen()+xa*step:]
		sum, moment := 0, 0
		for x, k := xa-x0, 0; x < xb-x0; x, k = x+1, k+step {
			v := int(row[k]) << 8
			if sb == 2 {
				v |= int(row[k+1])
			}
			if w := full - v; w > 0 {
				sum += w
				moment += w * x
			}
		}
		n, sx, sy = n+sum, sx+moment, sy+sum*(y-y0)
	}
	if n == 0 {
		return at, 0, false
	}
	f := float64(n)
	return point{float64(x0) + 0.5 + float64(sx)/f, float64(y0) + 0.5 + float64(sy)/f}, f / 256 / (limit - dark), true
}
