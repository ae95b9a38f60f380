package banding

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

const (
	blockRows = 4 // the largest block of rows looked at
	// rowPrior is the standard deviation, in shares of the ink, that a row's other inks are allowed
	// beforehand; it only keeps inks apart that a row's few patches cannot.
	rowPrior = 0.2
	maxRows  = 8 // findings
)

// JudgeGrid looks for rows of the patch grid, or blocks of up to four rows, in which one channel prints
// weaker or stronger: a group of nozzles, never a single one (a dead nozzle takes about 1 % of the
// ink of a patch). alpha is the chance of a false alarm per good reading, 1/740 when 0.
//
// Smooth gradients common to all inks (platen, vacuum, scanner) are tested first and taken away only when
// they are there: correcting for what does not exist adds bias (Dragiev, Nadon, Makarenkov, BMC
// Bioinformatics 12:25, 2011). Then all inks of every block are fitted together by weighted least
// squares on the sensitivities. Tukey's median polish (Exploratory Data Analysis, 1977), which assumes no
// distribution, is the cross-check.
func JudgeGrid(g Grid, alpha float64) (GridResult, error) {
	if !(alpha > 0) {
		alpha = 1.0 / 740
	}
	rows, cols, err := g.check()
	if err != nil {
		return GridResult{}, err
	}
	c := coarse{g: g, rows: rows, cols: cols}
	var res GridResult
	if rows < 3 {
		res.Warnings = append(res.Warnings, Warning{Code: "few_rows", Value: float64(rows),
			Text: fmt.Sprintf("%d rows of patches are too few to compare rows; at least 3 are needed", rows)})
		return res, nil
	}
	c.load()
	res.Gradient = c.gradient()
	// Bonferroni over channels and blocks; overlapping blocks of 1 to 4 rows count as 2.5 per row.
	tests := float64(len(g.Channels)*rows) * math.Min(2.5, float64(rows))
	df := math.Max(4, float64(3*len(g.Residual)-rows*len(g.Channels)))
	res.Limit = distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(1 - alpha/(2*tests))
	for len(res.Rows) < maxRows {
		f, ok := c.strongest()
		res.Score = math.Max(res.Score, f.Score)
		if !ok || f.Score < res.Limit {
			break
		}
		f.Limit = res.Limit
		f.Confirmed = c.polish(f)
		f.DE76 = c.colour(f)
		c.take(f)
		if len(g.RowMM) >= rows {
			f.FromMM, f.ToMM = g.RowMM[f.FirstRow-1], g.RowMM[f.LastRow-1]
		}
		res.Rows = append(res.Rows, f)
	}
	return res, nil
}

func (g *Grid) check() (rows, cols int, err error) {
	n := len(g.Residual)
	if n == 0 {
		return 0, 0, fmt.Errorf("banding: patch grid without patches")
	}
	if len(g.Row) != n || len(g.Col) != n || len(g.Sensitivity) != n {
		return 0, 0, fmt.Errorf("banding: patch grid: %d residuals, %d rows, %d columns, %d sensitivities: there must be one of each per patch",
			n, len(g.Row), len(g.Col), len(g.Sensitivity))
	}
	if len(g.Channels) == 0 {
		return 0, 0, fmt.Errorf("banding: patch grid without channels")
	}
	for i := range n {
		if g.Row[i] < 1 || g.Col[i] < 1 || g.Row[i] > 10000 || g.Col[i] > 10000 {
			return 0, 0, fmt.Errorf("banding: patch %d at row %d, column %d: both count from 1", i, g.Row[i], g.Col[i])
		}
		rows, cols = max(rows, g.Row[i]), max(cols, g.Col[i])
		if len(g.Sensitivity[i]) != len(g.Channels) {
			return 0, 0, fmt.Errorf("banding: patch %d has %d sensitivities for %d channels", i, len(g.Sensitivity[i]), len(g.Channels))
		}
		for k := range 3 {
			if v := g.Residual[i][k]; math.IsNaN(v) || math.IsInf(v, 0) {
				return 0, 0, fmt.Errorf("banding: patch %d has a residual of %v; leave missing patches out", i, v)
			}
			for _, s := range g.Sensitivity[i] {
				if math.IsNaN(s[k]) || math.IsInf(s[k], 0) {
					return 0, 0, fmt.Errorf("banding: patch %d has a sensitivity of %v", i, s[k])
				}
			}
		}
	}
	return rows, cols, nil
}

// coarse is the grid in units of its noise.
type coarse struct {
	g          Grid
	rows, cols int
	r          [][3]float64   // residual over noise
	j          [][][3]float64 // sensitivity over noise
	noise      [3]float64
	byRow      [][]int
}

