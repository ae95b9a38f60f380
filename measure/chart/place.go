package chart

import (
	"math/rand/v2"
	"strconv"
)

// carriesTint is the least tint, in percent, that counts as "this row has this channel".
const carriesTint = 10.0

// place sets the fields at random places of the grid and then swaps pairs until every channel
// is in every row and column and twins stand at least a third of the rows apart, or nothing
// gets better. Random positions keep position and colour apart: what ails one side of a press
// or one row of nozzles must not look like one ink (the habit of ISO 12642-2, which has a
// random arrangement; that part from memory).
//
// It reports false when no start led to an arrangement that keeps all of that: many inks on few
// rows leave no room for it.
func (g *grid) place(l *Layout, fields []field, seed uint64) ([]Patch, bool) {
	r := rand.New(rand.NewPCG(seed, 0x5ca1ab1e))
	a := &arrangement{g: g, fields: fields}
	a.carry, a.first = make([]uint32, len(fields)), make([]int, len(fields)+1)
	for i, f := range fields {
		for ch := range l.Channels {
			if l.Tint(Patch{Device: f.device}, ch) >= carriesTint {
				a.carry[i] |= 1 << ch
			}
		}
	}
	settled := false
	for start := 0; start < placeStarts && !settled; start++ {
		a.slot = r.Perm(g.rows * g.cols)[:len(fields)]
		settled = a.settle(r, len(l.Channels))
	}
	if !settled {
		return nil, false
	}
	out := make([]Patch, len(fields))
	order := make([]int, g.rows*g.cols)
	for i := range order {
		order[i] = -1
	}
	for i, s := range a.slot {
		order[s] = i
	}
	n := 0
	for s, i := range order {
		if i < 0 {
			continue
		}
		row, col := s/g.cols, s%g.cols
		out[n] = Patch{
			ID: columnName(col) + strconv.Itoa(row+1), Row: row + 1, Col: col + 1,
			X: round(g.patchX + float64(col)*g.patchW), Y: round(g.body + float64(row)*g.patchH),
			W: g.patchW, H: g.patchH, Device: fields[i].device, House: fields[i].house,
		}
		n++
	}
	return out, true
}

// columnName counts A to Z, then AA, AB and so on.
func columnName(i int) string {
	if i < 26 {
		return string(rune('A' + i))
	}
	return columnName(i/26-1) + string(rune('A'+i%26))
}

// arrangement is a trial of places: field i stands in slot[i] (row * cols + col).
type arrangement struct {
	g      *grid
	fields []field
	slot   []int
	carry  []uint32 // the channels each field carries, one bit each
	first  []int    // by twin: 1 + row of the one met first
}

// placeStarts is how many random starts are tried before a sheet is refused; the first nearly always
// does.
const placeStarts = 8

// settle swaps random pairs and keeps a swap that does not raise the cost. It reports whether
// nothing is left to better.
func (a *arrangement) settle(r *rand.Rand, channels int) bool {
	cost := a.cost(channels)
	for try := 0; cost > 0 && try < 4000; try++ {
		i, j := r.IntN(len(a.slot)), r.IntN(len(a.slot))
		a.slot[i], a.slot[j] = a.slot[j], a.slot[i]
		if c := a.cost(channels); c <= cost {
			cost = c
		} else {
			a.slot[i], a.slot[j] = a.slot[j], a.slot[i]
		}
	}
	return cost == 0
}

// cost counts the channels missing from rows and columns, and the rows by which twins are
// too close.
func (a *arrangement) cost(channels int) int {
	var rows, cols [maxPatches]uint32
	var used [maxPatches]bool
	first := a.first
	clear(first)
	cost := 0
	for i, s := range a.slot {
		row, col := s/a.g.cols, s%a.g.cols
		rows[row] |= a.carry[i]
		cols[col] |= a.carry[i]
		used[row] = true
		if t := a.fields[i].twin; t > 0 {
			if other := first[t] - 1; other >= 0 {
				cost += max(0, (a.g.rows+2)/3-max(row-other, other-row))
			}
			first[t] = row + 1
		}
	}
	for i, m := range rows[:a.g.rows] {
		for ch := range channels {
			if used[i] && m&(1<<ch) == 0 {
				cost += 3
			}
		}
	}
	for _, m := range cols[:a.g.cols] {
		for ch := range channels {
			if m&(1<<ch) == 0 {
				cost += 3
			}
		}
	}
	return cost
}
