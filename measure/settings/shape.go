package settings

import (
	"math"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
)

// A change of the settings is described by what it does to the tints that the chart asks for, in
// few numbers: for every channel, how its tint changes with the tint itself (three shapes), with
// the load of the other inks beside it, and with each other channel's tint. Whatever a driver
// does between the chart's values and the ink, it does to tints; and what a tint does to the
// colour is read off the chart's own ramps and overprints.
//
// The own shapes of a channel's change: in proportion, at the mid-tone, up in the lights and
// down in the darks, with the load, and where the paper is bare. Each has height 1 at its highest.
const (
	shapeStrength = iota
	shapeMid
	shapeSkew
	shapeLoad
	shapeFog  // from the paper on, as when a lower contrast greys it
	shapeOver // what the channel has beyond the least of all colours: the chroma of the patch
	ownShapes // the tints of the other channels follow, in their order
)

// skewHeight scales t(1-t)(1-2t) to a height of 1.
const skewHeight = 10.392304845413264

// shapes knows the coordinates of a change for a number of channels.
type shapes struct {
	channels int
	colours  []int // without black
}

// size is the number of coordinates of a change.
func (s shapes) size() int { return s.channels * s.each() }

func (s shapes) each() int { return ownShapes + s.channels - 1 }

// own is the index of a channel's own shape.
func (s shapes) own(channel, shape int) int { return channel*s.each() + shape }

// cross is the index of what channel does with the tint of other.
func (s shapes) cross(channel, other int) int {
	if other > channel {
		other--
	}
	return channel*s.each() + ownShapes + other
}

// values fills f with the heights of channel's shapes at tints t.
func (s shapes) values(t []float64, channel int, f []float64) {
	x := t[channel]
	f[shapeStrength] = x
	f[shapeMid] = 4 * x * (1 - x)
	f[shapeSkew] = skewHeight * x * (1 - x) * (1 - 2*x)
	f[shapeFog] = (1 - x) * (1 - x)
	i, sum := ownShapes, 0.0
	for k, other := range t {
		if k != channel {
			f[i] = other
			sum += other
			i++
		}
	}
	least := 1.0
	black := true
	for _, k := range s.colours {
		least = math.Min(least, t[k])
		black = black && k != channel
	}
	f[shapeOver] = 0
	if !black {
		f[shapeOver] = x - least
	}
	f[shapeLoad] = x * sum / math.Max(1, float64(len(t)-1))
}

// reachUp and reachDown bound how far a tint may move in the local picture of a print.
const (
	reachUp   = 0.3
	reachDown = 0.3
	reachPast = 0.12 // beyond those, by extrapolation
	nodes     = 5
)

// pastFull is how much of a tint beyond the full one is laid down: drivers cut there, printers
// whose full tint is not their most ink do not.
const pastFull = 0.5

// picture is one print as a function of a change of tints around it.
type picture struct {
	shapes
	tints [][]float64
	logs  [][3]float64 // measured
	lab   []colour.Lab
	// form[p][c] are the values of channel c's shapes at patch p.
	form [][][]float64
	// bend[p][c] are polynomials in the tint's change, for each of the three logs.
	bend [][][3][nodes]float64
	low  [][]float64 // how far each tint may fall
	// metric[p] takes a small difference in Lab to one whose length is CIEDE2000, nearly.
	metric [][3][3]float64
}

// newPicture makes the picture of a print whose response is r. have marks the patches read.
func newPicture(chart *drift.Chart, labs []colour.Lab, r *drift.Response) *picture {
	pic := &picture{shapes: rolesOf(chart).shapes, tints: chart.Tints(), lab: labs}
	n, nc := len(labs), pic.channels
	pic.logs = make([][3]float64, n)
	pic.form = make([][][]float64, n)
	pic.bend = make([][][3][nodes]float64, n)
	pic.low = make([][]float64, n)
	pic.metric = make([][3][3]float64, n)
	t := make([]float64, nc)
	for p := range n {
		pic.logs[p] = drift.LogsOf(labs[p])
		pic.metric[p] = metricAt(labs[p])
		pic.form[p] = make([][]float64, nc)
		pic.bend[p] = make([][3][nodes]float64, nc)
		pic.low[p] = make([]float64, nc)
		at := r.Logs(pic.tints[p])
		for c := range nc {
			pic.form[p][c] = make([]float64, pic.each())
			pic.values(pic.tints[p], c, pic.form[p][c])
			low := -math.Min(pic.tints[p][c], reachDown)
			pic.low[p][c] = -math.Min(pic.tints[p][c], reachDown+reachPast)
			var x [nodes]float64
			var z [nodes][3]float64
			for k := range nodes {
				x[k] = low + (reachUp-low)*float64(k)/(nodes-1)
				copy(t, pic.tints[p])
				t[c] += x[k]
				z[k] = r.Logs(t)
			}
			for b := range 3 {
				var y [nodes]float64
				for k := range nodes {
					y[k] = z[k][b] - at[b]
				}
				pic.bend[p][c][b] = polynomial(x, y)
			}
		}
	}
	return pic
}

