package banding

import (
	"fmt"
	"math"
	"slices"
)

// pitchReach is how far a strip's sampling may be from the baseline's for the baseline's spectrum to mean anything of it.
const pitchReach = 1.25

func (b *Baseline) alien(pitchUM float64) bool {
	r := pitchUM / b.PitchUM
	return r > pitchReach || r < 1/pitchReach
}

// coarsest is how many times coarser than the others a strip may be sampled and still tell something of their lines.
const coarsest = 4

// usualPitch is the middle sampling pitch of the traces, in mm; 0 where it is finer than is worked on, or none is usable.
func usualPitch(traces []Trace) float64 {
	var all []float64
	for i := range traces {
		if p := traces[i].PitchUM / 1000; p > 0 && !math.IsInf(p, 0) && len(traces[i].Values) >= 64 {
			all = append(all, p)
		}
	}
	if len(all) == 0 {
		return 0
	}
	slices.Sort(all)
	if p := all[(len(all)-1)/2]; p >= finestMM {
		return p
	}
	return 0
}

// farApart is the longest gap between two strips of one ink, in lengths of the longer, over which they are joined:
// what lies between must be filled in sample by sample.
const farApart = 2.0

// dropFar leaves out strips that lie far along the feed from the others of their ink. The one of each ink that is
// nearest to the middle of all starts is taken to be where it should.
func (w *work) dropFar(traces []Trace) {
	if len(w.samples) < 2 {
		return
	}
	starts := make([]float64, len(w.samples))
	for i, s := range w.samples {
		starts[i] = traces[s.trace].StartMM
	}
	slices.Sort(starts)
	middle := starts[(len(starts)-1)/2]
	if starts[0] == starts[len(starts)-1] {
		return
	}
	ref := map[string]sample{}
	for _, s := range w.samples {
		t := &traces[s.trace]
		r, ok := ref[t.Channel]
		if !ok || math.Abs(t.StartMM-middle) < math.Abs(traces[r.trace].StartMM-middle) {
			ref[t.Channel] = s
		}
	}
	w.samples = slices.DeleteFunc(w.samples, func(s sample) bool {
		t := &traces[s.trace]
		r := ref[t.Channel]
		a, b := t.StartMM, traces[r.trace].StartMM
		la, lb := float64(len(s.values))*w.grid.pitch, float64(len(r.values))*w.grid.pitch
		if math.Max(a-b-lb, b-a-la) <= farApart*math.Max(la, lb) {
			return false
		}
		w.unusable++
		w.warnings = append(w.warnings, Warning{Code: "place", Strip: t.Strip, Channel: t.Channel, Value: a,
			Text: fmt.Sprintf("strip %q: it starts at %.0f mm, another strip of %s at %.0f mm: too far apart to be one chart, so it is left out; check where the strips start", t.Strip, a, t.Channel, b)})
		return true
	})
}
