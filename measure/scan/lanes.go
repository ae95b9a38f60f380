package scan

import (
	"math"
)

// segmentMM is the length over which the goods' stretch is taken as even.
const segmentMM = 5.0

// lane is a part of a strip's width as sums over samples along the feed.
type lane struct {
	sum, weight []float64
}

// readLanes sums the light of each lane of a span into samples along the feed, for each of the
// channels. Each pixel is shared between the two samples that it lies between, which keeps the
// centre of gravity of every line where it is.
func (d *reducer) readLanes(sp span, skip int, channels []int) [][lanes]lane {
	out := make([][lanes]lane, len(channels))
	for i := range out {
		for k := range out[i] {
			out[i][k] = lane{sum: make([]float64, sp.n+1), weight: make([]float64, sp.n+1)}
		}
	}
	first, last := sp.start, sp.start+float64(sp.n-1)*sp.pitch
	for a := first - sp.pitch; a < last+sp.pitch; a += segmentMM {
		d.readSegment(out, sp, a, min(a+segmentMM, last+sp.pitch), skip, channels)
	}
	return out
}

// readSegment adds the pixels of one box of the sheet. All lanes of a row are read together, since
// what costs time in a large picture is to fetch a row's part from memory.
func (d *reducer) readSegment(out [][lanes]lane, sp span, a, b float64, skip int, channels []int) {
	c := d.sheet((sp.from+sp.to)/2, (a+b)/2)
	hu, hv := (sp.to-sp.from)/2, (b-a)/2
	hx, hy := hu, hv
	if d.feedX {
		hx, hy = hv, hu
	}
	t := d.w.around(c, hx, hy)
	// The inverse takes pixels to mm from the middle: u across and v along the feed.
	det := t.det()
	ux, uy := t.e/det, -t.b/det
	vx, vy := -t.d/det, t.a/det
	if d.feedX {
		ux, uy, vx, vy = vx, vy, ux, uy
	}
	// Rows of the picture that the box touches.
	reach := math.Abs(t.d)*hx + math.Abs(t.e)*hy
	y0, y1 := max(0, int(math.Floor(t.f-reach))), min(d.p.H-1, int(math.Ceil(t.f+reach)))
	step, sb := d.p.Step*d.p.sampleBytes(), d.p.sampleBytes()
	// v in samples from the first one.
	toSample, zero := 1/sp.pitch, ((a+b)/2-sp.start)/sp.pitch
	for y := y0 + (skip-y0%skip)%skip; y <= y1; y += skip {
		dy := float64(y) + 0.5 - t.f
		lo, hi := clipRange(math.Inf(-1), math.Inf(1), vx, vy*dy, hv)
		lo, hi = clipRange(lo, hi, ux, uy*dy, hu)
		if lo > hi {
			continue
		}
		// Pixel x has its centre at x + 0.5 - t.c from the middle.
		pixel := func(x float64) int { return int(math.Ceil(x + t.c - 0.5)) }
		x0, x1 := max(0, pixel(lo)), min(d.p.W, pixel(hi))
		for k := range lanes {
			lo, hi := clipRange(lo, hi, ux, uy*dy+hu*(1-float64(2*k+1)/lanes), hu/lanes)
			if lo > hi {
				continue
			}
			xa, xb := max(x0, pixel(lo)), min(x1, pixel(hi))
			if xa >= xb {
				continue
			}
			v, dv := (vx*(float64(xa)+0.5-t.c)+vy*dy)*toSample+zero, vx*toSample
			for i, c := range channels {
				row := d.p.Pix[y*d.p.stride()+xa*step+c*sb:]
				if sb == 1 {
					out[i][k].add8(row, step, xb-xa, d.lut[c], v, dv)
				} else {
					out[i][k].add16(row, step, xb-xa, d.lut[c], v, dv)
				}
			}
		}
	}
}

// clipRange narrows lo..hi to where |k x + c| <= half.
func clipRange(lo, hi, k, c, half float64) (float64, float64) {
	if math.Abs(k) < 1e-12 {
		if math.Abs(c) > half {
			return 1, 0
		}
		return lo, hi
	}
	p, q := (-half-c)/k, (half-c)/k
	if p > q {
		p, q = q, p
	}
	return max(lo, p), min(hi, q)
}

// run is how many neighbouring pixels are added as one where they belong to about one sample.
const run = 8

// runs is how many times run pixels are shared out as one.
func runs(dv float64) int { return int(min(8, 0.25/(math.Abs(dv)*run+1e-9))) }

// add8 adds n samples of a row, step bytes apart, whose sample position is v, v + dv, ...
func (l *lane) add8(row []byte, step, n int, lut []float32, v, dv float64) {
	table := (*[256]float32)(lut)
	i := 0
	for m := runs(dv); m > 0 && n >= run; {
		m = min(m, n/run)
		var s float32
		for range m {
			if step == 3 {
				p := (*[3*run - 2]byte)(row[i:])
				s += (table[p[0]] + table[p[3]]) + (table[p[6]] + table[p[9]]) +
					(table[p[12]] + table[p[15]]) + (table[p[18]] + table[p[21]])
			} else {
				p := row[i : i+(run-1)*step+1]
				s += (table[p[0]] + table[p[step]]) + (table[p[2*step]] + table[p[3*step]]) +
					(table[p[4*step]] + table[p[5*step]]) + (table[p[6*step]] + table[p[7*step]])
			}
			i += run * step
		}
		k := float64(run * m)
		l.add(v+dv*(k-1)/2, float64(s), k)
		v += dv * k
		n -= run * m
	}
	for ; n > 0; n-- {
		l.add(v, float64(table[row[i]]), 1)
		i += step
		v += dv
	}
}

func (l *lane) add16(row []byte, step, n int, lut []float32, v, dv float64) {
	i := 0
	for m := runs(dv); m > 0 && n >= run; {
		m = min(m, n/run)
		var s float32
		for range m * run {
			s += lut[uint16(row[i])<<8|uint16(row[i+1])]
			i += step
		}
		k := float64(run * m)
		l.add(v+dv*(k-1)/2, float64(s), k)
		v += dv * k
		n -= run * m
	}
	for ; n > 0; n-- {
		l.add(v, float64(lut[uint16(row[i])<<8|uint16(row[i+1])]), 1)
		i += step
		v += dv
	}
}

// add shares light between the samples on both sides of v.
func (l *lane) add(v, light, weight float64) {
	k := int(v + 1)
	if v < -1 || k > len(l.sum)-1 {
		return
	}
	f := v + 1 - float64(k) // of the way from sample k-1 to sample k
	if k > 0 {
		l.sum[k-1] += (1 - f) * light
		l.weight[k-1] += (1 - f) * weight
	}
	l.sum[k] += f * light
	l.weight[k] += f * weight
}

// means divides sums by weights over n samples; a sample without pixels takes its neighbour's.
func (l lane) means(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		switch {
		case l.weight[i] > 0:
			out[i] = l.sum[i] / l.weight[i]
		case i > 0:
			out[i] = out[i-1]
		}
	}
	return out
}
