package scan

import (
	"math"
	"slices"
)

// overviewDPI is about the resolution at which marks and code are looked for: a mark is 18
// pixels wide, a module of the code 3 or more.
const overviewDPI = 150.0

// overview is a small grey picture: the green (or only) channel, averaged over squares of
// factor x factor pixels, as encoded, 8 bits.
type overview struct {
	w, h   int
	factor int
	pix    []byte
	white  byte // of the brightest twentieth
	black  byte // of the darkest hundredth
}

func (p *Picture) overview(dpi float64) *overview {
	f := 1
	if dpi > 0 {
		f = max(1, int(math.Round(dpi/overviewDPI)))
	} else {
		f = max(1, (max(p.W, p.H)+900)/1800)
	}
	o := &overview{w: p.W / f, h: p.H / f, factor: f}
	o.pix = make([]byte, o.w*o.h)
	// Half of the rows and columns of a square are enough where it is large.
	skip := 1
	if f >= 4 {
		skip = 2
	}
	sb := p.sampleBytes()
	channel := 0
	if p.Channels == 3 {
		channel = 1
	}
	step := p.Step * sb
	sums := make([]int32, o.w)
	for y := range o.h {
		clear(sums)
		n := int32(0)
		for dy := 0; dy < f; dy += skip {
			row := p.Pix[(y*f+dy)*p.stride()+channel*sb:]
			n++
			for dx := 0; dx < f; dx += skip {
				at := dx * step
				for x := range sums {
					sums[x] += int32(row[at])
					at += f * step
				}
			}
		}
		n *= int32((f + skip - 1) / skip)
		for x, s := range sums {
			o.pix[y*o.w+x] = byte(s / n)
		}
	}
	o.levels()
	return o
}

// levels finds what is white and black here, by the histogram.
func (o *overview) levels() {
	var h [256]int
	for _, v := range o.pix {
		h[v]++
	}
	quantile := func(q float64) byte {
		n := 0
		for v, c := range h {
			if n += c; float64(n) >= q*float64(len(o.pix)) {
				return byte(v)
			}
		}
		return 255
	}
	o.black, o.white = quantile(0.01), quantile(0.90)
}

// at gives a pixel, or white outside.
func (o *overview) at(x, y int) byte {
	if x < 0 || y < 0 || x >= o.w || y >= o.h {
		return o.white
	}
	return o.pix[y*o.w+x]
}

// spot is a dark roundish thing in the overview, which may be a mark.
type spot struct {
	x, y     float64 // centre, in full-resolution pixels (pixel centres at .5)
	diameter float64 // in full-resolution pixels
}

// spots finds dark areas that are about as wide as high, filled like a disc, and have white
// around them. Where dpi is known their size must be about that of a mark.
func (o *overview) spots(dpi float64) []spot {
	limit := byte((int(o.white) + int(o.black)) / 2)
	lo, hi := 5.0, float64(min(o.w, o.h))/8
	if dpi > 0 {
		d := 3.0 / 25.4 * dpi / float64(o.factor)
		lo, hi = 0.6*d, 1.5*d
	}
	var out []spot
	seen := make([]bool, len(o.pix))
	var stack []int32
	for start, v := range o.pix {
		if v > limit || seen[start] {
			continue
		}
		x0, y0, x1, y1 := o.w, o.h, 0, 0
		var n, sx, sy float64
		stack = append(stack[:0], int32(start))
		seen[start] = true
		for len(stack) > 0 {
			i := int(stack[len(stack)-1])
			stack = stack[:len(stack)-1]
			x, y := i%o.w, i/o.w
			x0, y0, x1, y1 = min(x0, x), min(y0, y), max(x1, x), max(y1, y)
			n, sx, sy = n+1, sx+float64(x), sy+float64(y)
			for _, d := range [4][2]int{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
				u, v := x+d[0], y+d[1]
				if u < 0 || v < 0 || u >= o.w || v >= o.h {
					continue
				}
				if k := v*o.w + u; !seen[k] && o.pix[k] <= limit {
					seen[k] = true
					stack = append(stack, int32(k))
				}
			}
		}
		w, h := float64(x1-x0+1), float64(y1-y0+1)
		if w < lo || h < lo || w > hi || h > hi || w > 1.4*h || h > 1.4*w {
			continue
		}
		// A disc fills pi/4 of its box; a square all of it, a ring or letter less.
		if fill := n / (w * h); fill < 0.6 || fill > 0.92 {
			continue
		}
		cx, cy := sx/n, sy/n
		if !o.whiteAround(cx, cy, max(w, h)/2, limit) {
			continue
		}
		f := float64(o.factor)
		out = append(out, spot{(cx + 0.5) * f, (cy + 0.5) * f, 2 * math.Sqrt(n/math.Pi) * f})
	}
	if dpi == 0 {
		out = commonSize(out)
	}
	return out
}

// whiteAround reports whether nearly all of a ring around a disc is lighter than limit.
func (o *overview) whiteAround(cx, cy, r float64, limit byte) bool {
	dark := 0
	for i := range 24 {
		a := float64(i) * math.Pi / 12
		if o.at(int(math.Round(cx+1.5*r*math.Cos(a))), int(math.Round(cy+1.5*r*math.Sin(a)))) <= limit {
			dark++
		}
	}
	return dark <= 2
}

// commonSize keeps the spots of the size that most have, within a tenth.
func commonSize(s []spot) []spot {
	best, most := 0.0, 0
	for _, a := range s {
		n := 0
		for _, b := range s {
			if math.Abs(a.diameter-b.diameter) < 0.1*a.diameter {
				n++
			}
		}
		if n > most {
			best, most = a.diameter, n
		}
	}
	return slices.DeleteFunc(s, func(a spot) bool { return math.Abs(a.diameter-best) > 0.15*best })
}
