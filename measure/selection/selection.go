// Package selection finds the value at one place of an order without sorting the rest.
package selection

// Smallest gives the value that would stand at place k if s were sorted, and leaves s so that
// nothing before k is larger and nothing after it smaller (Hoare's
// selection, 1961). Of nothing it is 0.
func Smallest(s []float64, k int) float64 {
	if len(s) == 0 {
		return 0
	}
	lo, hi := 0, len(s)-1
	for lo < hi {
		// The median of three as the pivot, so that what is sorted already is no bad case.
		a, b, c := s[lo], s[(lo+hi)/2], s[hi]
		p := max(min(a, b), min(max(a, b), c))
		i, j := lo, hi
		for i <= j {
			for s[i] < p {
				i++
			}
			for s[j] > p {
				j--
			}
			if i <= j {
				s[i], s[j] = s[j], s[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return s[k]
		}
	}
	return s[k]
}