func (c *coarse) load() {
	n := len(c.g.Residual)
	c.byRow = make([][]int, c.rows+1)
	for i, r := range c.g.Row {
		c.byRow[r] = append(c.byRow[r], i)
	}
	for k := range 3 {
		c.noise[k] = c.g.Noise[k]
		if c.noise[k] > 0 {
			continue
		}
		v := make([]float64, n)
		for i := range v {
			v[i] = c.g.Residual[i][k]
		}
		c.noise[k] = math.Max(mad(v), 1e-6)
	}
	c.r, c.j = make([][3]float64, n), make([][][3]float64, n)
	for i := range n {
		c.j[i] = make([][3]float64, len(c.g.Channels))
		for k := range 3 {
			c.r[i][k] = c.g.Residual[i][k] / c.noise[k]
			for ch := range c.g.Channels {
				c.j[i][ch][k] = c.g.Sensitivity[i][ch][k] / c.noise[k]
			}
		}
	}
	c.rescale()
}

// rescale lets the residuals themselves say how large the noise is when they are larger than stated.
func (c *coarse) rescale() {
	var v []float64
	for i := range c.r {
		v = append(v, c.r[i][0], c.r[i][1], c.r[i][2])
	}
	s := mad(v)
	if s <= 1 {
		return
	}
	for i := range c.r {
		for k := range 3 {
			c.r[i][k] /= s
			for ch := range c.j[i] {
				c.j[i][ch][k] /= s
			}
		}
	}
	for k := range c.noise {
		c.noise[k] *= s
	}
}

