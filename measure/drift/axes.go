package drift

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"swathkeeper/measure/colour"
)

// A printer moves colours; it turns no axis round, and it leaves the unprinted goods what they are
// or nearly so. What does is a file, a calculation or two lines of ink.
const (
	// axisVaries is the standard deviation, in Lab units, that a coordinate must have over the
	// baseline's chart for its sign to be told.
	axisVaries = 5.0
	// turnedAxis is the correlation with the baseline's own below which a coordinate is turned
	// round; lostAxis that below which it is lost when the two others are above soundAxis.
	turnedAxis, lostAxis, soundAxis = -0.2, 0.2, 0.9
	// fewExchanged is how many patches must have a counterpart with two channels exchanged, and
	// exchangedDE how far off they must be in the mean, in Lab units.
	fewExchanged, exchangedDE = 6, 10.0
	// otherScale is how far the unprinted goods may seem to move in L*: no lot of the same goods does.
	// From otherWhite on, in a* or b*, it is tried whether the values are relative to another white point;
	// they are when that takes the chart to within sameChart of how far off it is. Common practice, no source.
	otherScale, otherWhite = 20.0, 10.0
	sameChart              = 0.35
)

// checkAxes refuses a reading in which a coordinate has its sign turned or is lost, in which two
// channels stand in each other's place, or whose white is no white of these goods.
func checkAxes(c *layout, h *held) error {
	if err := checkExchanged(c, h); err != nil {
		return err
	}
	if err := checkLuminance(h); err != nil {
		return err
	}
	names := [3]string{"L*", "a*", "b*"}
	var r [3]float64
	varies := [3]bool{}
	for a := range names {
		r[a], varies[a] = h.axis[a].correlation()
	}
	for a, name := range names {
		if !varies[a] {
			continue
		}
		if r[a] < turnedAxis {
			return &UnusableError{Code: "scale", Text: fmt.Sprintf("%s has the wrong sign: it falls where the chart's rises (correlation %.2f with the baseline's)", name, r[a]),
				Hint: "check how the file's columns were written, and send the reading again"}
		}
		b, d := (a+1)%3, (a+2)%3
		if r[a] < lostAxis && varies[b] && varies[d] && r[b] > soundAxis && r[d] > soundAxis {
			return &UnusableError{Code: "scale", Text: fmt.Sprintf("%s has nothing of the chart's pattern (correlation %.2f with the baseline's), though the other two have all of it", name, r[a]),
				Hint: "check how the file's columns were written, and send the reading again"}
		}
	}
	return checkWhite(c.Chart, h)
}

// correlation is that of one coordinate of the reading with the baseline's, and whether the
// baseline's varies enough to tell.
func (m *moments) correlation() (r float64, varies bool) {
	vx, vy := m.xx-m.x*m.x/max(1, m.k), m.yy-m.y*m.y/max(1, m.k)
	if m.k < 4 || vx < m.k*axisVaries*axisVaries || !(vy > 0) {
		return 0, false
	}
	return (m.xy - m.x*m.y/m.k) / math.Sqrt(vx*vy), true
}

func axisOf(c colour.Lab, axis int) float64 { return [3]float64{c.L, c.A, c.B}[axis] }

// checkExchanged looks at the patches whose counterpart, with two channels exchanged, is on the chart
// too: the colours of one standing at the other say that the lines, or the columns of the chart, are
// exchanged.
func checkExchanged(c *layout, h *held) error {
	// What is nearly right has nothing exchanged. The mean distance is at most the root of the mean
	// square, which is there already.
	if h.meanSquare() < 0.999*exchangedDE*exchangedDE/4 {
		return nil
	}
	mean, have, lab := h.mean, h.have, h.lab
	e := c.exchanges()
	at := make([]int32, e.classes) // 1 more than the patch of each class that was read
	off := make([]float64, len(lab))
	var all, n float64
	for p := range lab {
		if have[p] {
			at[e.class[p]] = int32(p + 1)
			off[p] = labAway(lab[p], mean[p])
			all += off[p]
			n++
		}
	}
	if n == 0 || all/n < exchangedDE/2 {
		return nil
	}
	for _, x := range e.pairs {
		var here, there float64
		moved := 0
		for p, d := range c.Device {
			if !have[p] || d[x.a] == d[x.b] {
				continue
			}
			if k := x.counterpart[e.class[p]]; k >= 0 && at[k] > 0 {
				moved++
				here += off[p]
				there += labAway(lab[p], mean[at[k]-1])
			}
		}
		if moved >= fewExchanged && here > exchangedDE*float64(moved) && there < here/4 {
			return &UnusableError{Code: "order", Text: fmt.Sprintf("%s and %s seem exchanged: patches of the one show the colours of the other", c.Channels[x.a], c.Channels[x.b]),
				Hint: "look which ink is in which line, and at the columns of the chart's layout"}
		}
	}
	return nil
}

