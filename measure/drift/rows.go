package drift

import (
	"math"

	"swathkeeper/measure/selection"
)

const (
	rowBlock = 4 // rows that may belong together
	// rowZ is the limit on a row's standardised change. It is evidence for a weak group of
	// nozzles, not an alarm by itself.
	rowZ = 6.0
	// rowLeast is the least change worth naming, in percent.
	rowLeast = 4.0
)

// rowChanges looks, channel by channel, for rows (up to four next to each other) that are
// weaker or stronger than the chart as a whole: a weak section of a head. The chart-wide
// factors are taken out first, else ordinary drift would make every row look like its neighbour.
func (m *Model) rowChanges(r *Result, w *work) {
	rows := len(m.rows)
	if rows < 4 {
		return
	}
	for c, j := range m.fitter.strength {
		if j < 0 {
			continue
		}
		var num, den [256]float64
		if rows > len(num) {
			return
		}
		for row, patches := range m.rows {
			for _, p := range patches {
				if w.present[p] == 0 || w.dist[p] > 3*robustBend*w.scale {
					continue
				}
				a, x := m.strong[c][p*3:p*3+3], w.r[p*3:p*3+3]
				num[row] += a[0]*x[0] + a[1]*x[1] + a[2]*x[2]
				den[row] += a[0]*a[0] + a[1]*a[1] + a[2]*a[2]
			}
		}
		// Signatures that are a little wrong move all rows; only rows that stand out from the
		// others count.
		k := 0
		var zs [256]float64
		for row := range rows {
			if den[row] > 0 {
				zs[k] = math.Abs(num[row]) / math.Sqrt(den[row])
				k++
			}
		}
		scale := max(1, selection.Smallest(zs[:k], k/2)/0.6745)
		best := RowChange{Channel: m.b.Chart.Channels[c]}
		for from := 1; from < rows; from++ {
			var n, d float64
			for to := from; to < rows && to < from+rowBlock; to++ {
				n += num[to]
				d += den[to]
				if d <= 0 {
					continue
				}
				if z := n / math.Sqrt(d) / scale; math.Abs(z) > math.Abs(best.Z) {
					best.FromRow, best.ToRow = from, to
					best.Percent, best.SE, best.Z = n/d, scale/math.Sqrt(d), z
				}
			}
		}
		if math.Abs(best.Z) > rowZ && math.Abs(best.Percent) > rowLeast {
			r.Rows = append(r.Rows, best)
		}
	}
}
