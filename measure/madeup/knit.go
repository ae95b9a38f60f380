package madeup

import (
	"math"
	"math/rand/v2"
)

// Knit is the texture of a knitted fabric as a trace sees it: its courses run across the strips, so
// that averaging over the width of a strip does not remove them when they lie straight.
//
// The model is a sine and its second harmonic whose phase and strength wander along the feed. Real
// knits also have seams, curled edges and flaws, which it lacks.
type Knit struct {
	PitchMM float64 // distance of the courses; 8 to 20 courses a centimetre are usual for apparel
	RMS     float64 // of the texture in the trace's unit when it lies straight
	// Harmonic is the share of the variance that lies in the second harmonic, 0..1.
	Harmonic float64
	// CoherenceMM is the length over which the phase wanders by one radian (rms).
	CoherenceMM float64
	// Wander is the relative standard deviation of the local strength, over about 30 mm.
	Wander float64
	// SkewDeg is the angle between courses and the print's width axis. Averaging over a width W leaves
	// sinc(W tan(skew) / pitch) of the texture.
	SkewDeg float64
}

// texture holds the common fabric under all strips of one reading: the phase and strength at each
// sample.
type texture struct {
	sin, cos   []float64 // of the fundamental's phase, times local strength
	sin2, cos2 []float64 // of the second harmonic
	perMM      float64   // phase per mm across, rad
	keep1      float64   // what averaging over the strip's width leaves
	keep2      float64
}

func (k Knit) weave(n int, pitchMM, stripWidthMM float64, rng *rand.Rand) *texture {
	if k.RMS <= 0 || k.PitchMM <= 0 {
		return nil
	}
	t := &texture{sin: make([]float64, n), cos: make([]float64, n), sin2: make([]float64, n), cos2: make([]float64, n)}
	tan := math.Tan(k.SkewDeg * math.Pi / 180)
	t.perMM = 2 * math.Pi / k.PitchMM * tan
	t.keep1 = sinc(stripWidthMM * tan / k.PitchMM)
	t.keep2 = sinc(2 * stripWidthMM * tan / k.PitchMM)
	step := 2 * math.Pi * pitchMM / k.PitchMM
	jitter := 0.0
	if k.CoherenceMM > 0 {
		jitter = math.Sqrt(pitchMM / k.CoherenceMM)
	}
	phase, second := 2*math.Pi*rng.Float64(), 2*math.Pi*rng.Float64()
	a1 := k.RMS * math.Sqrt2 * math.Sqrt(1-k.Harmonic)
	a2 := k.RMS * math.Sqrt2 * math.Sqrt(k.Harmonic)
	decay := math.Exp(-pitchMM / 30)
	push := math.Sqrt(1 - decay*decay)
	w := rng.NormFloat64()
	s2, c2 := math.Sincos(second)
	for i := range t.sin {
		s, c := math.Sincos(phase)
		g := 1 + k.Wander*w
		t.sin[i], t.cos[i] = a1*g*s, a1*g*c
		ds, dc := 2*s*c, c*c-s*s
		t.sin2[i], t.cos2[i] = a2*g*(ds*c2+dc*s2), a2*g*(dc*c2-ds*s2)
		phase += step + jitter*rng.NormFloat64()
		w = decay*w + push*rng.NormFloat64()
	}
	return t
}

// add puts the texture under a strip centred x mm across, times gain.
func (t *texture) add(dst []float64, x, gain float64) {
	if t == nil || gain == 0 {
		return
	}
	s1, c1 := math.Sincos(t.perMM * x)
	s2, c2 := math.Sincos(2 * t.perMM * x)
	k1, k2 := gain*t.keep1, gain*t.keep2
	for i := range dst {
		dst[i] += k1*(t.sin[i]*c1+t.cos[i]*s1) + k2*(t.sin2[i]*c2+t.cos2[i]*s2)
	}
}

func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}
