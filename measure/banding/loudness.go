package banding

import (
	"math"
	"slices"
)

// How loud the noise is differs from reading to reading: where fabric lies at another angle, its courses add
// up or cancel between the strips of an ink, so that the texture in their mean can double or vanish. All
// inks of a reading see the same fabric, so the median over the inks tells its loudness far better than a
// line in one ink can disturb it. The statistics are divided by it, as far as the baseline's readings
// have shown that it varies at all (the best linear estimate: variance between readings over variance
// between readings plus error), and the limits rise for the rest of the uncertainty.

const (
	// loudPrior is the standard deviation of the logarithm of a reading's loudness assumed beforehand, worth
	// loudPriorCount readings: a baseline of few readings cannot have seen how it varies.
	loudPrior      = 0.03
	loudPriorCount = 3
	loudStride     = 3   // every third sample: neighbours of the filtered noise say the same
	loudClip       = 3.5 // standard deviations: lines and dirt count little
)

// loudShape is the width at which loudness is measured: the middle one, or, in the mean of all inks, whose
// wider versions are computed only when needed, the narrow one.
func loudShape(l *lane) int {
	if l.name == AllChannels {
		return 0
	}
	return min(1, len(l.prep.w.shapes)-1)
}

// rawLoudness is the root mean square of a lane's filtered noise over what its spectrum promises; 0 when
// there are too few samples to tell.
func (l *lane) rawLoudness() float64 {
	k := loudShape(l)
	v := l.prep.w.shapes[k].v
	reach := len(l.prep.w.g) - 1
	z := l.z[k][padX : padX+l.n]
	if len(z) < 2*reach+64 {
		return 0
	}
	z = z[reach : len(z)-reach]
	top := loudClip * loudClip * v
	sum, count := 0.0, 0
	for i := 0; i < len(z); i += loudStride {
		q := z[i] * z[i]
		if q > top {
			q = top
		}
		sum += q
		count++
	}
	count -= len(l.gaps) / loudStride
	if count < 20 || !(sum > 0) {
		return 0
	}
	return math.Sqrt(sum / float64(count) / v)
}

// loudnessError is the standard deviation of the logarithm of rawLoudness that Gaussian noise of the
// lane's spectrum gives it.
func (l *lane) loudnessError() float64 {
	sum := l.prep.w.shapes[loudShape(l)].kin
	return math.Sqrt(sum * loudStride / (2 * float64(max(1, l.n-len(l.gaps)))))
}

// kinship is how many of every loudStride-th samples of noise with autocovariance c say the same, for a
// mean square.
func kinship(c []float64) float64 {
	sum := 1.0
	for i := loudStride; i < len(c); i += loudStride {
		r := c[i] / c[0]
		sum += 2 * r * r
	}
	return sum
}

// loudnessOf is the loudness of the channels of a reading relative to the baseline's, with its standard
// error; 1 and 0 when nothing can be said.
func (w *work) loudnessOf() (ratio, se float64) {
	var rs []float64
	for _, l := range w.lanes {
		b := w.d.baselineOf(l.name)
		if l.own || b == nil || !(b.Loudness > 0) {
			continue
		}
		if r := l.rawLoudness(); r > 0 {
			rs = append(rs, r/b.Loudness)
			se = math.Max(se, l.loudnessError())
		}
	}
	if len(rs) == 0 {
		return 1, 0
	}
	slices.Sort(rs)
	k := len(rs)
	// A median is less certain than a mean by a quarter, of two or fewer not at all.
	if k > 2 {
		se *= 1.25
	}
	return math.Sqrt(rs[(k-1)/2] * rs[k/2]), se / math.Sqrt(float64(k))
}

