package press

import (
	"slices"

	"swathkeeper/measure/colour"
)

// parts sorts a tile's patches by what they tell.
type parts struct {
	bare, inked, single, heavy, grey []int
	alike                            [][]int // inked patches printed more than once
}

// Bounds of the parts, as tints 0..1: heavy is what asks for this much ink in all, a grey is three
// colours that differ by no more than this.
const (
	heavyFrom  = 2.0
	greyWithin = 0.15
)

func partsOf(tints [][]float64) (f parts) {
	for k, t := range tints {
		sum, low, high, inks := 0.0, 1.0, 0.0, 0
		for _, v := range t {
			if sum += v; v > 0 {
				inks++
				low, high = min(low, v), max(high, v)
			}
		}
		if inks == 0 {
			f.bare = append(f.bare, k)
			continue
		}
		f.inked = append(f.inked, k)
		if inks == 1 {
			f.single = append(f.single, k)
		}
		if sum >= heavyFrom-1e-9 {
			f.heavy = append(f.heavy, k)
		}
		if inks >= 3 && high-low <= greyWithin {
			f.grey = append(f.grey, k)
		}
		if first := slices.IndexFunc(tints, func(u []float64) bool { return slices.Equal(t, u) }); first < k {
			i := slices.IndexFunc(f.alike, func(g []int) bool { return g[0] == first })
			if i < 0 {
				i, f.alike = len(f.alike), append(f.alike, []int{first})
			}
			f.alike[i] = append(f.alike[i], k)
		}
	}
	return f
}

// uneven is the second largest CIEDE2000 of a patch from the mean of those printed alike, since one
// scratched patch says nothing about the press; 0 where no three are alike.
func (f *parts) uneven(lab []colour.Lab) (most float64) {
	for _, g := range f.alike {
		if len(g) < 3 {
			continue
		}
		m := meanOf(lab, g)
		var off []float64
		for _, k := range g {
			off = append(off, colour.DE2000(lab[k], m))
		}
		slices.Sort(off)
		most = max(most, off[len(off)-2])
	}
	return most
}

// meanOf is zero where there is no patch.
func meanOf(lab []colour.Lab, which []int) (m colour.Lab) {
	n := float64(max(1, len(which)))
	for _, k := range which {
		m.L, m.A, m.B = m.L+lab[k].L/n, m.A+lab[k].A/n, m.B+lab[k].B/n
	}
	return m
}

// depthOf is how far patches lie from the bare goods, in the mean.
func depthOf(lab []colour.Lab, which []int, bare colour.Lab) (sum float64) {
	for _, k := range which {
		sum += colour.DE76(lab[k], bare) / float64(len(which))
	}
	return sum
}

// shareOf is 1 where there is nothing to compare.
func shareOf(x, most float64) float64 {
	if most <= 0 {
		return 1
	}
	return x / most
}
