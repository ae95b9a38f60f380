package banding

import (
	"math"

	"swathkeeper/measure/colour"
)

// InkModel turns the peak of a line, read in density or lightness in one ink, into a lightness and a
// colour difference. It treats the ink as a dye whose density in the red, green and blue third of the
// spectrum grows in proportion to its amount, with the side absorptions of usual process inks, on white
// goods:
//
//	channel   red   green  blue     (share of the main density)
//	C         1.00  0.35   0.12
//	M         0.12  1.00   0.50
//	Y         0.02  0.08   1.00
//	K, other  1.00  1.00   1.00
//
// The shares are typical of printed process inks, from memory, and no measurement of any particular
// ink; light inks count as their strong ones. With them a density change dD in the channel's
// complementary filter changes each third's reflectance by 10^(-share dD). The estimate is good to
// about a quarter, which is enough to say whether a line matters.
type InkModel struct {
	share  [3]float64
	filter int // which third the trace's density was read in
}

// NewInkModel picks the model by the channel's name.
func NewInkModel(channel string) InkModel {
	switch channel {
	case "C", "c", "LC", "cyan":
		return InkModel{[3]float64{1, 0.35, 0.12}, 0}
	case "M", "m", "LM", "magenta":
		return InkModel{[3]float64{0.12, 1, 0.5}, 1}
	case "Y", "y", "yellow":
		return InkModel{[3]float64{0.02, 0.08, 1}, 2}
	}
	return InkModel{[3]float64{1, 1, 1}, 1}
}

func (m InkModel) lab(density float64) colour.Lab {
	if m.filter == 2 || m.share != [3]float64{1, 1, 1} {
		density /= m.share[m.filter]
	}
	r := func(i int) float64 { return math.Pow(10, -math.Max(0, density*m.share[i])) }
	return colour.LinearRGB(r(0), r(1), r(2)).Lab(colour.D50)
}

// Difference returns the lightness change (positive = lighter) and the CIEDE2000 difference that a line
// of the given contrast makes on a strip of the given level. contrast is in the trace's unit with the sign
// of Line.Contrast (negative = lighter); level and paper are in the trace's unit too, paper 0 when
// unknown.
func (m InkModel) Difference(unit string, level, paper, contrast float64) (dL, dE00 float64) {
	var d0, d1 float64
	if unit == Density {
		if paper == 0 {
			paper = 0.06
		}
		d0 = math.Max(0, level-paper)
		d1 = d0 + contrast
	} else {
		if paper == 0 {
			paper = 93
		}
		scale := 100 / math.Max(1, paper) // relative to the goods' own white
		d0 = m.densityOf(level * scale)
		d1 = m.densityOf((level - contrast) * scale)
	}
	a, b := m.lab(d0), m.lab(d1)
	if unit == Lightness {
		dL = -contrast
	} else {
		dL = b.L - a.L
	}
	return dL, colour.DE2000(a, b)
}

// densityOf finds the density at which the model has lightness l.
func (m InkModel) densityOf(l float64) float64 {
	lo, hi := 0.0, 4.0
	for range 50 {
		mid := (lo + hi) / 2
		if m.lab(mid).L > l {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}
