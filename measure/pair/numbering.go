package pair

import (
	"fmt"
	"math"
	"sort"
	"strings"
)

// Limits of the search for another numbering by colour alone. They come from
// the physics, not from data: readings of one chart differ by a few units at
// most, shuffled patches of a chart by tens (own reckoning).
const (
	doubtful   = 4.0  // CIE 1976 difference, upper quartile by id, that raises doubt
	strange    = 25.0 // upper quartile that hardly two readings of one chart have
	clearRatio = 0.33 // how much nearer another numbering must bring the quartile
	screened   = 300  // patches that a numbering is tried on before it is on all
)

// another is another numbering of the ids that fits better.
type another struct {
	found         bool
	text          string  // what it is
	before, after float64 // upper quartile of the CIE 1976 differences, by id and by it
}

func guess(t another) string {
	switch {
	case t.found:
		return fmt.Sprintf("%s: three of four patches differ by up to %.1f by id and %.1f so (CIE 1976)", t.text, t.before, t.after)
	case t.before > strange:
		return fmt.Sprintf("one in four patches of the same id differs by more than %.0f (CIE 1976); are both readings of one chart, and the ids numbered alike?", t.before)
	}
	return ""
}

// transposed looks, where there are no device values to tell, whether ids that
// are numbered another way in one file, such as down in one and across in the
// other, explain the colours much better than the ids as they are.
func transposed(a, b Side, ids Result) another {
	if a.Lab == nil || b.Lab == nil || len(ids.A) < 8 {
		return another{}
	}
	before := quartile(a, b, ids.A, ids.B)
	if before < doubtful {
		return another{before: before}
	}
	best := another{before: before, after: math.Inf(1)}
	every := max(1, len(ids.A)/screened)
	for _, n := range ways(a, b, ids) {
		// A numbering that does not bring some patches near is not tried on all.
		if ia, ib := n.pairs(ids.A, every); len(ia) >= 5 && quartile(a, b, ia, ib) < 2*clearRatio*before {
			ia, ib = n.pairs(ids.A, 1)
			if m := quartile(a, b, ia, ib); 10*len(ia) >= 9*len(ids.A) && m < best.after {
				best.after, best.text = m, n.text
			}
		}
	}
	best.found = best.after < clearRatio*before
	return best
}

// numbering says in which way the ids of two sides differ, when the pairs by
// device value show one: numbered down in one and across in the other.
func numbering(a, b Side, r Result) string {
	all := make([]int, len(a.ID))
	for i := range all {
		all[i] = i
	}
	partner := make([]int, len(a.ID))
	for i := range partner {
		partner[i] = -1
	}
	for k, i := range r.A {
		partner[i] = r.B[k]
	}
	for _, n := range ways(a, b, Result{A: all}) {
		agree, of := 0, 0
		ia, ib := n.pairs(all, 1)
		for k, i := range ia {
			if partner[i] >= 0 {
				of++
				if partner[i] == ib[k] {
					agree++
				}
			}
		}
		// Repeated device values may break the rule for a few.
		if of > 0 && float64(agree) >= 0.95*float64(of) && 10*of >= 9*len(r.A) {
			return n.text
		}
	}
	return ""
}

// way is one other numbering.
type way struct {
	text  string
	other func(i int) int // the patch of b that is patch i of a; -1 for none
}

// pairs applies a numbering to every so many patches of a.
func (w way) pairs(at []int, every int) (ia, ib []int) {
	for k := 0; k < len(at); k += every {
		if j := w.other(at[k]); j >= 0 {
			ia, ib = append(ia, at[k]), append(ib, j)
		}
	}
	return ia, ib
}

// ways are the other numberings that the ids of two sides may have.
func ways(a, b Side, ids Result) []way {
	var out []way
	if lattice := newLattice(a, b); lattice != nil {
		out = append(out, way{"the letters of the ids seem to be rows in one file and columns in the other", lattice.swapped})
	}
	c := newCount(a, b)
	if c == nil {
		return out
	}
	n := c.n
	out = append(out, way{"the ids seem numbered from the other end in one file", c.by(func(k int) int { return n - 1 - k })})
	for h := 2; h <= (n+1)/2; h++ {
		text := fmt.Sprintf("the ids seem numbered down in one file and across in the other (%d by %d)", (n+h-1)/h, h)
		out = append(out, way{text, c.by(func(k int) int { return across(k, h, n) })})
		if n%h != 0 { // else it is that of n/h
			inverse := make([]int, n)
			for k := range inverse {
				inverse[across(k, h, n)] = k
			}
			out = append(out, way{text, c.by(func(k int) int { return inverse[k] })})
		}
		out = append(out, way{fmt.Sprintf("every other strip of %d seems numbered from its other end in one file", h), c.by(func(k int) int {
			strip := k / h
			if strip%2 == 0 {
				return k
			}
			return strip*h + min((strip+1)*h, n) - 1 - k
		})})
	}
	return out
}

