// Package aim says what a printed chart should look like: the colours wanted of its patches, how
// much of them this ink and fabric can reach, and in plain words how a print differs from them.
//
// It knows no files and no clock.
package aim

import (
	"fmt"
	"math"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
)

// Ends are the two ends of what a fabric can show, as measured: D50, 2 degrees, against the
// perfect diffuser.
type Ends struct {
	White colour.Lab // unprinted
	Black colour.Lab // the deepest that the print reaches
}

// EndsOf finds them on a print of a chart: the mean of the unprinted patches, and the darkest of
// the printed ones (the mean of its repeats). missing may be nil.
func EndsOf(chart *drift.Chart, labs []colour.Lab, missing []bool) (Ends, error) {
	tints := chart.Tints()
	if len(labs) != len(tints) {
		return Ends{}, fmt.Errorf("%d colours for %d patches", len(labs), len(tints))
	}
	mean := func(same func(p int) bool) (m colour.Lab, n float64) {
		for p, c := range labs {
			if missing != nil && missing[p] || !same(p) {
				continue
			}
			m.L, m.A, m.B = m.L+c.L, m.A+c.A, m.B+c.B
			n++
		}
		return colour.Lab{L: m.L / n, A: m.A / n, B: m.B / n}, n
	}
	var e Ends
	var n float64
	if e.White, n = mean(func(p int) bool { return printed(tints[p]) == 0 }); n == 0 {
		return e, fmt.Errorf("the chart has no unprinted patch that was read, so the fabric's white is not known")
	}
	deepest := -1
	for p, c := range labs {
		if (missing == nil || !missing[p]) && (deepest < 0 || c.L < labs[deepest].L) {
			deepest = p
		}
	}
	e.Black, _ = mean(func(p int) bool {
		for c, t := range tints[p] {
			if t != tints[deepest][c] {
				return false
			}
		}
		return true
	})
	return e, e.check()
}

func printed(t []float64) (n int) {
	for _, v := range t {
		if v > 0 {
			n++
		}
	}
	return n
}

func (e Ends) check() error {
	switch {
	case !e.White.IsFinite() || !e.Black.IsFinite():
		return fmt.Errorf("white and black must be colours")
	case e.White.L < 50 || e.White.L > 102:
		return fmt.Errorf("a white of L* %.1f is not that of goods to print on", e.White.L)
	case e.Black.L < 0 || e.Black.L > e.White.L-20:
		return fmt.Errorf("between a white of L* %.1f and a black of L* %.1f there is nothing to print", e.White.L, e.Black.L)
	}
	return nil
}

// Compensation is black point compensation as ISO 18619:2015 has it: media-relative XYZ of the
// source is scaled and shifted, alike in X, Y and Z, so that its white stays white and its black
// becomes that of the destination. Both blacks count as neutral and by their lightness alone, at
// most L* 50.
type Compensation struct {
	// Out = Scale x In + White x (1 - Scale), the white being D50.
	Scale float64
}

// NewCompensation takes the media-relative L* of both blacks.
func NewCompensation(source, destination float64) Compensation {
	s, d := luminance(source), luminance(destination)
	return Compensation{Scale: (1 - d) / (1 - s)}
}

// luminance is Y, white 1, of the lightness of a black point, cut to 0..50.
func luminance(l float64) float64 {
	return colour.Lab{L: math.Max(0, math.Min(50, l))}.XYZ(colour.D50).Y / colour.D50.Y
}

// Apply maps media-relative XYZ (Y of the white 100).
func (c Compensation) Apply(in colour.XYZ) colour.XYZ {
	rest := 1 - c.Scale
	return colour.XYZ{
		X: c.Scale*in.X + rest*colour.D50.X,
		Y: c.Scale*in.Y + rest*colour.D50.Y,
		Z: c.Scale*in.Z + rest*colour.D50.Z,
	}
}

// relative takes a measured colour to media-relative XYZ, the fabric's white becoming D50, and
// absolute takes it back: the scaling of X, Y and Z by the media white of ISO 15076-1, 6.3.2.
func (e Ends) relative(c colour.Lab) colour.XYZ {
	v, w := c.XYZ(colour.D50), e.White.XYZ(colour.D50)
	return colour.XYZ{X: v.X / w.X * colour.D50.X, Y: v.Y / w.Y * colour.D50.Y, Z: v.Z / w.Z * colour.D50.Z}
}

func (e Ends) absolute(v colour.XYZ) colour.Lab {
	w := e.White.XYZ(colour.D50)
	return colour.XYZ{X: v.X * w.X / colour.D50.X, Y: v.Y * w.Y / colour.D50.Y, Z: v.Z * w.Z / colour.D50.Z}.Lab(colour.D50)
}

// Screen gives what sRGB values 0..255 (IEC 61966-2-1) look like on a screen, mapped to a
// fabric: media-relative colorimetry with black point compensation from the screen's black, which
// is zero, to the deepest black of the print. White becomes the unprinted fabric, and black a
// neutral of the deepest black's lightness.
func Screen(rgb [][]float64, e Ends) ([]colour.Lab, error) {
	if err := e.check(); err != nil {
		return nil, err
	}
	c := NewCompensation(0, e.relative(e.Black).Lab(colour.D50).L)
	out := make([]colour.Lab, len(rgb))
	for p, v := range rgb {
		if len(v) != 3 {
			return nil, fmt.Errorf("patch %d has %d values; a screen shows R, G and B", p+1, len(v))
		}
		for _, x := range v {
			if !(x >= 0 && x <= 255) {
				return nil, fmt.Errorf("patch %d: a value of %g is outside 0..255", p+1, x)
			}
		}
		xyz := colour.SRGB(v[0]/255, v[1]/255, v[2]/255)
		out[p] = e.absolute(c.Apply(xyz))
	}
	return out, nil
}
