package drift

import (
	"encoding/binary"
	"math"

	"swathkeeper/measure/colour"
)

// moves turns the fitted change into what to ask of each channel to undo it: a percentage of
// its tints and a further change of its mid-tone, and the mean CIEDE2000 that would be left.
//
// The change is the mean over the last readings that are alike, and of each factor only what its
// ordinary spread does not account for (the positive-part estimator of James and Stein, 1961):
// undoing a day's wander would add it once more on the next.
func (m *Model) moves(r *Result, w *work, s *Sample, next *State) {
	nc := len(m.b.Chart.Channels)
	strength := strengthIndex(m.b.Factors, nc)
	tone := make([]int, nc)
	for c := range tone {
		tone[c] = -1
	}
	for j, f := range m.b.Factors {
		if f.Kind == KindTone {
			tone[f.Index] = j
		}
	}
	change := func(j int) float64 {
		x, sd := next.Alike[j], m.limits[j].raw
		if x == 0 {
			return 0
		}
		return x * max(0, 1-sd*sd/(x*x*float64(min(next.Likes, 5))))
	}
	var undo [maxFactors]float64
	for c, name := range m.b.Chart.Channels {
		if strength[c] < 0 {
			continue
		}
		if r.Channels[c].HardlyPrints {
			continue
		}
		s, t := max(weakestMove, min(strongestMove, change(strength[c]))), 0.0
		undo[strength[c]] = s
		if j := tone[c]; j >= 0 {
			t = max(-mostTone, min(mostTone, change(j)))
			undo[j] = t
		}
		// What a tone looks like as strength has been counted there.
		for _, j := range tone {
			if j >= 0 && m.b.Factors[j].Leans != nil {
				s -= m.b.Factors[j].Leans[c] * undo[j]
			}
		}
		s = max(weakestMove, min(strongestMove, s))
		percent, points := inverseMove(s, t)
		r.Moves = append(r.Moves, Move{Channel: name, Percent: percent, TonePoints: points})
	}
	undone := w.diff
	clear(undone)
	for j, x := range undo[:m.q] {
		if x != 0 {
			addPacked(undone, x, m.b.Signatures, j)
		}
	}
	for ch, j := range strength {
		if j >= 0 && undo[j] != 0 {
			addPacked(undone, undo[j]*undo[j], m.b.Curves, ch)
		}
	}
	var sum float64
	for p, c := range s.Lab {
		if w.present[p] != 0 {
			u := undone[p*3 : p*3+3]
			sum += colour.DE2000(m.mean[p], colour.Lab{L: c.L - u[0], A: c.A - u[1], B: c.B - u[2]})
		}
	}
	r.AfterMoves = sum / float64(w.used)
	if math.IsNaN(r.AfterMoves) {
		r.AfterMoves = r.MeanDE00
	}
}

// addPacked adds k times column j of what pack wrote in columns as long as to.
func addPacked(to []float64, k float64, data []byte, j int) {
	data = data[4*len(to)*j:]
	data = data[:4*len(to)]
	for i := range to {
		to[i] += k * float64(math.Float32frombits(binary.LittleEndian.Uint32(data[4*i:])))
	}
}

// What moves can make up for: a solid cannot be asked for more than whole, so a weak ink's tints are
// at most doubled; a strong one's are cut to four tenths; and a tone is moved by a quarter of the scale.
const (
	weakestMove, strongestMove = -50.0, 150.0
	mostTone                   = 25.0
)

// inverseMove is the move that undoes a change of strength by s percent and of the 50 % tint by t
// points: the tints that print what was asked for before, fitted by least squares over a ramp.
func inverseMove(s, t float64) (percent, points float64) {
	const steps = 20
	printed := func(x float64) float64 { return x*(1+s/100) + 4*t/100*x*(1-x) }
	var aa, ab, bb, ay, by float64
	for i := 1; i <= steps; i++ {
		want := float64(i) / steps
		// The tint that prints as wanted, by Newton's method.
		x := want
		for range 20 {
			slope := 1 + s/100 + 4*t/100*(1-2*x)
			if slope < 0.1 {
				slope = 0.1
			}
			by := (printed(x) - want) / slope
			x = max(0, min(2, x-by))
			if math.Abs(by) < 1e-10 {
				break
			}
		}
		a, b, y := want/100, 4*want*(1-want)/100, x-want
		aa += a * a
		ab += a * b
		bb += b * b
		ay += a * y
		by += b * y
	}
	det := aa*bb - ab*ab
	return (ay*bb - by*ab) / det, (by*aa - ay*ab) / det
}