// checkLuminance refuses a reading that has Y, the luminance factor in percent, where L* belongs: both run
// from 0 to 100, and are called lightness and brightness by turns. No ink darkens every patch by that law and
// leaves a* and b* alone.
func checkLuminance(h *held) error {
	if h.meanSquare() < exchangedDE*exchangedDE/4 {
		return nil
	}
	var off, left float64
	for p, c := range h.lab {
		if h.have[p] {
			off += labAway(c, h.mean[p])
			c.L = colour.XYZ{Y: c.L}.Lab(colour.D50).L
			left += labAway(c, h.mean[p])
		}
	}
	if left > off*sameChart {
		return nil
	}
	return &UnusableError{Code: "scale", Text: "L* looks like Y, the luminance factor: with L* reckoned from it the chart fits",
		Hint: "check which of the file's columns were taken, and send the reading again"}
}

func labAway(c colour.Lab, u [3]float64) float64 {
	return math.Sqrt((c.L-u[0])*(c.L-u[0]) + (c.A-u[1])*(c.A-u[1]) + (c.B-u[2])*(c.B-u[2]))
}

// bareOf lists the unprinted patches of a chart.
func bareOf(c *Chart) (out []int) {
	none := 0.0
	if c.Driven == DrivenRGB {
		none = 255
	}
	for p, d := range c.Device {
		printed := false
		for _, v := range d {
			printed = printed || v != none
		}
		if !printed {
			out = append(out, p)
		}
	}
	return out
}

// relativeToOther says whether a chart fits when it is taken as relative to D65, or when the baseline is.
func relativeToOther(mean [][3]float64, have []bool, lab []colour.Lab) bool {
	off := func(f func(colour.Lab) colour.Lab) (sum float64) {
		for p, c := range lab {
			if have[p] {
				c = f(c)
				sum += math.Hypot(math.Hypot(c.L-mean[p][0], c.A-mean[p][1]), c.B-mean[p][2])
			}
		}
		return sum
	}
	most := sameChart * off(func(c colour.Lab) colour.Lab { return c })
	return off(func(c colour.Lab) colour.Lab { return c.XYZ(colour.D65).Lab(colour.D50) }) < most ||
		off(func(c colour.Lab) colour.Lab { return c.XYZ(colour.D50).Lab(colour.D65) }) < most
}

// checkWhite refuses a reading whose unprinted patches, in the median, are no state of these goods:
// values on another scale, or taken relative to another white. Where none was read, the lightest patches
// stand in for them; ink can darken those as well, so that the whole chart must fit another scale then.
func checkWhite(c *Chart, h *held) error {
	// No median of a few patches is further off than the patch that is furthest.
	if h.most[0] <= otherScale && h.most[1] <= otherWhite && h.most[2] <= otherWhite {
		return nil
	}
	mean, have, lab := h.mean, h.have, h.lab
	patches, what := slices.DeleteFunc(bareOf(c), func(p int) bool { return !have[p] }), "unprinted goods"
	bare := len(patches) > 0
	if !bare {
		patches, what = lightest(mean, have), "lightest patches"
	}
	if len(patches) == 0 {
		return nil
	}
	var by [3][]float64
	for _, p := range patches {
		for a := range by {
			by[a] = append(by[a], axisOf(lab[p], a)-mean[p][a])
		}
	}
	l, a, b := median(by[0]), median(by[1]), median(by[2])
	switch {
	case math.Abs(l) > otherScale && (bare || timesOther(mean, have, lab)):
		return &UnusableError{Code: "scale", Text: fmt.Sprintf("the %s read %+.1f in L* against the baseline: no goods change so, the values look like another scale or another sheet", what, l),
			Hint: "L* runs from 0 to 100; check the file, the instrument's white and what was read"}
	case (math.Abs(a) > otherWhite || math.Abs(b) > otherWhite) && relativeToOther(mean, have, lab):
		return &UnusableError{Code: "scale", Text: fmt.Sprintf("the %s read %+.1f in a* and %+.1f in b* against the baseline: the values look relative to another white point, for with D65 in place of D50 the chart fits", what, a, b),
			Hint: "Lab and XYZ are for D50 and 2 degrees; check the instrument's settings and which goods were read"}
	}
	return nil
}

// fewLightest is the least number of patches that stand in for unprinted ones; of a large chart it is a
// tenth.
const fewLightest = 4

// lightest gives the patches that were the lightest when the baseline was learned.
func lightest(mean [][3]float64, have []bool) (patches []int) {
	for p := range mean {
		if have[p] {
			patches = append(patches, p)
		}
	}
	slices.SortFunc(patches, func(p, q int) int { return cmp.Compare(mean[q][0], mean[p][0]) })
	return patches[:min(len(patches), max(fewLightest, len(patches)/10))]
}

// timesOther says whether a chart fits when its L* is the baseline's times one number.
func timesOther(mean [][3]float64, have []bool, lab []colour.Lab) bool {
	var xx, xy, off, left float64
	for p, c := range lab {
		if have[p] {
			xx += mean[p][0] * mean[p][0]
			xy += mean[p][0] * c.L
		}
	}
	for p, c := range lab {
		if have[p] {
			off += math.Abs(c.L - mean[p][0])
			left += math.Abs(c.L - mean[p][0]*xy/max(xx, 1))
		}
	}
	return left < sameChart*off
}
