package pair

import (
	"fmt"
	"math"
	"sort"
	"strings"
)

// byID pairs equal ids; or, where that pairs more, ids that differ only in case
// and leading zeros (A01 and a1).
func byID(a, b Side) Result {
	r := Result{By: ByID}
	r.A, r.B = equal(a.ID, b.ID, func(s string) string { return s })
	if len(r.A) == min(len(a.ID), len(b.ID)) {
		return r
	}
	if ia, ib := equal(a.ID, b.ID, plain); len(ia) > len(r.A) {
		r.A, r.B = ia, ib
		for k := range ia {
			if a.ID[ia[k]] != b.ID[ib[k]] {
				r.warn("ids written differently (%s and %s) count as equal", a.ID[ia[k]], b.ID[ib[k]])
				break
			}
		}
	}
	return r
}

// equal pairs equal keys; a key that stands twice on a side pairs with none.
func equal(a, b []string, key func(string) string) (ia, ib []int) {
	index := make(map[string]int, len(b))
	for i, s := range b {
		if k := key(s); k != "" {
			if _, twice := index[k]; twice {
				index[k] = -1
			} else {
				index[k] = i
			}
		}
	}
	seen := make(map[string]int, len(a))
	for _, s := range a {
		seen[key(s)]++
	}
	for i, s := range a {
		k := key(s)
		if k == "" || seen[k] > 1 {
			continue
		}
		if j, ok := index[k]; ok && j >= 0 {
			ia, ib = append(ia, i), append(ib, j)
		}
	}
	return ia, ib
}

// plain is an id in lower case, without zeros before digits, and without the
// marks between letters and digits: A-01 is a1, but 1-11 and 11-1 stay apart.
func plain(id string) string {
	isDigit := func(c byte) bool { return c >= '0' && c <= '9' }
	var b strings.Builder
	digits, mark := false, false // within a number that has begun; a mark before this character
	last := byte(0)
	for i := 0; i < len(id); i++ {
		c := id[i]
		switch {
		case c == ' ' || c == '\t' || c == '_' || c == '-':
			digits, mark = false, true
			continue
		case c == '0' && !digits && i+1 < len(id) && isDigit(id[i+1]):
			continue
		case c >= 'A' && c <= 'Z':
			c += 'a' - 'A'
		}
		if mark && isDigit(last) && isDigit(c) {
			b.WriteByte('-')
		}
		digits, mark, last = isDigit(c), false, c
		b.WriteByte(c)
	}
	return b.String()
}

// byName pairs equal names, and names of one side with ids of the other.
func byName(a, b Side) (Result, string) {
	best, note := Result{By: ByName}, ""
	for _, try := range []struct {
		a, b []string
		note string
	}{
		{a.Name, b.Name, ""},
		{a.Name, b.ID, fmt.Sprintf("the names of %s are the ids of %s", label(a), label(b))},
		{a.ID, b.Name, fmt.Sprintf("the ids of %s are the names of %s", label(a), label(b))},
	} {
		ia, ib := equal(try.a, try.b, func(s string) string { return s })
		if len(ia) > len(best.A) {
			best.A, best.B, note = ia, ib, try.note
		}
	}
	return best, note
}

// deviceComparable tells whether both sides have device values of the same
// channels. Channels that are only numbered (ink-1) may be any inks.
func deviceComparable(a, b Side) bool {
	if a.Device == nil || b.Device == nil || len(a.Device[0]) != len(b.Device[0]) || a.points() != b.points() {
		return false
	}
	for i, c := range a.Channels {
		if i < len(b.Channels) && !strings.EqualFold(c, b.Channels[i]) && !numbered(c, i) && !numbered(b.Channels[i], i) {
			return false
		}
	}
	return true
}

func numbered(channel string, i int) bool { return channel == fmt.Sprintf("ink-%d", i+1) }

// points is one point of tint in the unit of the device values.
func (s Side) points() float64 {
	if strings.EqualFold(strings.Join(s.Channels, ""), "RGB") {
		return 2.55
	}
	return 1
}

