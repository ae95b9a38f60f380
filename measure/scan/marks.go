package scan

import (
	"math"
	"slices"

	"swathkeeper/measure/chart"
)

// pinpoint places a mark to a fraction of a pixel: the centre of gravity of the darkness over
// the white around it, in a round window that is moved until it is centred on the mark. Blur
// does not move a centre of gravity. ok is false when what is there is not a disc of the right
// size on white.
func (p *Picture) pinpoint(at point, perMM float64) (centre point, ok bool) {
	r := chart.MarkDiameterMM / 2 * perMM
	reach := r + 0.9*perMM // within the white that the chart leaves around a mark
	for range 6 {
		c, area, good := p.gravity(at, r, reach)
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

// gravity gives the centre and the area, in pixels, of what is dark in a window.
func (p *Picture) gravity(at point, r, reach float64) (c point, area float64, ok bool) {
	x0, x1 := int(math.Floor(at.x-reach)), int(math.Ceil(at.x+reach))
	y0, y1 := int(math.Floor(at.y-reach)), int(math.Ceil(at.y+reach))
	if x0 < 0 || y0 < 0 || x1 > p.W || y1 > p.H {
		return at, 0, false
	}
	sb := p.sampleBytes()
	channel := 0
	if p.Channels == 3 {
		channel = 1
	}
	var inner, ring []byte
	for y := y0; y < y1; y++ {
		row := p.Pix[y*p.stride()+channel*sb:]
		for x := x0; x < x1; x++ {
			switch d := math.Hypot(float64(x)+0.5-at.x, float64(y)+0.5-at.y); {
			case d < 0.5*r:
				inner = append(inner, row[x*p.Step*sb])
			case d > 0.75*reach+0.25*r && d < reach:
				ring = append(ring, row[x*p.Step*sb])
			}
		}
	}
	if len(inner) < 4 || len(ring) < 8 {
		return at, 0, false
	}
	slices.Sort(inner)
	slices.Sort(ring)
	dark, white := float64(inner[len(inner)/2]), float64(ring[len(ring)/2])
	if white-dark < 25 {
		return at, 0, false
	}
	// What differs from white by less than a sixth of the contrast is texture, not mark.
	floor := (white - dark) / 6
	var n, sx, sy float64
	for y := y0; y < y1; y++ {
		row := p.Pix[y*p.stride()+channel*sb:]
		for x := x0; x < x1; x++ {
			dx, dy := float64(x)+0.5-at.x, float64(y)+0.5-at.y
			if dx*dx+dy*dy > reach*reach {
				continue
			}
			v := float64(row[x*p.Step*sb])
			if sb == 2 {
				v += float64(row[x*p.Step*sb+1]) / 256
			}
			if w := white - v - floor; w > 0 {
				n, sx, sy = n+w, sx+w*dx, sy+w*dy
			}
		}
	}
	if n == 0 {
		return at, 0, false
	}
	return point{at.x + sx/n, at.y + sy/n}, n / (white - dark - floor), true
}