// polynomial gives the coefficients, lowest first, of the polynomial through the points (Newton's
// divided differences).
func polynomial(x, y [nodes]float64) (c [nodes]float64) {
	d := y
	for k := 1; k < nodes; k++ {
		for i := nodes - 1; i >= k; i-- {
			d[i] = (d[i] - d[i-1]) / (x[i] - x[i-k])
		}
	}
	c[0] = d[nodes-1]
	for k := nodes - 2; k >= 0; k-- {
		for i := nodes - 1; i > 0; i-- {
			c[i] = c[i-1] - x[k]*c[i]
		}
		c[0] = d[k] - x[k]*c[0]
	}
	return c
}

// moved gives the change of the logs of patch p under the change c, and, unless slope is nil, its
// derivative with respect to each channel's tint.
func (pic *picture) moved(p int, c []float64, slope *[16][3]float64) (z [3]float64) {
	each := pic.each()
	for ch, form := range pic.form[p] {
		d := 0.0
		for k, f := range form {
			d += f * c[ch*each+k]
		}
		flat := false
		over := 1.0
		if top := 1 - pic.tints[p][ch]; d > top {
			d, over = top+pastFull*(d-top), pastFull
		}
		if low := pic.low[p][ch]; d < low {
			d, flat = low, true
		} else if d > reachUp+reachPast {
			d, flat = reachUp+reachPast, true
		}
		for b := range 3 {
			q := &pic.bend[p][ch][b]
			z[b] += q[0] + d*(q[1]+d*(q[2]+d*(q[3]+d*q[4])))
			if slope != nil {
				slope[ch][b] = 0
				if !flat {
					slope[ch][b] = over * (q[1] + d*(2*q[2]+d*(3*q[3]+d*4*q[4])))
				}
			}
		}
	}
	return z
}

// metricAt is the local metric of CIEDE2000 at a colour, without its rotation term: lightness,
// chroma and hue divided by their weights (ISO/CIE 11664-6).
func metricAt(c colour.Lab) (m [3][3]float64) {
	l := c.L - 50
	sl := 1 + 0.015*l*l/math.Sqrt(20+l*l)
	ch := c.Chroma()
	c7 := math.Pow(ch, 7)
	g := 1.5 - 0.5*math.Sqrt(c7/(c7+6103515625))
	a, b := g*c.A, c.B
	ch = math.Hypot(a, b)
	u, v := 1.0, 0.0
	t := 1.0
	if ch > 1e-9 {
		u, v = a/ch, b/ch
		h := math.Atan2(b, a)
		t = 1 - 0.17*math.Cos(h-math.Pi/6) + 0.24*math.Cos(2*h) + 0.32*math.Cos(3*h+math.Pi/30) - 0.2*math.Cos(4*h-63*math.Pi/180)
	}
	sc, sh := 1+0.045*ch, 1+0.015*ch*t
	m[0] = [3]float64{1 / sl, 0, 0}
	m[1] = [3]float64{0, u * g / sc, v / sc}
	m[2] = [3]float64{0, -v * g / sh, u / sh}
	return m
}

// labSlope is the derivative of Lab with respect to the logs at a colour.
func labSlope(z [3]float64) (s [3][3]float64) {
	const epsilon = 216.0 / 24389
	var f [3]float64
	for i, v := range z {
		x := math.Exp(v)
		r := x - math.Exp(logsAtBlack)
		if r > epsilon {
			f[i] = x / (3 * math.Cbrt(r*r))
		} else {
			f[i] = x * 841.0 / 108
		}
	}
	s[0][1] = 116 * f[1]
	s[1][0], s[1][1] = 500*f[0], -500*f[1]
	s[2][1], s[2][2] = 200*f[1], -200*f[2]
	return s
}

var logsAtBlack = drift.LogsOf(colour.Lab{})[0]
