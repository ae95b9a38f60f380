package drift

import (
	"math"
	"slices"

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

// mostRows is up to how many rows a sheet may have for its rows to be looked at.
const mostRows = 256

// inRows are the patches that a channel prints, row by row, with what a change of its strength does to
// them in units of noise.
type inRows struct {
	from     []int32 // row -> its first place in patches; rows[0] is empty, and one past the last row ends it
	patches  []int32
	strength [][3]float64
}

// setRows gathers them. A sheet of which the rows are not known, or are few, has none.
func (m *Model) setRows() {
	row := m.b.Chart.Row
	if row == nil {
		return
	}
	last := 0
	for p := range m.n {
		if m.known[p] && row[p] < 10000 {
			last = max(last, row[p])
		}
	}
	if last < 3 || last >= mostRows {
		return
	}
	by := make([][]int32, last+1)
	for p := range m.n {
		if m.known[p] && row[p] > 0 && row[p] <= last {
			by[row[p]] = append(by[row[p]], int32(p))
		}
	}
	m.inRows = make([]inRows, len(m.fitter.strength))
	for c, j := range m.fitter.strength {
		if j < 0 {
			continue
		}
		in := inRows{from: make([]int32, 0, last+2)}
		for _, patches := range by {
			in.from = append(in.from, int32(len(in.patches)))
			for _, p := range patches {
				var a [3]float64
				for i := range a {
					a[i] = m.fitter.a[(int(p)*3+i)*m.q+j]
				}
				if a != [3]float64{} {
					in.patches, in.strength = append(in.patches, p), append(in.strength, a)
				}
			}
		}
		in.from = append(in.from, int32(len(in.patches)))
		in.patches, in.strength = slices.Clone(in.patches), slices.Clone(in.strength)
		m.inRows[c] = in
	}
}

// rowChanges looks, channel by channel, for rows (up to four next to each other) that are
// weaker or stronger than the chart as a whole: a weak section of a head. The chart-wide
// factors are taken out first, else ordinary drift would make every row look like its neighbour.
func (m *Model) rowChanges(r *Result, w *work) {
	for c := range m.inRows {
		in := &m.inRows[c]
		rows := len(in.from) - 1
		if rows < 0 {
			continue
		}
		var num, den [mostRows]float64
		for row := range rows {
			for i := in.from[row]; i < in.from[row+1]; i++ {
				p := in.patches[i]
				if w.present[p] == 0 || w.dist[p] > 3*robustBend*w.scale {
					continue
				}
				a, x := &in.strength[i], w.r[p*3:p*3+3]
				num[row] += a[0]*x[0] + a[1]*x[1] + a[2]*x[2]
				den[row] += a[0]*a[0] + a[1]*a[1] + a[2]*a[2]
			}
		}
		// Signatures that are a little wrong move all rows; only rows that stand out from the
		// others count.
		k := 0
		var zs [mostRows]float64
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
