package scan

import (
	"math"

	"swathkeeper/measure/chart"
)

// segmentMM is the length over which the goods' stretch is taken as even.
const segmentMM = 5.0

// ahead is how many rows before they are read pixels are asked for.
const ahead = 4

// lane is a part of a strip's width as sums over samples along the feed.
type lane struct {
	sum, weight []float64
}

// task is a strip to be read.
type task struct {
	strip    chart.Strip
	sp       span
	skip     int // of the picture's rows, one in skip is looked at
	channels []int
	sums     [][lanes]lane // of each channel
}

// read sums the light of each lane of some strips into samples along the feed. Each pixel is shared
// between the two samples that it lies between, which keeps the centre of gravity of every line
// where it is. Strips that lie side by side are read together, a piece of each in turn, since they
// share pages of memory.
func (d *reducer) read(tasks []*task) {
	for _, k := range tasks {
		k.sums = make([][lanes]lane, len(k.channels))
		for i := range k.sums {
			for n := range k.sums[i] {
				k.sums[i][n] = lane{sum: make([]float64, k.sp.n+1), weight: make([]float64, k.sp.n+1)}
			}
		}
	}
	for n, more := 0, true; more; n++ {
		more = false
		for _, k := range tasks {
			first, last := k.sp.start-k.sp.pitch, k.sp.start+float64(k.sp.n)*k.sp.pitch
			if a := first + float64(n)*segmentMM; a < last {
				d.readSegment(k, a, min(a+segmentMM, last))
				more = true
			}
		}
	}
}

// readSegment adds the pixels of one box of the sheet. All lanes of a row are read together, since
// what costs time in a large picture is to fetch a row's part from memory.
func (d *reducer) readSegment(k *task, a, b float64) {
	sp, skip, out := k.sp, k.skip, k.sums
	c := d.sheet((sp.from+sp.to)/2, (a+b)/2)
	hu, hv := (sp.to-sp.from)/2, (b-a)/2
	hx, hy := hu, hv
	if d.feedX {
		hx, hy = hv, hu
	}
	t := d.w.around(c)
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
	kv, ku := reciprocal(vx), reciprocal(ux)
	for y := y0 + (skip-y0%skip)%skip; y <= y1; y += skip {
		dy := float64(y) + 0.5 - t.f
		lo, hi := clipRange(math.Inf(-1), math.Inf(1), kv, vy*dy, hv)
		lo, hi = clipRange(lo, hi, ku, uy*dy, hu)
		if lo > hi {
			continue
		}
		// Pixel x has its centre at x + 0.5 - t.c from the middle.
		pixel := func(x float64) int { return int(math.Ceil(x + t.c - 0.5)) }
		x0, x1 := max(0, pixel(lo)), min(d.p.W, pixel(hi))
		if soon := y + ahead*skip; soon <= y1 && x0 < x1 {
			prefetch(&d.p.Pix[soon*d.p.stride()+x0*step], (x1-x0)*step)
		}
		for n := range lanes {
			lo, hi := clipRange(lo, hi, ku, uy*dy+hu*(1-float64(2*n+1)/lanes), hu/lanes)
			if lo > hi {
				continue
			}
			xa, xb := max(x0, pixel(lo)), min(x1, pixel(hi))
			if xa >= xb {
				continue
			}
			v, dv := (vx*(float64(xa)+0.5-t.c)+vy*dy)*toSample+zero, vx*toSample
			for i, c := range k.channels {
				row := d.p.Pix[y*d.p.stride()+xa*step+c*sb:]
				out[i][n].addRow(row, step, xb-xa, d.p.Bits, d.lut[c], v, dv)
			}
		}
	}
}

// reciprocal is 1/k, and 0 for what is too small to have one here.
func reciprocal(k float64) float64 {
	if math.Abs(k) < 1e-12 {
		return 0
	}
	return 1 / k
}

// clipRange narrows lo..hi to where |x/k + c| <= half; k of 0 stands for x having no part in it.
func clipRange(lo, hi, k, c, half float64) (float64, float64) {
	if k == 0 {
		if math.Abs(c) > half {
			return 1, 0
		}
		return lo, hi
	}
	p, q := (-half-c)*k, (half-c)*k
	if p > q {
		p, q = q, p
	}
	return max(lo, p), min(hi, q)
}

// together is how many neighbouring pixels may be shared out as one: those that lie within a
// quarter of a sample.
func together(dv float64) int { return int(min(256, 0.25/(math.Abs(dv)+1e-9))) }

// addRow adds n samples of a row, step bytes apart, whose sample position is v, v + dv, ...
func (l *lane) addRow(row []byte, step, n, bits int, lut []float32, v, dv float64) {
	most := together(dv)
	for i := 0; n > 0; {
		m := max(1, min(n, most))
		var s float32
		if bits == 8 {
			s = sum8(row[i:], step, m, (*[256]float32)(lut))
		} else {
			s = sum16(row[i:], step, m, (*[65536]float32)(lut))
		}
		k := float64(m)
		l.add(v+dv*(k-1)/2, float64(s), k)
		i += m * step
		v += dv * k
		n -= m
	}
}

// sum8 is the light of n samples.
func sum8(row []byte, step, n int, lut *[256]float32) (s float32) {
	i := 0
	if step == 3 {
		for ; n >= 8; n -= 8 {
			p := (*[22]byte)(row[i:])
			s += (lut[p[0]] + lut[p[3]]) + (lut[p[6]] + lut[p[9]]) + (lut[p[12]] + lut[p[15]]) + (lut[p[18]] + lut[p[21]])
			i += 24
		}
	}
	for ; n > 0; n-- {
		s += lut[row[i]]
		i += step
	}
	return s
}

func sum16(row []byte, step, n int, lut *[65536]float32) (s float32) {
	for i := 0; n > 0; n-- {
		s += lut[uint16(row[i])<<8|uint16(row[i+1])]
		i += step
	}
	return s
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
