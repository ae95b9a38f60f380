package drift

import "sync"

// layout is a chart with what the checks of its order look up in it. Each is made when first needed: most
// printers' readings never call for it. It may be used by several goroutines at once.
type layout struct {
	*Chart
	grid         func() *grid
	exchanges    func() *exchanges
	arrangements func() []arrangement
}

func newLayout(c *Chart) *layout {
	l := &layout{Chart: c}
	l.grid = sync.OnceValue(func() *grid { return newGrid(c) })
	l.exchanges = sync.OnceValue(func() *exchanges { return newExchanges(c) })
	l.arrangements = sync.OnceValue(func() []arrangement { return arrangements(c, l.grid()) })
	return l
}

// grid tells which patch stands where on the sheet.
type grid struct {
	rows, cols int
	whole      bool           // every patch has its place
	cells      []int32        // row by row, 1 more than the patch
	far        map[[2]int]int // instead, where a sheet is next to empty
}

// newGrid takes the places of a chart; one without has no rows.
func newGrid(c *Chart) *grid {
	n, g := len(c.IDs), &grid{}
	if len(c.Row) != n || len(c.Col) != n {
		return g
	}
	g.whole = true
	for p := range n {
		g.rows, g.cols = max(g.rows, c.Row[p]), max(g.cols, c.Col[p])
		g.whole = g.whole && c.Row[p] > 0 && c.Col[p] > 0
	}
	const most = 1 << 12 // so that no product overflows, and none takes memory for nothing
	if dense := g.rows < most && g.cols < most && g.rows*g.cols <= 16*n; dense {
		g.cells = make([]int32, g.rows*g.cols)
	} else {
		g.far = make(map[[2]int]int, n)
	}
	for p := range n {
		if r, k := c.Row[p], c.Col[p]; r > 0 && k > 0 {
			if g.far != nil {
				g.far[[2]int{r, k}] = p
			} else {
				g.cells[(r-1)*g.cols+k-1] = int32(p + 1)
			}
		}
	}
	return g
}

// at is the patch at a row and a column, counted from 1.
func (g *grid) at(row, col int) (patch int, ok bool) {
	if g.far != nil {
		patch, ok = g.far[[2]int{row, col}]
		return patch, ok
	}
	if row < 1 || row > g.rows || col < 1 || col > g.cols {
		return 0, false
	}
	patch = int(g.cells[(row-1)*g.cols+col-1]) - 1
	return max(0, patch), patch >= 0
}

// exchanges tells which patches have a counterpart with two channels exchanged. Patches that are asked for
// alike are of one class.
type exchanges struct {
	class   []int32 // by patch
	classes int
	pairs   []exchange
}

type exchange struct {
	a, b        int     // channels, a before b
	counterpart []int32 // by class, -1 for none
}

func newExchanges(c *Chart) *exchanges {
	type device = [maxChannels]float64
	e := &exchanges{class: make([]int32, len(c.Device))}
	known := make(map[device]int32, len(c.Device))
	var of []device
	for p, d := range c.Device {
		var key device
		copy(key[:], d)
		k, ok := known[key]
		if !ok {
			k = int32(len(of))
			known[key] = k
			of = append(of, key)
		}
		e.class[p] = k
	}
	e.classes = len(of)
	for a := range c.Channels {
		for b := a + 1; b < len(c.Channels); b++ {
			x := exchange{a: a, b: b, counterpart: make([]int32, len(of))}
			for k, key := range of {
				key[a], key[b] = key[b], key[a]
				if other, ok := known[key]; ok {
					x.counterpart[k] = other
				} else {
					x.counterpart[k] = -1
				}
			}
			e.pairs = append(e.pairs, x)
		}
	}
	return e
}
