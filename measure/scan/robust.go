package scan

import (
	"math"
	"slices"

	"swathkeeper/measure/selection"
)

// medianOf is the median of v, which stays as it is.
func medianOf(v []float64) float64 {
	var few [64]float64
	s := append(few[:0], v...)
	if len(s) <= 32 {
		slices.Sort(s)
		return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
	}
	k := len(s) / 2
	m := selection.Smallest(s, k)
	if len(s)%2 == 0 {
		m = (m + slices.Max(s[:k])) / 2
	}
	return m
}

// robustSpread is a standard deviation from the median absolute value.
func robustSpread(v []float64) float64 {
	// Of a long trace a part tells as much.
	skip := 1 + len(v)/1000
	a := make([]float64, 0, len(v)/skip+1)
	for i := 0; i < len(v); i += skip {
		a = append(a, math.Abs(v[i]))
	}
	return 1.4826 * selection.Smallest(a, len(a)/2)
}

// slowly gives the slow course of a trace: medians of blocks, joined by straight lines.
func slowly(v []float64, window int) []float64 {
	window = max(8, min(window, len(v)))
	blocks := max(1, len(v)/window)
	mid, med := make([]float64, blocks), make([]float64, blocks)
	for b := range blocks {
		from, to := b*len(v)/blocks, (b+1)*len(v)/blocks
		mid[b] = float64(from+to-1) / 2
		med[b] = medianOf(v[from:to])
	}
	out := make([]float64, len(v))
	b := 0
	for i := range v {
		x := float64(i)
		for b+2 < blocks && x > mid[b+1] {
			b++
		}
		if blocks == 1 || x <= mid[0] {
			out[i] = med[0]
			continue
		}
		if x >= mid[blocks-1] {
			out[i] = med[blocks-1]
			continue
		}
		f := (x - mid[b]) / (mid[b+1] - mid[b])
		out[i] = med[b] + f*(med[b+1]-med[b])
	}
	return out
}
