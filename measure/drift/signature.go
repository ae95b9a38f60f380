package drift

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"swathkeeper/measure/colour"
)

// logFloor is added to reflectance before the logarithm, so that noise in the deepest darks,
// where instruments and surfaces are worst, is not blown up.
const logFloor = 0.003

// optics converts between bands of log reflectance and Lab. There are three bands, X, Y and Z
// relative to the white, or as many as the spectra have.
type optics struct {
	// weights[b] is what band b adds to X/Xn, Y/Yn, Z/Zn for a reflectance of 1.
	weights [][3]float64
	space   string
}

func tristimulusOptics() *optics {
	return &optics{weights: [][3]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}, space: "lab"}
}

func spectralOptics(sp *Spectra) (*optics, error) {
	n := len(sp.Values[0])
	w, err := colour.NewWeights(colour.IlluminantD50, sp.StartNM, sp.StepNM, n)
	if err != nil {
		return nil, err
	}
	o := &optics{space: "spectra", weights: make([][3]float64, n)}
	white := w.White()
	for b := range o.weights {
		x := w.Band(b)
		o.weights[b] = [3]float64{x.X / white.X, x.Y / white.Y, x.Z / white.Z}
	}
	return o, nil
}

func relative(c colour.Lab) [3]float64 {
	x := c.XYZ(colour.D50)
	return [3]float64{x.X / colour.D50.X, x.Y / colour.D50.Y, x.Z / colour.D50.Z}
}

// labSlope is the derivative of Lab with respect to relative X, Y, Z at a colour.
func labSlope(x [3]float64) (s [3][3]float64) {
	var f [3]float64
	for i, v := range x {
		if v > 216.0/24389 {
			f[i] = 1 / (3 * math.Cbrt(v*v))
		} else {
			f[i] = 841.0 / 108
		}
	}
	s[0][1] = 116 * f[1]
	s[1][0], s[1][1] = 500*f[0], -500*f[1]
	s[2][1], s[2][2] = 200*f[1], -200*f[2]
	return s
}

// change turns small changes of the log bands at a patch (whose log bands are logs and whose
// relative tristimulus values are x) into a change of Lab.
func (o *optics) change(logs, d []float64, slope *[3][3]float64) (lab [3]float64) {
	var dx [3]float64
	for b, w := range o.weights {
		r := math.Exp(logs[b]) * d[b]
		for i := range dx {
			dx[i] += w[i] * r
		}
	}
	for i := range lab {
		for j := range dx {
			lab[i] += slope[i][j] * dx[j]
		}
	}
	return lab
}

// signatures are the changes of every patch for one unit of every factor.
type signatures struct {
	factors []Factor
	columns [][]float64 // factor -> patch*3 + (L, a, b)
	curves  [][]float64 // strength factor -> second derivative, per percent squared
	solids  []solid     // channel -> colour of the solid and how it moves
	paper   [3]float64
	space   string
	dropped int
}

// solid describes a channel's full tint on the paper.
type solid struct {
	lab  [3]float64
	hue  [3]float64 // unit vector in Lab, across the hue, square to the change with strength
	cast [3]float64 // square to both
	span float64    // Lab units between paper and solid
}

// tintsOf converts device values into tints 0..1.
func tintsOf(c *Chart) [][]float64 {
	t := make([][]float64, len(c.Device))
	for p, row := range c.Device {
		t[p] = make([]float64, len(row))
		for i, v := range row {
			if c.Driven == DrivenRGB {
				t[p][i] = 1 - v/255
			} else {
				t[p][i] = v / 100
			}
		}
	}
	return t
}

// buildSignatures fits the surface to the mean colours and derives every factor's signature.
// Patches with known[p] false take no part in the fit. logs holds the mean log bands.
func buildSignatures(chart *Chart, o *optics, logs [][]float64, labs [][3]float64, known []bool) (*signatures, error) {
	tints := tintsOf(chart)
	n, nc, bands := len(tints), len(chart.Channels), len(o.weights)
	var fitTints [][]float64
	var rows []int
	for p := range n {
		if known[p] {
			fitTints = append(fitTints, tints[p])
			rows = append(rows, p)
		}
	}
	values := mat.NewDense(len(rows), bands, nil)
	variance := make([]float64, len(rows))
	for i, p := range rows {
		values.SetRow(i, logs[p])
		// Noise is about even in lightness; in log reflectance it grows towards the darks.
		v := 3 * 0.15 / (labs[p][0] + 16)
		variance[i] = v * v
	}
	s, err := fitSurface(fitTints, values, variance)
	if err != nil {
		return nil, err
	}
	b := signatureBuilder{chart: chart, optics: o, surface: s, tints: tints, n: n, nc: nc, bands: bands}
	b.predict(logs, labs, known)
	b.findSolids()
	b.inkFactors()
	b.sheetFactors()
	b.out.space = o.space
	return &b.out, nil
}

