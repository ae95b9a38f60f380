package scan

import (
	"math"
	"runtime"
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
	found  []blob
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
	// Where a square is large a row of two is enough, and two pixels of that.
	rows, cols, first := f, f, 0
	if f >= 4 {
		rows, cols, first = f/4, 2, f/2
	}
	gap := f / cols
	sb := p.sampleBytes()
	channel := 0
	if p.Channels == 3 {
		channel = 1
	}
	step := p.Step * sb
	inBands(o.h, func(from, to int) {
		sums := make([]uint32, o.w)
		for y := from; y < to; y++ {
			out := o.pix[y*o.w:][:o.w]
			if rows == 1 && cols == 2 {
				row := p.Pix[(y*f+first)*p.stride()+channel*sb:]
				at, next, on := 0, gap*step, f*step
				for x := range out {
					out[x] = byte((uint(row[at]) + uint(row[next])) / 2)
					at, next = at+on, next+on
				}
				continue
			}
			clear(sums)
			for dy := range rows {
				row := p.Pix[(y*f+first+dy)*p.stride()+channel*sb:]
				for dx := range cols {
					at := dx * gap * step
					for x := range sums {
						sums[x] += uint32(row[at])
						at += f * step
					}
				}
			}
			n := uint32(rows * cols)
			for x, s := range sums {
				out[x] = byte(s / n)
			}
		}
	})
	o.levels()
	return o
}

// inBands splits n rows into a band for each core.
func inBands(n int, f func(from, to int)) {
	bands := runtime.GOMAXPROCS(0)
	inParallel(bands, func(i int) { f(i*n/bands, (i+1)*n/bands) })
}

// levels finds what is white and black here, by the histogram of every third pixel.
func (o *overview) levels() {
	var h [256]int
	total := 0.0
	for i := 0; i < len(o.pix); i += 3 {
		h[o.pix[i]]++
		total++
	}
	quantile := func(q float64) byte {
		n := 0
		for v, c := range h {
			if n += c; float64(n) >= q*total {
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
