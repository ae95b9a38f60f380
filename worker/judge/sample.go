package judge

import (
	"fmt"
	"sync"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
)

// dayLayout is how a local date is written.
const dayLayout = "2006-01-02"

// sample brings the patches of a reading into the layout's order. Patches that the reading does
// not have are marked missing. The local date is that of taken_at in the offset it came with.
func sample(c *protocol.Chart, r *protocol.Reading) (drift.Sample, error) {
	s := drift.Sample{
		Lab:     make([]colour.Lab, len(c.Patches)),
		Missing: make([]bool, len(c.Patches)),
		Day:     r.TakenAt.Format(dayLayout),
	}
	labs, err := Labs(r.Patches)
	if err != nil {
		return s, err
	}
	for i := range s.Missing {
		s.Missing[i] = true
	}
	var spectra *drift.Spectra
	if sp := r.Patches.Spectra; sp != nil {
		spectra = &drift.Spectra{StartNM: sp.StartNM, StepNM: sp.StepNM, Values: make([][]float64, len(c.Patches))}
	}
	for k, i := range c.Places(r.Patches.ID) {
		if i < 0 {
			continue
		}
		s.Lab[i], s.Missing[i] = labs[k], false
		if spectra != nil {
			spectra.Values[i] = r.Patches.Spectra.Values[k]
		}
	}
	s.Spectra = spectra
	return s, nil
}

// Labs gives the L*a*b* (D50, 2 degrees) of every patch of a reading, in the reading's order.
// Spectra are weighted as ASTM E308 says; scanner values are taken as sRGB primaries, which is all
// that can be known of them.
func Labs(p *protocol.Patches) ([]colour.Lab, error) {
	out := make([]colour.Lab, len(p.ID))
	switch {
	case p.Lab != nil:
		for i, v := range p.Lab {
			out[i] = colour.Lab{L: v[0], A: v[1], B: v[2]}
		}
	case p.XYZ != nil:
		for i, v := range p.XYZ {
			out[i] = colour.XYZ{X: v[0], Y: v[1], Z: v[2]}.Lab(colour.D50)
		}
	case p.Spectra != nil:
		w, err := weights(p.Spectra.StartNM, p.Spectra.StepNM, len(p.Spectra.Values[0]))
		if err != nil {
			return nil, fmt.Errorf("spectra: %w", err)
		}
		if err := w.Labs(out, p.Spectra.Values); err != nil {
			return nil, fmt.Errorf("spectra: %w", err)
		}
	case p.RGB != nil:
		for i, v := range p.RGB {
			xyz := colour.LinearRGB(v[0], v[1], v[2])
			if p.Encoding == "srgb" {
				xyz = colour.SRGB(v[0], v[1], v[2])
			}
			out[i] = xyz.Lab(colour.D50)
		}
	}
	return out, nil
}

// weightsKey is the sampling that weights are made for.
type weightsKey struct {
	start, step float64
	n           int
}

// weightsKept bounds the cache of weights; a shop has one or two instruments, but what comes over
// the bus is not to be trusted with memory.
const weightsKept = 32

var (
	weightsMu    sync.Mutex
	weightsCache = map[weightsKey]*colour.Weights{}
)

// weights makes, or remembers, the D50 weights for one sampling.
func weights(start, step float64, n int) (*colour.Weights, error) {
	key := weightsKey{start, step, n}
	weightsMu.Lock()
	defer weightsMu.Unlock()
	if w := weightsCache[key]; w != nil {
		return w, nil
	}
	w, err := colour.NewWeights(colour.IlluminantD50, start, step, n)
	if err == nil && len(weightsCache) < weightsKept {
		weightsCache[key] = w
	}
	return w, err
}