type signatureBuilder struct {
	chart        *Chart
	optics       *optics
	surface      *surface
	tints        [][]float64
	n, nc, bands int
	logs         [][]float64     // patch -> log bands
	slope        [][3][3]float64 // patch -> dLab/dXYZ
	x            [][3]float64    // patch -> relative XYZ
	fitted       [][]float64     // patch -> log bands as the surface has them
	first        [][][]float64   // patch -> channel -> band
	second       [][][]float64
	solidLogs    [][]float64
	paperLogs    []float64
	out          signatures
}

// predict takes the measured mean where a patch is known (the surface's misfit must not leak
// into signatures) and the surface where it is not, and the slopes from the surface.
func (b *signatureBuilder) predict(logs [][]float64, labs [][3]float64, known []bool) {
	b.logs = make([][]float64, b.n)
	b.slope, b.x = make([][3][3]float64, b.n), make([][3]float64, b.n)
	b.first, b.second = make([][][]float64, b.n), make([][][]float64, b.n)
	b.fitted = matrix(b.n, b.bands)
	for p := range b.n {
		b.surface.at(b.tints[p], b.fitted[p])
		b.logs[p] = b.fitted[p]
		if known[p] {
			b.logs[p] = logs[p]
		}
		b.x[p] = b.tristimulus(b.logs[p])
		if known[p] {
			b.x[p] = relative(colour.Lab{L: labs[p][0], A: labs[p][1], B: labs[p][2]})
		}
		b.slope[p] = labSlope(b.x[p])
		b.first[p], b.second[p] = matrix(b.nc, b.bands), matrix(b.nc, b.bands)
		b.surface.slopes(b.tints[p], b.first[p], b.second[p])
	}
}

func (b *signatureBuilder) tristimulus(logs []float64) (x [3]float64) {
	for i, w := range b.optics.weights {
		r := math.Exp(logs[i]) - logFloor
		for j := range x {
			x[j] += w[j] * r
		}
	}
	return x
}

func matrix(rows, cols int) [][]float64 {
	flat := make([]float64, rows*cols)
	m := make([][]float64, rows)
	for i := range m {
		m[i] = flat[i*cols : (i+1)*cols]
	}
	return m
}

func labOf(x [3]float64) [3]float64 {
	c := colour.XYZ{X: x[0] * colour.D50.X, Y: x[1] * colour.D50.Y, Z: x[2] * colour.D50.Z}.Lab(colour.D50)
	return [3]float64{c.L, c.A, c.B}
}

// findSolids predicts each channel's full tint alone on the paper, and the three directions of
// Lab there: with strength, across the hue, and the rest.
func (b *signatureBuilder) findSolids() {
	at := make([]float64, b.nc)
	b.paperLogs = make([]float64, b.bands)
	b.surface.at(at, b.paperLogs)
	paper := labOf(b.tristimulus(b.paperLogs))
	b.out.paper = paper
	b.solidLogs = matrix(b.nc, b.bands)
	b.out.solids = make([]solid, b.nc)
	first, second := matrix(b.nc, b.bands), matrix(b.nc, b.bands)
	for c := range b.nc {
		at[c] = 1
		b.surface.at(at, b.solidLogs[c])
		b.surface.slopes(at, first, second)
		at[c] = 0
		x := b.tristimulus(b.solidLogs[c])
		slope := labSlope(x)
		lab := labOf(x)
		strong := unit(b.optics.change(b.solidLogs[c], first[c], &slope))
		across := [3]float64{0, -lab[2], lab[1]}
		if math.Hypot(lab[1], lab[2]) < neutralChroma {
			across = [3]float64{0, 1, 0}
		}
		across = unit(across)
		d := dot(across, strong)
		hue := unit([3]float64{across[0] - d*strong[0], across[1] - d*strong[1], across[2] - d*strong[2]})
		b.out.solids[c] = solid{lab: lab, hue: hue, cast: cross(strong, hue), span: distance(lab, paper)}
	}
}

// neutralChroma is the chroma of a solid below which its hue angle means nothing.
const neutralChroma = 12

// inkFactors adds strength, tone, hue and cast of every channel.
func (b *signatureBuilder) inkFactors() {
	for c, name := range b.chart.Channels {
		strength, tone := make([]float64, b.n*3), make([]float64, b.n*3)
		curve := make([]float64, b.n*3)
		d := make([]float64, b.bands)
		for p := range b.n {
			t := b.tints[p][c]
			if t == 0 {
				continue
			}
			for i := range d {
				d[i] = b.first[p][c][i] * t * 0.01
			}
			lab := b.optics.change(b.logs[p], d, &b.slope[p])
			copy(strength[p*3:], lab[:])
			bend := b.bend(p, c, lab)
			copy(curve[p*3:], bend[:])
			for i := range d {
				d[i] = b.first[p][c][i] * 4 * t * (1 - t) * 0.01
			}
			lab = b.optics.change(b.logs[p], d, &b.slope[p])
			copy(tone[p*3:], lab[:])
		}
		b.add(KindStrength, name, c, strength)
		b.out.curves = append(b.out.curves, curve)
		b.add(KindTone, name, c, tone)
	}
	for c, name := range b.chart.Channels {
		b.add(KindHue, name, c, b.inkColour(c, b.out.solids[c].hue))
		b.add(KindCast, name, c, b.inkColour(c, b.out.solids[c].cast))
	}
}

