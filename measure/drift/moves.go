package drift

import (
	"encoding/binary"
	"math"
	"slices"

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
	change := func(j int) float64 { return m.change(next, j) }
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
	r.AfterMoves = m.after(s, w.diff, func(p int) bool { return w.present[p] != 0 }, undo[:m.q], -1)
	if math.IsNaN(r.AfterMoves) {
		r.AfterMoves = r.MeanDE00
	}
}

// AfterMove is the mean CIEDE2000 of a reading to expect once only one channel's move is made; next is the
// state that Judge gave with the reading. It is NaN for a channel that is not of the chart.
func (m *Model) AfterMove(s *Sample, next *State, channel string) float64 {
	c := slices.Index(m.b.Chart.Channels, channel)
	if c < 0 || len(next.Alike) < m.q {
		return math.NaN()
	}
	undo := make([]float64, m.q)
	for j, f := range m.b.Factors {
		if (f.Kind == KindStrength || f.Kind == KindTone) && f.Index == c {
			undo[j] = m.change(next, j)
		}
	}
	return m.after(s, make([]float64, 3*len(m.mean)), func(p int) bool { return s.Missing == nil || !s.Missing[p] }, undo, c)
}

// change is what a factor did, by the readings that are alike, less what its ordinary spread accounts for.
func (m *Model) change(next *State, j int) float64 {
	x, sd := next.Alike[j], m.limits[j].raw
	if x == 0 {
		return 0
	}
	return x * max(0, 1-sd*sd/(x*x*float64(min(next.Likes, 5))))
}

// after is the mean CIEDE2000 of a reading once a change is undone, of one channel alone or, below 0, of all.
// undone is for its use.
func (m *Model) after(s *Sample, undone []float64, read func(int) bool, undo []float64, only int) float64 {
	clear(undone)
	for j, x := range undo {
		if x != 0 && (only < 0 || m.b.Factors[j].Index == only) {
			addPacked(undone, x, m.b.Signatures, j)
		}
	}
	for ch, j := range strengthIndex(m.b.Factors, len(m.b.Chart.Channels)) {
		if j >= 0 && undo[j] != 0 && (only < 0 || ch == only) {
			addPacked(undone, undo[j]*undo[j], m.b.Curves, ch)
		}
	}
	var sum float64
	n := 0
	for p, c := range s.Lab {
		if read(p) {
			u := undone[p*3 : p*3+3]
			sum += colour.DE2000(m.mean[p], colour.Lab{L: c.L - u[0], A: c.A - u[1], B: c.B - u[2]})
			n++
		}
	}
	return sum / float64(n)
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
