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
	// whole holds the signatures before separate, by name.
	whole map[string][]float64
}

// solid describes a channel's full tint on the paper.
type solid struct {
	lab [3]float64
	// Three unit vectors in Lab, square to each other: with strength, across the hue, the rest.
	strong, hue, cast [3]float64
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
	fitLogs, fitLabs := make([][]float64, len(rows)), make([][3]float64, len(rows))
	for i, p := range rows {
		fitLogs[i], fitLabs[i] = logs[p], labs[p]
	}
	s, err := surfaceOf(fitTints, fitLogs, fitLabs)
	if err != nil {
		return nil, err
	}
	b := signatureBuilder{chart: chart, optics: o, surface: s.reader(), tints: tints, n: n, nc: nc, bands: bands}
	b.predict(logs, labs, known)
	b.findSolids()
	b.inkFactors()
	b.sheetFactors()
	b.out.space = o.space
	return &b.out, nil
}

// surfaceOf fits the surface to patches' mean log bands.
func surfaceOf(tints, logs [][]float64, labs [][3]float64) (*surface, error) {
	values := mat.NewDense(len(tints), len(logs[0]), nil)
	variance := make([]float64, len(tints))
	for i := range tints {
		values.SetRow(i, logs[i])
		// Noise is about even in lightness; in log reflectance it grows towards the darks.
		v := 3 * 0.15 / (labs[i][0] + 16)
		variance[i] = v * v
	}
	return fitSurface(tints, values, variance)
}

type signatureBuilder struct {
	chart        *Chart
	optics       *optics
	surface      *surfaceReader
	tints        [][]float64
	n, nc, bands int
	logs         [][]float64     // patch -> log bands
	slope        [][3][3]float64 // patch -> dLab/dXYZ
	x            [][3]float64    // patch -> relative XYZ
	fitted       [][]float64     // patch -> log bands as the surface has them
	strong       [][][]float64   // channel -> patch -> change of the log bands per percent of strength
	solidLogs    [][]float64
	solidStrong  [][]float64
	paperLogs    []float64
	out          signatures
}

// predict takes the measured mean where a patch is known (the surface's misfit must not leak
// into signatures) and the surface where it is not, and the slopes from the surface.
func (b *signatureBuilder) predict(logs [][]float64, labs [][3]float64, known []bool) {
	b.logs = make([][]float64, b.n)
	b.slope, b.x = make([][3][3]float64, b.n), make([][3]float64, b.n)
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
	b.out.paper = labOf(b.tristimulus(b.paperLogs))
	b.solidLogs = matrix(b.nc, b.bands)
	b.out.solids = make([]solid, b.nc)
	less := make([]float64, b.bands)
	b.solidStrong = matrix(b.nc, b.bands)
	for c := range b.nc {
		at[c] = 1
		b.surface.at(at, b.solidLogs[c])
		at[c] = 1 - smallStep
		b.surface.at(at, less)
		at[c] = 0
		for i := range less {
			b.solidStrong[c][i] = (b.solidLogs[c][i] - less[i]) / smallStep * 0.01
		}
		x := b.tristimulus(b.solidLogs[c])
		slope := labSlope(x)
		lab := labOf(x)
		strong := unit(b.optics.change(b.solidLogs[c], b.solidStrong[c], &slope))
		across := [3]float64{0, -lab[2], lab[1]}
		if math.Hypot(lab[1], lab[2]) < neutralChroma {
			across = [3]float64{0, 1, 0}
		}
		across = unit(across)
		d := dot(across, strong)
		hue := unit([3]float64{across[0] - d*strong[0], across[1] - d*strong[1], across[2] - d*strong[2]})
		b.out.solids[c] = solid{lab: lab, strong: strong, hue: hue, cast: cross(strong, hue)}
	}
}

// neutralChroma is the chroma of a solid below which its hue angle means nothing.
const neutralChroma = 12