// across is the number, counted across strips of h patches, of the patch that
// has number k when counted along them; the last of n patches may leave its
// strip short.
func across(k, h, n int) int {
	strips, last := (n+h-1)/h, n%h
	strip, at := k/h, k%h
	if last == 0 || at <= last {
		return at*strips + strip
	}
	return last*strips + (at-last)*(strips-1) + strip
}

// count is ids that are running numbers, perhaps behind one common word and
// with zeros before them, and perhaps with a few missing.
type count struct {
	n   int
	a   []int // number of each patch of a, from 0
	toB []int // patch of b that has a number; -1 for none
}

func newCount(a, b Side) *count {
	head := ""
	read := func(ids []string) []int {
		out := make([]int, len(ids))
		for i, id := range ids {
			h, n, ok := tail(id)
			if !ok || i > 0 && !strings.EqualFold(h, head) {
				return nil
			}
			head, out[i] = h, n
		}
		return out
	}
	na := read(a.ID)
	first := head
	nb := read(b.ID)
	if na == nil || nb == nil || !strings.EqualFold(first, head) {
		return nil
	}
	low, high := math.MaxInt, math.MinInt
	for _, list := range [][]int{na, nb} {
		for _, n := range list {
			low, high = min(low, n), max(high, n)
		}
	}
	c := &count{n: high - low + 1, a: na}
	if c.n < 4 || c.n > max(len(a.ID), len(b.ID))*5/4 {
		return nil // too many missing to know how they are laid out
	}
	c.toB = make([]int, c.n)
	for i := range c.toB {
		c.toB[i] = -1
	}
	for i := range na {
		na[i] -= low
	}
	for j, n := range nb {
		c.toB[n-low] = j
	}
	return c
}

func (c *count) by(other func(k int) int) func(i int) int {
	return func(i int) int { return c.toB[other(c.a[i])] }
}

// tail is the number at the end of an id and what stands before it.
func tail(id string) (head string, n int, ok bool) {
	i := len(id)
	for i > 0 && id[i-1] >= '0' && id[i-1] <= '9' {
		i--
	}
	if i == len(id) || len(id)-i > 6 {
		return "", 0, false
	}
	for _, c := range id[i:] {
		n = n*10 + int(c-'0')
	}
	return id[:i], n, true
}

// lattice is ids of letters and a number, A1 or 12C or B-07: rows and columns.
type lattice struct {
	a   [][2]int
	toB map[[2]int]int
}

func newLattice(a, b Side) *lattice {
	l := &lattice{toB: make(map[[2]int]int, len(b.ID))}
	good := 0
	for _, id := range a.ID {
		c := cell(id)
		if c[0] > 0 {
			good++
		}
		l.a = append(l.a, c)
	}
	if 10*good < 9*len(a.ID) {
		return nil
	}
	for j, id := range b.ID {
		if c := cell(id); c[0] > 0 {
			l.toB[c] = j
		}
	}
	return l
}

func (l *lattice) swapped(i int) int {
	c := l.a[i]
	if j, ok := l.toB[[2]int{c[1], c[0]}]; ok && c[0] > 0 {
		return j
	}
	return -1
}

// cell is the letters of an id as a number (A is 1, AA is 27) and its number;
// zeros when it is not of that kind.
func cell(id string) [2]int {
	isDigit := func(c byte) bool { return c >= '0' && c <= '9' }
	var parts [2]string
	rest := strings.ToUpper(id)
	for k := range parts {
		i := 0
		for i < len(rest) && isDigit(rest[i]) == isDigit(rest[0]) && (isDigit(rest[i]) || rest[i] >= 'A' && rest[i] <= 'Z') {
			i++
		}
		parts[k], rest = rest[:i], strings.TrimLeft(rest[i:], " -_.")
		if i == 0 || i > 3 {
			return [2]int{}
		}
	}
	letters, digits := parts[0], parts[1]
	if isDigit(letters[0]) {
		letters, digits = digits, letters
	}
	if rest != "" || isDigit(letters[0]) || !isDigit(digits[0]) || len(letters) > 2 {
		return [2]int{}
	}
	var c [2]int
	for _, x := range letters {
		c[0] = c[0]*26 + int(x-'A') + 1
	}
	for _, x := range digits {
		c[1] = c[1]*10 + int(x-'0')
	}
	if c[1] == 0 {
		return [2]int{}
	}
	return c
}

// quartile is the upper quartile of the CIE 1976 differences of pairs. The
// median will not do: where every other strip is numbered the other way, half
// the pairs are right.
func quartile(a, b Side, ia, ib []int) float64 {
	if len(ia) == 0 {
		return math.Inf(1)
	}
	d := make([]float64, len(ia))
	for i := range ia {
		x, y := a.Lab[ia[i]], b.Lab[ib[i]]
		d[i] = math.Sqrt((x[0]-y[0])*(x[0]-y[0]) + (x[1]-y[1])*(x[1]-y[1]) + (x[2]-y[2])*(x[2]-y[2]))
	}
	sort.Float64s(d)
	return d[len(d)*3/4]
}
