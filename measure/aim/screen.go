// Package aim says what a printed chart should look like: the colours wanted of its patches, how
// much of them this ink and fabric can reach, and in plain words how a print differs from them.
//
// It knows no files and no clock.
package aim

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
)

// Ends are the two ends of what a fabric can show, as measured: D50, 2 degrees, against the
// perfect diffuser.
type Ends struct {
	White colour.Lab // unprinted
	Black colour.Lab // the deepest that the print reaches
}

// EndsOf finds them on a print of a chart: the median of the unprinted patches, and of the tints with
// much ink the darkest, by the median of its repeats. A spot on a light patch is no black. missing may
// be nil.
func EndsOf(chart *drift.Chart, labs []colour.Lab, missing []bool) (Ends, error) {
	tints := chart.Tints()
	if len(labs) != len(tints) {
		return Ends{}, fmt.Errorf("%d colours for %d patches", len(labs), len(tints))
	}
	black, most := slices.Index(chart.Channels, "K"), 0.0
	for _, t := range tints {
		most = max(most, floats.Sum(t))
	}
	var white []colour.Lab
	dark, first := map[string][]colour.Lab{}, map[string]int{}
	for p, t := range tints {
		switch {
		case missing != nil && missing[p]:
		case printed(t) == 0:
			white = append(white, labs[p])
		case floats.Sum(t) >= most/2 || black >= 0 && t[black] >= 0.5:
			key := fmt.Sprint(t)
			if _, again := first[key]; !again {
				first[key] = p
			}
			dark[key] = append(dark[key], labs[p])
		}
	}
	switch {
	case len(white) == 0:
		return Ends{}, fmt.Errorf("the chart has no unprinted patch that was read, so the fabric's white is not known")
	case len(dark) == 0:
		return Ends{}, fmt.Errorf("no patch with much ink was read, so the deepest black is not known")
	}
	e := Ends{White: median(white)}
	deepest := -1
	for key, list := range dark {
		c := median(list)
		// Of equal ones the first: the order of a map is no order.
		if deepest < 0 || c.L < e.Black.L || c.L == e.Black.L && first[key] < deepest {
			deepest, e.Black = first[key], c
		}
	}
	if e.Black.L > e.White.L-leastDepth {
		return e, fmt.Errorf("patch %s, the darkest, reads L* %.1f, and the unprinted fabric L* %.1f: hardly anything is printed; look whether this is the right print, all inks fired, it was pressed fully and read in the chart's order, then read it again",
			chart.IDs[deepest], e.Black.L, e.White.L)
	}
	return e, e.check()
}

// median is that of each coordinate.
func median(list []colour.Lab) colour.Lab {
	var v [3][]float64
	for _, c := range list {
		v[0], v[1], v[2] = append(v[0], c.L), append(v[1], c.A), append(v[2], c.B)
	}
	return colour.Lab{L: drift.Quantile(v[0], 0.5), A: drift.Quantile(v[1], 0.5), B: drift.Quantile(v[2], 0.5)}
}

func printed(t []float64) (n int) {
	for _, v := range t {
		if v > 0 {
			n++
		}
	}
	return n
}

// leastDepth is how far in L* the black must lie below the white.
const leastDepth = 20

func (e Ends) check() error {
	switch {
	case !e.White.IsFinite() || !e.Black.IsFinite():
		return fmt.Errorf("white and black must be colours")
	case e.White.L < 50 || e.White.L > 102:
		return fmt.Errorf("a white of L* %.1f is not that of goods to print on", e.White.L)
	case e.Black.L < 0 || e.Black.L > e.White.L-leastDepth:
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
