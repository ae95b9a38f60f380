package judge

import "math"

// Verdicts and states stand in every record for ever, so they carry no digits that mean nothing.

// round4 keeps four decimals: a hundredth of what any instrument repeats.
func round4(v float64) float64 { return math.Round(v*1e4) / 1e4 }

// round6s keeps six decimals of each value. The state in memory is rounded too, so that a worker that
// restarts goes on from exactly the numbers that one that did not restart has.
func round6s(v []float64) []float64 {
	for i, x := range v {
		v[i] = math.Round(x*1e6) / 1e6
	}
	return v
}
