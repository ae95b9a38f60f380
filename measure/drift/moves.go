package drift

import (
	"math"

	"swathkeeper/measure/colour"
)

// moves turns the fitted change into what to ask of each channel to undo it: a percentage of
// its tints and a further change of its mid-tone, and the mean CIEDE2000 that would be left.
func (m *Model) moves(r *Result, w *work, s *Sample) {
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
	var undo [maxFactors]float64
	for c, name := range m.b.Chart.Channels {
		if strength[c] < 0 {
			continue
		}
		s, t := w.theta[strength[c]], 0.0
		undo[strength[c]] = s
		if j := tone[c]; j >= 0 {
			t = w.theta[j]
			undo[j] = t
		}
		// What a tone looks like as strength has been counted there.
		for _, j := range tone {
			if j >= 0 && m.b.Factors[j].Leans != nil {
				s -= m.b.Factors[j].Leans[c] * w.theta[j]
			}
		}
		s = max(-90, min(300, s))
		t /= 1 + s/100
		r.Moves = append(r.Moves, Move{Channel: name, Percent: 100 * (1/(1+s/100) - 1), TonePoints: -t})
	}
	var sum float64
	for p, c := range s.Lab {
		if w.present[p] == 0 {
			continue
		}
		after := c
		for j := range m.q {
			if undo[j] == 0 {
				continue
			}
			g := m.cols[j][p*3 : p*3+3]
			after.L -= g[0] * undo[j]
			after.A -= g[1] * undo[j]
			after.B -= g[2] * undo[j]
		}
		for ch, j := range strength {
			if j < 0 {
				continue
			}
			sq := undo[j] * undo[j]
			k := m.sig.curves[ch][p*3 : p*3+3]
			after.L -= k[0] * sq
			after.A -= k[1] * sq
			after.B -= k[2] * sq
		}
		sum += colour.DE2000(m.mean[p], after)
	}
	r.AfterMoves = sum / float64(w.used)
	if math.IsNaN(r.AfterMoves) {
		r.AfterMoves = r.MeanDE00
	}
}