// gradient fits a smooth surface, of second order in the strength of all inks together and a plane in
// lightness, and takes it away when an F test at 1 % says that it is there. It returns the largest
// difference of its lightness between patches.
func (c *coarse) gradient() float64 {
	n := len(c.r)
	const terms = 7
	if 3*n < 4*terms || c.cols < 2 {
		return 0
	}
	a := mat.NewDense(3*n, terms, nil)
	y := mat.NewVecDense(3*n, nil)
	for i := range n {
		u := 2*float64(c.g.Row[i]-1)/float64(max(1, c.rows-1)) - 1
		v := 2*float64(c.g.Col[i]-1)/float64(max(1, c.cols-1)) - 1
		for k := range 3 {
			all := 0.0
			for ch := range c.j[i] {
				all += c.j[i][ch][k]
			}
			for t, b := range [...]float64{u, v, u * v, u*u - 1.0/3, v*v - 1.0/3} {
				a.Set(3*i+k, t, b*all)
			}
			if k == 0 {
				a.Set(3*i, 5, u)
				a.Set(3*i, 6, v)
			}
			y.SetVec(3*i+k, c.r[i][k])
		}
	}
	var fit, b mat.VecDense
	var normal mat.Dense
	normal.Mul(a.T(), a)
	for t := range terms {
		normal.Set(t, t, normal.At(t, t)+1e-6)
	}
	var rhs mat.VecDense
	rhs.MulVec(a.T(), y)
	if err := b.SolveVec(&normal, &rhs); err != nil {
		return 0
	}
	fit.MulVec(a, &b)
	explained, left := 0.0, 0.0
	for i := range 3 * n {
		explained += fit.AtVec(i) * fit.AtVec(i)
		d := y.AtVec(i) - fit.AtVec(i)
		left += d * d
	}
	df := float64(3*n - terms)
	f := distuv.F{D1: terms, D2: df}
	if !(left > 0) || explained/terms/(left/df) < f.Quantile(0.99) {
		return 0
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range n {
		for k := range 3 {
			c.r[i][k] -= fit.AtVec(3*i + k)
		}
		l := fit.AtVec(3*i) * c.noise[0]
		lo, hi = math.Min(lo, l), math.Max(hi, l)
	}
	return hi - lo
}

// strongest fits all channels of every block and returns the largest.
func (c *coarse) strongest() (RowFinding, bool) {
	var best RowFinding
	nc := len(c.g.Channels)
	for r0 := 1; r0 <= c.rows; r0++ {
		normal := mat.NewSymDense(nc, nil)
		rhs := make([]float64, nc)
		for r1 := r0; r1 < r0+blockRows && r1 <= c.rows && r1-r0+1 < c.rows; r1++ {
			for _, i := range c.byRow[r1] {
				for a := range nc {
					for k := range 3 {
						rhs[a] += c.j[i][a][k] * c.r[i][k]
						for b := a; b < nc; b++ {
							normal.SetSym(a, b, normal.At(a, b)+c.j[i][a][k]*c.j[i][b][k])
						}
					}
				}
			}
			prior := mat.NewSymDense(nc, nil)
			prior.CopySym(normal)
			for a := range nc {
				prior.SetSym(a, a, prior.At(a, a)+1/(rowPrior*rowPrior))
			}
			var chol mat.Cholesky
			var inv mat.SymDense
			if !chol.Factorize(prior) || chol.InverseTo(&inv) != nil {
				continue
			}
			for a := range nc {
				if normal.At(a, a) < 100 {
					continue // not enough of this ink in the block: a tenth of it could not be seen
				}
				strength := 0.0
				for b := range nc {
					strength += inv.At(a, b) * rhs[b]
				}
				se := math.Sqrt(inv.At(a, a))
				if t := math.Abs(strength) / se; t > best.Score {
					best = RowFinding{Channel: c.g.Channels[a], FirstRow: r0, LastRow: r1,
						StrengthPercent: 100 * strength, StrengthPercentSE: 100 * se, Score: t}
				}
			}
		}
	}
	return best, best.Score > 0
}

// each visits the patches of a finding's rows.
func (c *coarse) each(f RowFinding, visit func(i int)) {
	for r := f.FirstRow; r <= f.LastRow; r++ {
		for _, i := range c.byRow[r] {
			visit(i)
		}
	}
}

// take removes a finding from the residuals.
func (c *coarse) take(f RowFinding) {
	ch := slices.Index(c.g.Channels, f.Channel)
	c.each(f, func(i int) {
		for k := range 3 {
			c.r[i][k] -= f.StrengthPercent / 100 * c.j[i][ch][k]
		}
	})
}

// colour is the mean difference that a finding makes on the patches that hold the ink.
func (c *coarse) colour(f RowFinding) float64 {
	ch := slices.Index(c.g.Channels, f.Channel)
	sum, n := 0.0, 0
	c.each(f, func(i int) {
		s := c.g.Sensitivity[i][ch]
		d := math.Sqrt(s[0]*s[0] + s[1]*s[1] + s[2]*s[2])
		if d > 1 {
			sum += d * math.Abs(f.StrengthPercent) / 100
			n++
		}
	})
	return sum / float64(max(1, n))
}

// polish asks the median polish of the channel's own amounts, patch by patch, whether it sees the
// finding too: same sign, and twice its own uncertainty.
func (c *coarse) polish(f RowFinding) bool {
	ch := slices.Index(c.g.Channels, f.Channel)
	info := make([]float64, len(c.r))
	top := 0.0
	for i := range c.r {
		for k := range 3 {
			info[i] += c.j[i][ch][k] * c.j[i][ch][k]
		}
		top = math.Max(top, info[i])
	}
	table := make([][]float64, c.rows)
	for r := range table {
		table[r] = make([]float64, c.cols)
		for k := range table[r] {
			table[r][k] = math.NaN()
		}
	}
	for i := range c.r {
		if info[i] < 0.2*top {
			continue
		}
		v := 0.0
		for k := range 3 {
			v += c.j[i][ch][k] * c.r[i][k]
		}
		table[c.g.Row[i]-1][c.g.Col[i]-1] = v / info[i]
	}
	effects, residual := medianPolish(table)
	n, sum := 0, 0.0
	for r := f.FirstRow; r <= f.LastRow; r++ {
		for _, v := range table[r-1] {
			if v == v {
				n++
				sum += effects[r-1]
			}
		}
	}
	if n == 0 {
		return false
	}
	var left []float64
	for _, row := range residual {
		for _, v := range row {
			if v == v {
				left = append(left, v)
			}
		}
	}
	effect := sum / float64(n)
	se := 1.2533 * mad(left) / math.Sqrt(float64(n)) // of a median
	return effect*f.StrengthPercent > 0 && math.Abs(effect) > 2*se
}

// medianPolish takes row and column medians away in turn until nothing moves (Tukey 1977); NaN marks
// an empty cell. It returns the row effects and what is left; table is not changed.
func medianPolish(table [][]float64) (rowEffect []float64, residual [][]float64) {
	rowEffect = make([]float64, len(table))
	for _, r := range table {
		residual = append(residual, slices.Clone(r))
	}
	if len(table) == 0 {
		return rowEffect, residual
	}
	colEffect := make([]float64, len(table[0]))
	for range 20 {
		moved := 0.0
		for r, row := range residual {
			m := medianOf(row)
			for k := range row {
				row[k] -= m
			}
			rowEffect[r] += m
			moved += math.Abs(m)
		}
		shift := medianOf(rowEffect)
		for r := range rowEffect {
			rowEffect[r] -= shift
		}
		for k := range colEffect {
			var col []float64
			for _, row := range residual {
				col = append(col, row[k])
			}
			m := medianOf(col)
			for _, row := range residual {
				row[k] -= m
			}
			colEffect[k] += m
			moved += math.Abs(m)
		}
		if moved < 1e-9 {
			break
		}
	}
	return rowEffect, residual
}

// medianOf is the median of the present values, 0 when there are none.
func medianOf(x []float64) float64 {
	var v []float64
	for _, u := range x {
		if u == u {
			v = append(v, u)
		}
	}
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
}

// mad is the median absolute deviation from the median, scaled to a normal standard deviation.
func mad(x []float64) float64 {
	m := medianOf(x)
	d := make([]float64, len(x))
	for i, v := range x {
		d[i] = math.Abs(v - m)
	}
	return medianOf(d) / 0.6744897501960817
}
