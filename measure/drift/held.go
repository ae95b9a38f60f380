package drift

import (
	"math"

	"swathkeeper/measure/colour"
)

// held is a reading held against a baseline's mean, patch by patch: what the checks of its order, axes
// and white go by, taken in one pass. They run on every reading, and nearly always find nothing.
type held struct {
	mean [][3]float64
	lab  []colour.Lab
	have []bool     // patches that the baseline knows and that were read
	axis [3]moments // of L*, a*, b*, over those
	most [3]float64 // the largest difference of each, over those
}

// moments are sums over pairs: a coordinate of the baseline's mean, and the reading's.
type moments struct{ k, x, y, xx, xy, yy float64 }

func (m *moments) add(x, y float64) {
	m.k++
	m.x += x
	m.y += y
	m.xx += x * x
	m.xy += x * y
	m.yy += y * y
}

// holdAgainst compares a reading. have, with room for all patches, is used by it; nil makes one.
func holdAgainst(mean [][3]float64, known []bool, s *Sample, have []bool) held {
	if have == nil {
		have = make([]bool, len(mean))
	}
	h := held{mean: mean, lab: s.Lab, have: have}
	for p := range have {
		have[p] = known[p] && (s.Missing == nil || !s.Missing[p])
	}
	for a := range h.axis {
		var m moments
		var most float64
		for p, c := range s.Lab {
			if !have[p] {
				continue
			}
			x, y := mean[p][a], axisOf(c, a)
			m.add(x, y)
			most = max(most, math.Abs(y-x))
		}
		h.axis[a], h.most[a] = m, most
	}
	return h
}

// meanSquare is the mean over the patches of the squared distance in Lab.
func (h *held) meanSquare() (sum float64) {
	for _, m := range h.axis {
		sum += (m.yy - 2*m.xy + m.xx) / max(1, m.k)
	}
	return sum
}
