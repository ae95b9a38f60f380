package pair

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
)

// Limits of the search for another numbering by colour alone. Both come from
// the physics, not from data: readings of one chart differ by a few units at
// most, shuffled patches of a chart by tens (own reckoning).
const (
	farMedian  = 6.0  // CIE 1976 difference, median by id, that raises doubt
	clearRatio = 0.33 // how much nearer another numbering must bring the median
)

// another is another numbering of the ids that fits better.
type another struct {
	found         bool
	text          string  // what it is
	before, after float64 // median CIE 1976 difference, by id and by it
}

func guess(t another) string {
	if !t.found {
		return ""
	}
	return fmt.Sprintf("%s: the median difference is %.1f by id and %.1f so (CIE 1976)", t.text, t.before, t.after)
}

// transposed looks, where there are no device values to tell, whether ids that
// are numbered down in one file and across in the other explain the colours
// much better than the ids as they are.
func transposed(a, b Side, ids Result) another {
	if a.Lab == nil || b.Lab == nil || len(ids.A) < 8 {
		return another{}
	}
	before := median(a, b, ids.A, ids.B)
	if before < farMedian {
		return another{}
	}
	best := another{before: before, after: math.Inf(1)}
	try := func(text string, other func(id string) string) {
		index := make(map[string]int, len(b.ID))
		for i, id := range b.ID {
			index[id] = i
		}
		ib := make([]int, len(ids.A))
		for i, at := range ids.A {
			j, ok := index[other(a.ID[at])]
			if !ok {
				return
			}
			ib[i] = j
		}
		if m := median(a, b, ids.A, ib); m < best.after {
			best.after, best.text = m, text
		}
	}
	n := len(ids.A)
	if first, ok := counted(a.ID, ids.A); ok {
		for _, rows := range divisors(n) {
			cols := n / rows
			try(fmt.Sprintf("the ids seem numbered down in one file and across in the other (%d by %d)", rows, cols), func(id string) string {
				k, _ := strconv.Atoi(id)
				k -= first
				return strconv.Itoa(first + k%cols*rows + k/cols)
			})
		}
	}
	try("the letters of the ids seem to be rows in one file and columns in the other", swapped)
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
	n := len(a.ID)
	if first, ok := counted(a.ID, all); ok && n == len(b.ID) {
		for _, rows := range divisors(n) {
			cols := n / rows
			if agree(r, func(i, j int) bool {
				k, errA := strconv.Atoi(a.ID[i])
				l, errB := strconv.Atoi(b.ID[j])
				k -= first
				return errA == nil && errB == nil && l-first == k%cols*rows+k/cols
			}) {
				return fmt.Sprintf("the ids are numbered down in one file and across in the other (%d by %d)", rows, cols)
			}
		}
	}
	if agree(r, func(i, j int) bool { return swapped(a.ID[i]) == b.ID[j] }) {
		return "the letters of the ids are rows in one file and columns in the other"
	}
	return ""
}

// agree tells whether nearly all pairs follow a rule; repeated device values
// may break it.
func agree(r Result, rule func(i, j int) bool) bool {
	n := 0
	for k := range r.A {
		if rule(r.A[k], r.B[k]) {
			n++
		}
	}
	return n > 0 && float64(n) >= 0.95*float64(len(r.A))
}

// counted tells whether the ids are whole numbers without a gap, and the
// first.
func counted(ids []string, at []int) (first int, ok bool) {
	lowest, highest := math.MaxInt, math.MinInt
	for _, i := range at {
		k, err := strconv.Atoi(ids[i])
		if err != nil || strconv.Itoa(k) != ids[i] {
			return 0, false
		}
		lowest, highest = min(lowest, k), max(highest, k)
	}
	return lowest, highest-lowest == len(at)-1
}

// divisors are the numbers of rows that a chart of n patches may have.
func divisors(n int) []int {
	var out []int
	for d := 2; d <= n/2; d++ {
		if n%d == 0 {
			out = append(out, d)
		}
	}
	return out
}

// swapped is an id with letters and number exchanged: B3 names the patch that
// C2 names when letters are rows. Empty when the id is not of that kind.
func swapped(id string) string {
	i := 0
	for i < len(id) && (id[i] >= 'A' && id[i] <= 'Z' || id[i] >= 'a' && id[i] <= 'z') {
		i++
	}
	letters, digits := id[:i], id[i:]
	n, err := strconv.Atoi(digits)
	if i == 0 || i > 2 || err != nil || n < 1 || strconv.Itoa(n) != digits {
		return ""
	}
	number := 0
	for _, c := range strings.ToUpper(letters) {
		number = number*26 + int(c-'A') + 1
	}
	out := ""
	for n > 0 {
		n--
		out = string(rune('A'+n%26)) + out
		n /= 26
	}
	if letters != strings.ToUpper(letters) {
		out = strings.ToLower(out)
	}
	return out + strconv.Itoa(number)
}

// median is the median CIE 1976 difference of pairs.
func median(a, b Side, ia, ib []int) float64 {
	d := make([]float64, len(ia))
	for i := range ia {
		x, y := a.Lab[ia[i]], b.Lab[ib[i]]
		d[i] = math.Sqrt((x[0]-y[0])*(x[0]-y[0]) + (x[1]-y[1])*(x[1]-y[1]) + (x[2]-y[2])*(x[2]-y[2]))
	}
	sort.Float64s(d)
	return d[len(d)/2]
}
