package banding

import "math"

// A drifting texture that the spectrum has not foreseen (fabric that lies at another angle than in the
// baseline, so that its courses add up differently over the strips) folds into a sine at the harmonic of
// the step nearest its own pitch, whose crests look like lines. A line spreads over all harmonics.
const (
	textureShare = 0.55 // of the power left beside the candidate, in three neighbouring harmonics and their doubles
	texturePower = 1.5  // of the model's noise power, from which a profile is looked at
	maxNotches   = 12   // per lane and reading
	textureCrest = 0.15 // of the candidate's square: a sine that high holds half, a lone line next to nothing
	textureMM    = 1.5  // the coarsest courses of apparel are 1.25 mm apart
	textureRatio = 4    // statistic over limit beyond which a candidate is no texture
)

// textured says that a repeating candidate is the crest of a texture, and at which harmonics of its
// period.
func (w *work) textured(e event) []int {
	if e.fam == famSection || e.ratio > textureRatio {
		return nil
	}
	least := max(3, int(math.Ceil(e.place.period*w.grid.pitch/textureMM)))
	l, q := e.lane, e.lane.prep.w
	c, v := q.pair.c, q.pair.vf
	scale := l.scale(famPair, 0)
	if e.fam != famPair {
		c, v, scale = q.shapes[e.c.shape].c, q.shapes[e.c.shape].vf, l.scale(famLight, e.c.shape)
	}
	n := int(math.Round(e.place.period))
	if n < 16 {
		return nil
	}
	prof := make([]float64, n)
	for i := range prof {
		p := e.place
		p.mid += float64(i) * e.place.period / float64(n)
		sum, rows := w.statAt(l, &l.z, e.fam, e.c.shape, p)
		prof[i] = sum / (scale * math.Sqrt(v*float64(max(1, rows))))
	}
	top := prof[0]
	for i := range prof {
		if d := min(i, n-i); d < len(c) {
			prof[i] -= top * c[d] / v
		}
	}
	half := n/2 - 1
	power := make([]float64, half+2)
	total, best := 0.0, 0
	for h := 1; h <= half; h++ {
		re, im := 0.0, 0.0
		for i, u := range prof {
			sin, cos := math.Sincos(2 * math.Pi * float64(h*i%n) / float64(n))
			re += u * cos
			im += u * sin
		}
		power[h] = 2 * (re*re + im*im) / float64(n*n)
		total += power[h]
		if h >= least && power[h] > power[best] {
			best = h
		}
	}
	if best == 0 || total < math.Max(texturePower, textureCrest*top*top) {
		return nil
	}
	var out []int
	share := 0.0
	for _, h := range []int{best - 1, best, best + 1, 2*best - 1, 2 * best, 2*best + 1} {
		if h >= 1 && h <= half {
			out = append(out, h)
			share += power[h]
		}
	}
	if share < textureShare*total {
		return nil
	}
	return out
}

// notch takes the sines of the given harmonics of a period out of a lane and searches it again.
func (w *work) notch(l *lane, period float64, harmonics []int) {
	x := l.body()
	for _, h := range harmonics {
		omega := 2 * math.Pi * float64(h) / period
		// A rotating phasor instead of a sine per sample.
		sin1, cos1 := math.Sincos(omega)
		re, im, c, s := 0.0, 0.0, 1.0, 0.0
		for _, v := range x {
			re += v * c
			im += v * s
			c, s = c*cos1-s*sin1, s*cos1+c*sin1
		}
		re, im = 2*re/float64(len(x)), 2*im/float64(len(x))
		c, s = 1, 0
		for i := range x {
			x[i] -= re*c + im*s
			c, s = c*cos1-s*sin1, s*cos1+c*sin1
		}
	}
	w.find(l)
}
