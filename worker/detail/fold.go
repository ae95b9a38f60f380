package detail

import (
	"math"
	"slices"

	"swathkeeper/protocol"
)

// Profile is one channel's strips folded over one paper step: what repeats with the head stands out,
// what does not averages away.
type Profile struct {
	Channel  string    `json:"channel"`
	PeriodMM float64   `json:"period_mm"`
	Unit     string    `json:"unit"`
	Values   []float64 `json:"values"` // mean deviation from the strip around it, over the period
	Marks    []float64 `json:"marks"`  // where lines were found, mm within the period
}

// mostBins is how finely a period is divided at most: the width of a terminal picture. It is never
// divided finer than the strips were sampled, since empty divisions would look like gaps.
const mostBins = 120

// foldAll folds the strips of every channel on which lines were found.
func foldAll(v *protocol.Verdict, r *protocol.Reading) ([]Profile, error) {
	if v.Banding == nil {
		return nil, nil
	}
	var out []Profile
	for i := range v.Banding.Channels {
		ch := &v.Banding.Channels[i]
		period := 0.0
		for _, l := range ch.Lines {
			if l.PeriodMM > 0 {
				period = l.PeriodMM
				break
			}
		}
		if period == 0 {
			continue
		}
		p := Profile{Channel: ch.Channel, PeriodMM: period}
		for _, l := range ch.Lines {
			if l.PeriodMM > 0 {
				p.Marks = append(p.Marks, mod(l.AtMM, period))
			}
		}
		bins := mostBins
		for k := range r.Traces {
			if t := &r.Traces[k]; t.PitchUM > 0 {
				bins = min(bins, max(8, int(1000*period/t.PitchUM)))
			}
		}
		sum, n := make([]float64, bins), make([]float64, bins)
		for k := range r.Traces {
			t := &r.Traces[k]
			if t.Channel == "" || ch.Channel != "all" && t.Channel != ch.Channel {
				continue
			}
			values, err := t.Samples()
			if err != nil {
				return nil, err
			}
			p.Unit = t.Unit
			window := max(3, int(1000*period/t.PitchUM))
			for j, d := range level(values, window) {
				bin := int(mod(t.StartMM+float64(j)*t.PitchUM/1000, period) / period * float64(bins))
				bin = min(bin, bins-1)
				sum[bin] += d
				n[bin]++
			}
		}
		for b := range sum {
			if n[b] > 0 {
				sum[b] /= n[b]
			}
		}
		if slices.Max(n) > 0 {
			p.Values = sum
			out = append(out, p)
		}
	}
	return out, nil
}

// level takes the slow course out of a trace: each sample less the mean of a window around it.
func level(v []float64, window int) []float64 {
	sums := make([]float64, len(v)+1)
	for i, x := range v {
		sums[i+1] = sums[i] + x
	}
	out := make([]float64, len(v))
	for i, x := range v {
		lo, hi := max(0, i-window/2), min(len(v), i+window/2+1)
		out[i] = x - (sums[hi]-sums[lo])/float64(hi-lo)
	}
	return out
}

func mod(x, m float64) float64 {
	r := math.Mod(x, m)
	if r < 0 {
		r += m
	}
	return r
}