// bend is half the second derivative of Lab with the strength of channel c at patch p, per
// percent squared, from the exact colour at ten percent less and more.
func (b *signatureBuilder) bend(p, c int, lin [3]float64) (out [3]float64) {
	const step = 10.0
	moved := make([]float64, b.bands)
	for _, s := range []float64{-step, step} {
		dt := b.tints[p][c] * s * 0.01
		for i := range moved {
			moved[i] = b.logs[p][i] + b.first[p][c][i]*dt + b.second[p][c][i]*dt*dt/2
		}
		now, was := labOf(b.tristimulus(moved)), labOf(b.tristimulus(b.logs[p]))
		for i := range out {
			out[i] += (now[i] - was[i] - lin[i]*s) / (step * step) / 2
		}
	}
	return out
}

// inkColour is the signature of channel c's ink changing its colour so that its solid moves by
// one Lab unit along dir: the change of its log bands goes with the amount of ink.
func (b *signatureBuilder) inkColour(c int, dir [3]float64) []float64 {
	column := make([]float64, b.n*3)
	shift := b.bandShift(b.solidLogs[c], dir)
	full := make([]float64, b.bands)
	var norm float64
	for i := range full {
		full[i] = b.solidLogs[c][i] - b.paperLogs[i]
		norm += full[i] * full[i]
	}
	if norm < 1e-6 {
		return column
	}
	without, d := make([]float64, b.bands), make([]float64, b.bands)
	t := make([]float64, b.nc)
	for p := range b.n {
		if b.tints[p][c] == 0 {
			continue
		}
		copy(t, b.tints[p])
		t[c] = 0
		b.surface.at(t, without)
		var amount float64
		for i := range without {
			amount += (b.fitted[p][i] - without[i]) * full[i] / norm
		}
		for i := range d {
			d[i] = amount * shift[i]
		}
		lab := b.optics.change(b.logs[p], d, &b.slope[p])
		copy(column[p*3:], lab[:])
	}
	return column
}

// bandShift finds the smallest change of the log bands at logs that moves Lab by dir.
func (b *signatureBuilder) bandShift(logs []float64, dir [3]float64) []float64 {
	slope := labSlope(b.tristimulus(logs))
	m := mat.NewDense(3, b.bands, nil)
	d := make([]float64, b.bands)
	for i := range d {
		d[i] = 1
		lab := b.optics.change(logs, d, &slope)
		for j := range lab {
			m.Set(j, i, lab[j])
		}
		d[i] = 0
	}
	var x mat.Dense
	if err := x.Solve(m, mat.NewDense(3, 1, dir[:])); err != nil {
		return d
	}
	for i := range d {
		d[i] = x.At(i, 0)
	}
	return d
}

// sheetFactors adds what all channels share: paper white, load and flare.
func (b *signatureBuilder) sheetFactors() {
	for axis, name := range []string{"L", "a", "b"} {
		var dir [3]float64
		dir[axis] = 1
		shift := b.bandShift(b.paperLogs, dir)
		column := make([]float64, b.n*3)
		for p := range b.n {
			lab := b.optics.change(b.logs[p], shift, &b.slope[p])
			copy(column[p*3:], lab[:])
		}
		b.add(KindWhite, name, axis, column)
	}
	load, flare := make([]float64, b.n*3), make([]float64, b.n*3)
	for p := range b.n {
		var sum float64
		for _, t := range b.tints[p] {
			sum += t
		}
		for c := range b.nc {
			s := b.out.columns[2*c]
			for i := range 3 {
				load[p*3+i] += s[p*3+i] * sum / 2
			}
		}
		for i := range 3 {
			for j := range 3 {
				flare[p*3+i] += b.slope[p][i][j] * 0.01 * (1 - b.x[p][j])
			}
		}
	}
	b.add(KindLoad, "", 0, load)
	b.add(KindFlare, "", 0, flare)
}

func (b *signatureBuilder) add(kind, channel string, index int, column []float64) {
	name := kind
	if channel != "" {
		name += ":" + channel
	}
	b.out.factors = append(b.out.factors, Factor{Name: name, Kind: kind, Channel: channel, Index: index})
	b.out.columns = append(b.out.columns, column)
}

func dot(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

func distance(a, b [3]float64) float64 {
	return math.Sqrt((a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2]))
}

func unit(a [3]float64) [3]float64 {
	n := math.Sqrt(dot(a, a))
	if n == 0 {
		return a
	}
	return [3]float64{a[0] / n, a[1] / n, a[2] / n}
}

func cross(a, b [3]float64) [3]float64 {
	return [3]float64{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}
