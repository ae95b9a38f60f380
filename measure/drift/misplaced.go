package drift

import (
	"fmt"
	"math"
)

const (
	// fewMisplaced is how many patches must lie out before their order is looked at.
	fewMisplaced = 6
	// mostFit is the share of the patches that lie out which another order must bring to where the
	// chart as a whole expects them. By chance next to none do.
	mostFit = 0.6
	// cleanShare is the share of outlying patches below which the patches without an ink are clean.
	cleanShare = 0.03
)

// misplaced refuses a reading of which a part stands in another order than the chart's, or of which
// so many patches do not go with the rest that it says nothing of the printer. The fit has followed
// the part that is in order; the patches that lie out are held against what it expects elsewhere.
func misplaced(c *layout, f *fitter, w *work, s *Sample) error {
	lies := func(p int) bool {
		return w.present[p] != 0 && w.dist[p] >= outlierDistance*w.scale && w.weight[p] < 1
	}
	k := 0
	for p := range f.n {
		if lies(p) {
			k++
		}
	}
	if k < fewMisplaced {
		return nil
	}
	out, odd := make([]int, 0, k), make([]bool, f.n)
	for p := range f.n {
		if odd[p] = lies(p); odd[p] {
			out = append(out, p)
		}
	}
	// away is how far the colour at q lies from what is expected of p, in units of noise.
	away := func(p, q int) float64 {
		there, here := s.Lab[q], s.Lab[p]
		var d [3]float64
		f.whiten(p, []float64{there.L - here.L, there.A - here.A, there.B - here.B}, d[:], 1)
		var sq float64
		for a := range d {
			x := d[a] + w.r[p*3+a]
			sq += x * x
		}
		return math.Sqrt(sq)
	}
	need := mostFit * float64(len(out))
	best, name, from := 0, "", 0
	for _, a := range c.arrangements() {
		fit, first := 0, -1
		for _, p := range out {
			q := a.from(p)
			if q >= 0 && q < f.n && odd[q] && away(p, q) < outlierDistance*w.scale {
				if fit++; first < 0 {
					first = p
				}
			}
		}
		if fit > best {
			best, name, from = fit, a.name, first
		}
	}
	id := c.IDs
	if float64(best) >= need {
		return &UnusableError{Code: "order", Text: fmt.Sprintf("%d of %d patches do not stand in the chart's order: from about patch %s on the colours fit only %s", len(out), w.used, id[from], name),
			Hint: "read the chart again in its own order"}
	}
	home := make(map[int]int, len(out)) // where the colour of an outlying patch is found
	for _, p := range out {
		near := math.Inf(1)
		for _, q := range out {
			if x := away(p, q); q != p && x < outlierDistance*w.scale && x < near {
				home[p], near = q, x
			}
		}
	}
	if float64(len(home)) >= need {
		return &UnusableError{Code: "order", Text: fmt.Sprintf("%d of %d patches show each other's colours%s", len(out), w.used, exchangedRows(c.Chart, out, home)),
			Hint: "read the chart again in its own order"}
	}
	near := func(p, q int) bool { return w.present[p] != 0 && !odd[p] && away(p, q) < outlierDistance*w.scale }
	if text := readTwice(c, out, near, need); text != "" {
		return &UnusableError{Code: "order", Text: fmt.Sprintf("%d of %d patches show the colours of others: %s", len(out), w.used, text), Hint: "read the chart again in its own order"}
	}
	if float64(len(out)) > outlierShare*float64(w.used) && !ofInks(c.Chart, w, odd, len(out)) {
		return &UnusableError{Code: "outliers", Text: fmt.Sprintf("%d of %d patches do not go with the rest of the chart (the first is %s), and no ink has them in common: nothing of the printer can be told from it", len(out), w.used, id[out[0]]),
			Hint: "look for a fold, a smear, a wrong sheet or a strip read twice, and read the chart again"}
	}
	return nil
}

// readTwice finds the row or the column of the sheet whose colours stand in the place of another's and in
// their own too, as when a strip is read twice and the next one left out: enough of the outlying patches
// must show what is expected (near) of those of one other row or column, which do not lie out themselves.
func readTwice(c *layout, out []int, near func(p, q int) bool, need float64) string {
	g := c.grid()
	if g.rows == 0 {
		return ""
	}
	rowFits, colFits := map[[2]int]int{}, map[[2]int]int{}
	for _, q := range out {
		row, col := c.Row[q], c.Col[q]
		if row <= 0 || col <= 0 {
			return ""
		}
		for r := 1; r <= g.rows; r++ {
			if p, ok := g.at(r, col); ok && near(p, q) {
				rowFits[[2]int{row, r}]++
			}
		}
		for k := 1; k <= g.cols; k++ {
			if p, ok := g.at(row, k); ok && near(p, q) {
				colFits[[2]int{col, k}]++
			}
		}
	}
	for _, of := range []struct {
		name string
		fits map[[2]int]int
	}{{"row", rowFits}, {"column", colFits}} {
		var best [2]int
		for pair, fit := range of.fits {
			most := of.fits[best]
			if fit > most || fit == most && (pair[0] < best[0] || pair[0] == best[0] && pair[1] < best[1]) {
				best = pair
			}
		}
		if float64(of.fits[best]) >= need {
			return fmt.Sprintf("%s %d reads as %s %d should, which reads so too: it seems to have been read twice", of.name, best[0], of.name, best[1])
		}
	}
	return ""
}

// exchangedRows names two rows of the sheet whose colours are each other's, if it is they.
func exchangedRows(c *Chart, out []int, home map[int]int) string {
	if len(c.Row) != len(c.IDs) {
		return ""
	}
	pairs, most := map[[2]int]int{}, [2]int{}
	for p, q := range home {
		if a, b := c.Row[p], c.Row[q]; a > 0 && b > 0 && a != b {
			pair := [2]int{min(a, b), max(a, b)}
			if pairs[pair]++; pairs[pair] > pairs[most] || pairs[pair] == pairs[most] && (pair[0] < most[0] || pair[0] == most[0] && pair[1] < most[1]) {
				most = pair
			}
		}
	}
	if float64(pairs[most]) < mostFit*float64(len(out)) {
		return ""
	}
	return fmt.Sprintf(": rows %d and %d seem exchanged", most[0], most[1])
}

// ofInks says whether one ink or two account for the patches that lie out: then those that print
// without them are clean, and it is the printer's doing.
func ofInks(c *Chart, w *work, odd []bool, all int) bool {
	none := 0.0
	if c.Driven == DrivenRGB {
		none = 255
	}
	nc := len(c.Channels)
	for a := range nc {
		for b := a; b < nc; b++ {
			var rest, bad int
			for p, tints := range c.Device {
				if w.present[p] != 0 && tints[a] == none && tints[b] == none {
					rest++
					if odd[p] {
						bad++
					}
				}
			}
			// Enough of the chart must be without them for that to say something.
			expect := float64(all) / float64(w.used) * float64(rest)
			if expect >= 3 && float64(bad) <= cleanShare*float64(rest) {
				return true
			}
		}
	}
	return false
}