// disagreeing counts the pairs whose device values differ.
func disagreeing(a, b Side, r Result) int {
	if !deviceComparable(a, b) {
		return 0
	}
	n, most := 0, DeviceTolerance*a.points()
	for i := range r.A {
		if !near(a.Device[r.A[i]], b.Device[r.B[i]], most) {
			n++
		}
	}
	return n
}

func near(x, y []float64, most float64) bool {
	for k := range x {
		if math.Abs(x[k]-y[k]) > most {
			return false
		}
	}
	return true
}

// example is the first pair whose device values differ, for a message.
func example(a, b Side, r Result) string {
	most := DeviceTolerance * a.points()
	for i := range r.A {
		x, y := a.Device[r.A[i]], b.Device[r.B[i]]
		if !near(x, y, most) {
			return fmt.Sprintf("%s: %s against %s", a.ID[r.A[i]], values(x), values(y))
		}
	}
	return ""
}

func values(v []float64) string {
	out := make([]string, len(v))
	for i, x := range v {
		out[i] = fmt.Sprintf("%.4g", x)
	}
	return strings.Join(out, " ")
}

// byDevice pairs device values that are unique on both sides. Values that
// occur several times (bare paper, repeated solids) pair among themselves only
// where ids agree too; the rest is left out, and said.
func byDevice(a, b Side) (Result, string) {
	r := Result{By: ByDevice}
	ga, gb := groups(a), groups(b)
	left := 0
	for i, j := 0, 0; i < len(ga) && j < len(gb); {
		x, y := ga[i], gb[j]
		c := compare(x.key, y.key)
		switch {
		case c < 0:
			i++
			continue
		case c > 0:
			j++
			continue
		}
		if len(x.at) == 1 && len(y.at) == 1 {
			r.A, r.B = append(r.A, x.at[0]), append(r.B, y.at[0])
		} else {
			left += pairWithin(&r, a, b, x.at, y.at)
		}
		i++
		j++
	}
	sortPairs(&r)
	if left == 0 {
		return r, ""
	}
	return r, fmt.Sprintf("%d patches share their device values with others and were left out", left)
}

// pairWithin pairs patches of equal device values by their ids, and gives the
// number of those of a that stay alone.
func pairWithin(r *Result, a, b Side, ia, ib []int) (left int) {
	index := make(map[string]int, len(ib))
	for _, j := range ib {
		index[b.ID[j]] = j
	}
	for _, i := range ia {
		if j, ok := index[a.ID[i]]; ok {
			r.A, r.B = append(r.A, i), append(r.B, j)
		} else {
			left++
		}
	}
	return left
}

// group is patches of one device value.
type group struct {
	key []int64
	at  []int
}

// groups sorts the patches by device value, rounded to whole points of tint.
func groups(s Side) []group {
	point := s.points()
	keys := make([][]int64, len(s.ID))
	flat := make([]int64, len(s.ID)*len(s.Device[0]))
	for i, row := range s.Device {
		keys[i], flat = flat[:len(row):len(row)], flat[len(row):]
		for k, v := range row {
			// Whole points: values that were rounded to whole percent on one
			// side and not on the other still meet, halves go up.
			keys[i][k] = int64(math.Floor(v/point + 0.5))
		}
	}
	order := make([]int, len(s.ID))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(x, y int) bool { return compare(keys[order[x]], keys[order[y]]) < 0 })
	var out []group
	for _, i := range order {
		if n := len(out); n > 0 && compare(out[n-1].key, keys[i]) == 0 {
			out[n-1].at = append(out[n-1].at, i)
		} else {
			out = append(out, group{keys[i], []int{i}})
		}
	}
	return out
}

func compare(x, y []int64) int {
	for k := range x {
		switch {
		case x[k] < y[k]:
			return -1
		case x[k] > y[k]:
			return 1
		}
	}
	return 0
}

// sortPairs puts the pairs in the order of side A.
func sortPairs(r *Result) {
	order := make([]int, len(r.A))
	for i := range order {
		order[i] = i
	}
	sort.Slice(order, func(x, y int) bool { return r.A[order[x]] < r.A[order[y]] })
	a, b := make([]int, len(order)), make([]int, len(order))
	for i, o := range order {
		a[i], b[i] = r.A[o], r.B[o]
	}
	r.A, r.B = a, b
}
