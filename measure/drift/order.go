package drift

import (
	"fmt"
	"math"
	"sort"

	"swathkeeper/measure/colour"
)

// A reading in the wrong order is nothing like a printer gone wrong: no fault makes the light
// patches dark and the dark ones light. So the order is judged by how much of the lightness
// and colour pattern of the baseline is found in the reading, whatever happened to its scale.
const (
	orderPoor = 0.55 // share of the pattern left unexplained that calls for a look at the order
	orderGood = 0.15 // share that another arrangement must come down to
)

// checkOrder refuses a reading whose colours stand in another order than the chart's. It names
// the arrangement when it finds one.
func checkOrder(c *layout, h *held) error {
	mean, have, lab := h.mean, h.have, h.lab
	left := unshown(&h.axis)
	if left < orderPoor {
		if axis, value, flat := flatAxis(mean, have, lab); flat {
			return &UnusableError{Code: "equal", Text: fmt.Sprintf("all patches read the same %s (%.4g), which differs from patch to patch on this chart", axis, value), Hint: "check the instrument and the file"}
		}
		return nil
	}
	if err := checkExchanged(c, h); err != nil {
		return err
	}
	best, name := left, ""
	for _, a := range c.arrangements() {
		if v := patternLeft(mean, have, lab, a.from); v < best {
			best, name = v, a.name
		}
	}
	hint := "check which chart was read, and its edition, and read it again"
	if best < orderGood {
		return &UnusableError{Code: "order", Text: "the colours fit this chart only " + name, Hint: "read the chart again in its own order"}
	}
	if sortedLeft(mean, have, lab) < orderGood {
		return &UnusableError{Code: "order", Text: fmt.Sprintf("the colours are those of this chart but in another order: only %.0f %% of the pattern is where it belongs", 100*max(0, 1-left)), Hint: hint}
	}
	return &UnusableError{Code: "order", Text: fmt.Sprintf("the colours are not those of this chart: only %.0f %% of its pattern is there", 100*max(0, 1-left)), Hint: hint}
}

// flatAxis finds a coordinate that is one and the same number on every patch, though the baseline's is not.
func flatAxis(mean [][3]float64, have []bool, lab []colour.Lab) (axis string, value float64, flat bool) {
	for a, name := range [3]string{"L*", "a*", "b*"} {
		first, differs, varies, n := -1, false, 0.0, 0
		for p, c := range lab {
			if !have[p] {
				continue
			}
			n++
			v := [3]float64{c.L, c.A, c.B}[a]
			if first < 0 {
				first, value = p, v
			}
			if differs = v != value; differs {
				break
			}
			varies = max(varies, math.Abs(mean[p][a]-mean[first][a]))
		}
		if !differs && n > 1 && varies > flatVaries {
			return name, value, true
		}
	}
	return "", 0, false
}

// flatVaries is how far, in Lab units, a coordinate must reach in the baseline for readings of one
// number to be no printer's doing.
const flatVaries = 5.0

// patternLeft is the share of the baseline's variation that the reading, rearranged, does not show.
func patternLeft(mean [][3]float64, have []bool, lab []colour.Lab, from func(int) int) float64 {
	var m [3]moments
	for p := range mean {
		q := from(p)
		if q < 0 || q >= len(lab) || !have[p] || !have[q] {
			continue
		}
		c := lab[q]
		for axis, y := range [3]float64{c.L, c.A, c.B} {
			m[axis].add(mean[p][axis], y)
		}
	}
	return unshown(&m)
}

// unshown is the share of the baseline's variation (L*, a* and b* each regressed on its own
// counterpart, then pooled) that the reading does not show.
func unshown(axes *[3]moments) float64 {
	var left, all float64
	for axis := range axes {
		m := &axes[axis]
		if m.k < 4 {
			return 1
		}
		vx, vy, vxy := m.xx-m.x*m.x/m.k, m.yy-m.y*m.y/m.k, m.xy-m.x*m.y/m.k
		all += vx / m.k
		if vx <= 0 {
			continue
		}
		rest := 1.0
		if vy > 0 && vxy > 0 {
			rest = 1 - vxy*vxy/(vx*vy)
		}
		left += rest * vx / m.k
	}
	if all <= 0 {
		return 0
	}
	return left / all
}

// sortedLeft compares the two sets of colours without regard to order, axis by axis.
func sortedLeft(mean [][3]float64, have []bool, lab []colour.Lab) float64 {
	var left, all float64
	for axis := range 3 {
		var x, y []float64
		for p := range mean {
			if have[p] {
				x = append(x, mean[p][axis])
				y = append(y, [3]float64{lab[p].L, lab[p].A, lab[p].B}[axis])
			}
		}
		sort.Float64s(x)
		sort.Float64s(y)
		var m float64
		for _, v := range x {
			m += v / float64(len(x))
		}
		for i := range x {
			left += (x[i] - y[i]) * (x[i] - y[i])
			all += (x[i] - m) * (x[i] - m)
		}
	}
	if all <= 0 {
		return 1
	}
	return left / all
}

type arrangement struct {
	name string
	from func(int) int // patch -> where its colour stands in the reading
}

// arrangements lists the mistakes that people and readers make with a chart.
func arrangements(c *Chart, g *grid) []arrangement {
	n := len(c.IDs)
	out := []arrangement{{"read backwards (turned by half a turn)", func(p int) int { return n - 1 - p }}}
	for _, k := range []int{1, -1, 2, -2} {
		out = append(out, arrangement{fmt.Sprintf("shifted by %d patches", k), func(p int) int { return p + k }})
	}
	if !g.whole {
		return out
	}
	rows, cols := g.rows, g.cols
	moved := func(name string, f func(r, k int) (int, int)) {
		out = append(out, arrangement{name, func(p int) int {
			r, k := f(c.Row[p], c.Col[p])
			if q, ok := g.at(r, k); ok {
				return q
			}
			return -1
		}})
	}
	moved("turned by half a turn", func(r, k int) (int, int) { return rows + 1 - r, cols + 1 - k })
	moved("mirrored left to right", func(r, k int) (int, int) { return r, cols + 1 - k })
	moved("mirrored top to bottom", func(r, k int) (int, int) { return rows + 1 - r, k })
	moved("one row up", func(r, k int) (int, int) { return r + 1, k })
	moved("one row down", func(r, k int) (int, int) { return r - 1, k })
	moved("one column to the left", func(r, k int) (int, int) { return r, k + 1 })
	moved("one column to the right", func(r, k int) (int, int) { return r, k - 1 })
	// Read along the columns instead of the rows, or the other way round.
	index := make([]int, 0, n)
	for r := 1; r <= rows; r++ {
		for k := 1; k <= cols; k++ {
			if p, ok := g.at(r, k); ok {
				index = append(index, p)
			}
		}
	}
	other := make([]int, 0, n)
	for k := 1; k <= cols; k++ {
		for r := 1; r <= rows; r++ {
			if p, ok := g.at(r, k); ok {
				other = append(other, p)
			}
		}
	}
	if len(index) == n && len(other) == n {
		there, back := make([]int, n), make([]int, n)
		for i := range n {
			there[index[i]] = other[i]
			back[other[i]] = index[i]
		}
		out = append(out,
			arrangement{"read down the columns instead of along the rows", func(p int) int { return there[p] }},
			arrangement{"read along the rows instead of down the columns", func(p int) int { return back[p] }})
	}
	return out
}
