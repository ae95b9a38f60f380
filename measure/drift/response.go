package drift

import (
	"math"

	"swathkeeper/measure/colour"
)

// Response is a smooth function from a chart's tints to colour, fitted to one reading: what the
// printer would lay down for tints that the chart does not hold, as far as its ramps and
// overprints tell. It may be used by several goroutines at once.
type Response struct {
	surface *surface
}

// NewResponse fits a reading. labs and have run over the chart's patches; have nil means that all
// were read. It fails, with an *UnusableError, on a layout that cannot be worked with, and where
// the colours do not depend on the device values in any smooth way.
func NewResponse(chart *Chart, labs []colour.Lab, have []bool) (*Response, error) {
	if err := chart.validate(); err != nil {
		return nil, err
	}
	tints := tintsOf(chart)
	var at, logs [][]float64
	var lab [][3]float64
	for p := range tints {
		if have != nil && !have[p] {
			continue
		}
		z := LogsOf(labs[p])
		at, logs = append(at, tints[p]), append(logs, z[:])
		lab = append(lab, [3]float64{labs[p].L, labs[p].A, labs[p].B})
	}
	if len(at) < 4 {
		return nil, &UnusableError{Code: "missing", Text: "fewer than 4 patches were read", Hint: "read the chart again"}
	}
	s, err := surfaceOf(at, logs, lab)
	if err != nil {
		return nil, err
	}
	return &Response{surface: s}, nil
}

// Logs gives the logarithms of relative X, Y and Z (see LogsOf) at tints 0..1 of every channel.
// Tints above 1 are extrapolated; below 0 they count as 0.
func (r *Response) Logs(tints []float64) (z [3]float64) {
	var x [maxChannels]float64
	for c, t := range tints {
		x[c] = math.Max(0, t)
	}
	r.surface.at(x[:len(tints)], z[:])
	return z
}

// LogsOf takes a colour to ln(X/Xn + 0.003), and so on for Y and Z, under D50: the space in which
// inks mix most smoothly. The addition keeps noise of the deepest darks small.
func LogsOf(c colour.Lab) (z [3]float64) {
	for i, v := range relative(c) {
		z[i] = math.Log(math.Max(0, v) + logFloor)
	}
	return z
}

// LabOf is the inverse of LogsOf.
func LabOf(z [3]float64) colour.Lab {
	d := colour.D50
	return colour.XYZ{
		X: d.X * (math.Exp(z[0]) - logFloor), Y: d.Y * (math.Exp(z[1]) - logFloor), Z: d.Z * (math.Exp(z[2]) - logFloor),
	}.Lab(d)
}

// Tints gives the device values of a chart as tints 0..1 (1 - v/255 where it is driven by rgb).
func (c *Chart) Tints() [][]float64 { return tintsOf(c) }
