package judge

import (
	"math"
	"slices"

	"swathkeeper/measure/banding"
	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
)

// keepSeen puts into a verdict beyond tolerance what pictures of it are drawn from: the difference
// of every patch, and the lines' ink folded over one paper step. Readings within tolerance are most
// of a history and go without.
func keepSeen(in Input, v *protocol.Verdict, s *drift.Sample) error {
	if v.Outcome != protocol.LevelAct && v.Outcome != protocol.LevelStop {
		return nil
	}
	if v.Colour != nil && s != nil {
		v.Colour.PatchDE00 = patchDifferences(in.Model.Baseline.Colour.Mean, s)
	}
	return foldLines(in, v)
}

// patchDifferences gives CIEDE2000 of every patch against the baseline's mean, to two places; -1
// where it was not read.
func patchDifferences(mean [][3]float64, s *drift.Sample) []float64 {
	out := make([]float64, len(s.Lab))
	for p, c := range s.Lab {
		if s.Missing[p] {
			out[p] = -1
			continue
		}
		m := mean[p]
		out[p] = math.Round(100*colour.DE2000(colour.Lab{L: m[0], A: m[1], B: m[2]}, c)) / 100
	}
	return out
}

// foldLines folds the traces of each channel that has a repeating line over the line's period.
func foldLines(in Input, v *protocol.Verdict) error {
	if v.Banding == nil {
		return nil
	}
	for i := range v.Banding.Channels {
		ch := &v.Banding.Channels[i]
		period := 0.0
		size := -1.0
		for _, l := range ch.Lines {
			if !l.Standing && l.PeriodMM > 0 && math.Abs(l.ContrastDE00) > size {
				period, size = l.PeriodMM, math.Abs(l.ContrastDE00)
			}
		}
		if period == 0 {
			continue
		}
		var folds [][]float64
		for k := range in.Reading.Traces {
			t := &in.Reading.Traces[k]
			// A seam is in all inks; any strip shows it.
			if t.Channel == "" || ch.Channel != banding.AllChannels && t.Channel != ch.Channel {
				continue
			}
			values, err := t.Samples()
			if err != nil {
				return err
			}
			f := fold(values, t.StartMM, t.PitchUM/1000, period)
			if f == nil {
				continue
			}
			if t.Unit == protocol.UnitLightness { // as contrasts are told: negative is lighter
				for i := range f {
					f[i] = -f[i]
				}
			}
			folds = append(folds, f)
		}
		ch.Profile = mean(folds)
	}
	return nil
}

// bins of a folded profile.
const profileBins = 96

// fold gives the mean of a trace over its periods, by place within the period counted from feed
// coordinate 0, less what changes slowly along the strip (its running median over one period and a
// half). It gives nil when the strip is shorter than three periods or too coarse to fold.
func fold(values []float64, start, pitch, period float64) []float64 {
	n := len(values)
	if !(pitch > 0) || period/pitch < 4 || float64(n)*pitch < 3*period {
		return nil
	}
	slow := runningMedian(values, int(0.75*period/pitch))
	bins := min(profileBins, int(period/pitch))
	sum, count := make([]float64, bins), make([]int, bins)
	for i, y := range values {
		phase := math.Mod(start+float64(i)*pitch, period) / period
		if phase < 0 {
			phase++
		}
		b := min(bins-1, int(phase*float64(bins)))
		sum[b] += y - slow[i]
		count[b]++
	}
	for b := range sum {
		if count[b] == 0 {
			return nil
		}
		sum[b] = math.Round(1e5*sum[b]/float64(count[b])) / 1e5
	}
	return sum
}

// runningMedian is the median of the values within half places on both sides, fewer at the ends. It
// is taken at every eighth of half, which is close enough for what changes slowly.
func runningMedian(v []float64, half int) []float64 {
	out := make([]float64, len(v))
	window := make([]float64, 0, 2*half+1)
	step := max(1, half/8)
	for from := 0; from < len(v); from += step {
		at := from + step/2
		window = append(window[:0], v[max(0, at-half):min(len(v), at+half+1)]...)
		slices.Sort(window)
		for i := from; i < min(len(v), from+step); i++ {
			out[i] = window[len(window)/2]
		}
	}
	return out
}

// mean of profiles; those of another length than the first are of another sampling and left out.
func mean(folds [][]float64) []float64 {
	if len(folds) == 0 {
		return nil
	}
	out := make([]float64, len(folds[0]))
	n := 0.0
	for _, f := range folds {
		if len(f) != len(out) {
			continue
		}
		n++
		for i, y := range f {
			out[i] += y
		}
	}
	for i := range out {
		out[i] = math.Round(1e5*out[i]/n) / 1e5
	}
	return out
}
