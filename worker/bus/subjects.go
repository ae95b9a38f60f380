package bus

import (
	"cmp"
	"slices"
	"strings"
)

// splitPrinters gives the distinct site and printer of record subjects, sorted.
func splitPrinters(subjects map[string]uint64) [][2]string {
	seen := map[[2]string]bool{}
	for s := range subjects {
		if t := strings.Split(s, "."); len(t) == 6 {
			seen[[2]string{t[2], t[3]}] = true
		}
	}
	out := make([][2]string, 0, len(seen))
	for p := range seen {
		out = append(out, p)
	}
	slices.SortFunc(out, func(a, b [2]string) int {
		return cmp.Or(cmp.Compare(a[0], b[0]), cmp.Compare(a[1], b[1]))
	})
	return out
}