// inkFactors adds strength, tone and ink colour of every channel.
func (b *signatureBuilder) inkFactors() {
	var moved [3][]float64
	for i := range moved {
		moved[i] = make([]float64, b.bands)
	}
	scratch := make([]float64, b.nc)
	b.strong = make([][][]float64, b.nc)
	for c, name := range b.chart.Channels {
		strength, tone := make([]float64, b.n*3), make([]float64, b.n*3)
		curve := make([]float64, b.n*3)
		b.strong[c] = matrix(b.n, b.bands)
		for p := range b.n {
			t := b.tints[p][c]
			if t == 0 {
				continue
			}
			b.secants(p, c, &moved, scratch)
			d := b.strong[c][p]
			for i := range d {
				d[i] = (moved[1][i] - moved[0][i]) / (2 * smallStep) * 0.01
			}
			lin := b.optics.change(b.logs[p], d, &b.slope[p])
			copy(strength[p*3:], lin[:])
			// A change of the 50 % tint by a point, falling off to 0 and 100 %.
			copy(tone[p*3:], scale(lin, 4*(1-t)))
			far := b.exact(p, moved[2])
			const s = -100 * largeStep
			for i := range far {
				curve[p*3+i] = (far[i] - s*lin[i]) / (s * s)
			}
		}
		b.add(KindStrength, name, c, strength)
		b.out.curves = append(b.out.curves, curve)
		b.add(KindTone, name, c, tone)
	}
	for c, name := range b.chart.Channels {
		for i, column := range b.inkColours(c) {
			b.add(inkKinds[i], name, c, column)
		}
	}
}

// secants fills the change of the log bands at patch p for channel c scaled by 1 - step, 1 +
// step, and for the large step down that curvature is taken from. Differences of the surface
// over a step that matters are steadier than its derivatives.
func (b *signatureBuilder) secants(p, c int, out *[3][]float64, t []float64) {
	copy(t, b.tints[p])
	for i, k := range [3]float64{1 - smallStep, 1 + smallStep, 1 - largeStep} {
		t[c] = b.tints[p][c] * k
		b.surface.at(t, out[i])
		for band := range out[i] {
			out[i][band] -= b.fitted[p][band]
		}
	}
}

const (
	smallStep = 0.08
	largeStep = 0.25
)

// exact is the change of Lab at patch p when its log bands change by d.
func (b *signatureBuilder) exact(p int, d []float64) (lab [3]float64) {
	moved := make([]float64, b.bands)
	for i := range moved {
		moved[i] = b.logs[p][i] + d[i]
	}
	now, was := labOf(b.tristimulus(moved)), labOf(b.tristimulus(b.logs[p]))
	for i := range lab {
		lab[i] = now[i] - was[i]
	}
	return lab
}

// sheetFactors adds what all channels share: paper white, load and flare.
func (b *signatureBuilder) sheetFactors() {
	shows := b.paperShows()
	even := make([]float64, b.bands)
	for i := range even {
		even[i] = 1
	}
	for axis, name := range []string{"L", "a", "b"} {
		var dir [3]float64
		dir[axis] = 1
		shift := b.bandShift(b.paperLogs, even, dir)
		column := make([]float64, b.n*3)
		d := make([]float64, b.bands)
		for p := range b.n {
			for i := range d {
				d[i] = shift[i] * shows[p][i]
			}
			lab := b.optics.change(b.logs[p], d, &b.slope[p])
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

// traceOfInk is the tint that stands for a change of the paper.
const traceOfInk = 0.06

// paperShows says how much of a change of the paper is left, band by band, under the ink of
// each patch: all of it under a clear filter or between dots, little where dye and fibre absorb
// in one layer. Another paper acts like a trace of ink everywhere, and what a trace of ink does
// to a patch, compared with the bare sheet, the surface knows.
func (b *signatureBuilder) paperShows() [][]float64 {
	onPaper := matrix(b.nc, b.bands)
	sum := make([]float64, b.bands)
	t := make([]float64, b.nc)
	for c := range b.nc {
		t[c] = traceOfInk
		b.surface.at(t, onPaper[c])
		t[c] = 0
		for i := range sum {
			onPaper[c][i] -= b.paperLogs[i]
			sum[i] += onPaper[c][i] * onPaper[c][i]
		}
	}
	shows := matrix(b.n, b.bands)
	with := make([]float64, b.bands)
	for p := range b.n {
		copy(t, b.tints[p])
		for c := range b.nc {
			t[c] += traceOfInk
			b.surface.at(t, with)
			t[c] -= traceOfInk
			for i := range sum {
				if sum[i] > 0 {
					shows[p][i] += (with[i] - b.fitted[p][i]) * onPaper[c][i] / sum[i]
				}
			}
		}
		for i := range sum {
			shows[p][i] = max(0, min(1.2, shows[p][i]))
		}
	}
	return shows
}

func (b *signatureBuilder) add(kind, channel string, index int, column []float64) {
	name := kind
	if channel != "" {
		name += ":" + channel
	}
	b.out.factors = append(b.out.factors, Factor{Name: name, Kind: kind, Channel: channel, Index: index})
	b.out.columns = append(b.out.columns, column)
}

func scale(a [3]float64, k float64) []float64 { return []float64{a[0] * k, a[1] * k, a[2] * k} }

func dot(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

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