// setLoudness gives the lanes the loudness of the reading and brings the statistics found so far to it.
func (w *work) setLoudness() {
	ratio, se := w.loudnessOf()
	set := func(l *lane, ratio, se float64) {
		loud := 1.0
		if b := w.d.baselineOf(l.name); !l.own && b != nil && ratio > 0 && se > 0 {
			loud = math.Pow(ratio, b.LoudnessSD*b.LoudnessSD/(b.LoudnessSD*b.LoudnessSD+se*se))
		}
		for f := range l.found.best {
			l.found.best[f].stat *= l.loud / loud
		}
		l.loud = loud
	}
	for _, l := range w.lanes {
		set(l, ratio, se)
	}
	if a := w.all; a != nil {
		r := 0.0
		if b := w.d.baselineOf(a.name); b != nil && b.Loudness > 0 {
			r = a.rawLoudness() / b.Loudness
		}
		set(a, r, a.loudnessError())
	}
}

// scale is that of one search in this reading.
func (l *lane) scale(f family, shape int) float64 { return l.prep.null.scale(f, shape) * l.loud }

// loudnessLeft is the standard deviation of the logarithm of the loudness that is left after setLoudness.
func loudnessLeft(sd, se float64) float64 {
	if !(sd > 0) || !(se > 0) {
		return 0
	}
	return sd * se / math.Hypot(sd, se)
}

// raise is the factor by which a limit u rises for a scale whose logarithm has standard deviation sd: the
// chance of passing u is about exp(-u^2/2), and its mean over that spread is exp(u^4 sd^2/2) times as large.
func raise(u, sd float64) float64 { return 1 + u*u*sd*sd/2 }

// loudnessSD estimates the true spread of the logarithm of loudness between readings from what was
// measured with error se; it leans to the large side, as few readings may have been alike by chance.
func loudnessSD(logs []float64, se float64) float64 {
	n := float64(len(logs))
	prior := loudPrior * loudPrior
	if n < 2 {
		return loudPrior
	}
	mean, sq := 0.0, 0.0
	for _, v := range logs {
		mean += v / n
	}
	for _, v := range logs {
		sq += (v - mean) * (v - mean)
	}
	between := math.Max(0, sq/(n-1)-se*se) * (1 + math.Sqrt(2/(n-1)))
	return math.Sqrt((loudPriorCount*prior + (n-1)*between) / (loudPriorCount + n - 1) * (1 + 1/n))
}

// loudnessLeft is what a reading of n samples and so many channels leaves uncertain.
func (c *ChannelBaseline) loudnessLeft(wh *whitening, n, channels int) float64 {
	l := lane{name: c.Channel, n: n, prep: &prepared{w: wh}}
	se := l.loudnessError()
	if c.Channel != AllChannels {
		if channels > 2 {
			se *= 1.25
		}
		se /= math.Sqrt(float64(channels))
	}
	return loudnessLeft(c.LoudnessSD, se)
}

// loudness measures how loud the noise of the readings is, and how much that differs, and gives the
// lanes theirs.
func (le *learner) loudness() {
	b := le.b
	all := make([]*ChannelBaseline, 0, len(b.Channels)+1)
	for i := range b.Channels {
		all = append(all, &b.Channels[i])
	}
	if b.All != nil {
		all = append(all, b.All)
	}
	for _, c := range all {
		sum, n := 0.0, 0
		for _, w := range le.works {
			if l := w.lane(c.Channel); l != nil {
				if r := l.rawLoudness(); r > 0 {
					sum += math.Log(r)
					n++
				}
			}
		}
		if n > 0 {
			c.Loudness = math.Exp(sum / float64(n))
		}
	}
	var logs, logsAll []float64
	se, seAll := 0.0, 0.0
	for _, w := range le.works {
		if r, s := w.loudnessOf(); s > 0 {
			logs = append(logs, math.Log(r))
			se = math.Max(se, s)
		}
		if a := w.all; a != nil && b.All != nil && b.All.Loudness > 0 {
			if r := a.rawLoudness(); r > 0 {
				logsAll = append(logsAll, math.Log(r/b.All.Loudness))
				seAll = math.Max(seAll, a.loudnessError())
			}
		}
	}
	sd := loudnessSD(logs, se)
	for i := range b.Channels {
		b.Channels[i].LoudnessSD = sd
	}
	if b.All != nil {
		b.All.LoudnessSD = math.Max(sd, loudnessSD(logsAll, seAll))
	}
	for _, w := range le.works {
		w.setLoudness()
	}
}
