package banding

import (
	"fmt"
	"math"
)

// baselineVersion changes whenever a stored baseline would be read differently.
const baselineVersion = 1

// Baseline is what a set of known-good readings says about the noise of the strips. It holds plain
// numbers, so that it can be stored as JSON.
type Baseline struct {
	Version  int      `json:"version"`
	Geometry Geometry `json:"geometry"`
	Options  Options  `json:"options"`
	Readings int      `json:"readings"`
	// PitchUM is the sampling pitch, Samples the usual length of a strip.
	PitchUM  float64           `json:"pitch_um"`
	Samples  int               `json:"samples"`
	Channels []ChannelBaseline `json:"channels"`
	// All is the mean over the channels, in which feed seams are looked for; nil with one channel.
	All *ChannelBaseline `json:"all,omitempty"`
	// Replicates is how many largest values of good readings the limits rest on, LimitSE their relative
	// uncertainty: how good the baseline is.
	Replicates int       `json:"replicates"`
	LimitSE    float64   `json:"limit_se"`
	Warnings   []Warning `json:"warnings,omitempty"`
}

// ChannelBaseline is one channel, or the mean of all.
type ChannelBaseline struct {
	Channel string          `json:"channel"`
	Unit    string          `json:"unit"`
	Level   float64         `json:"level"` // mean value, in the unit
	Noise   float64         `json:"noise"` // rms of the mean of its strips after the trend is removed, in the unit
	Strips  []StripBaseline `json:"strips,omitempty"`
	// Spectrum is that of the mean of the channel's strips.
	Spectrum Spectrum `json:"spectrum"`
	// Whiteness is the largest autocorrelation left after whitening, 0 = perfectly white.
	Whiteness float64 `json:"whiteness"`
	// Loudness is the root mean square of the filtered noise over what Spectrum promises, in the mean over the
	// readings, and LoudnessSD the standard deviation of its logarithm from reading to reading.
	Loudness   float64 `json:"loudness,omitempty"`
	LoudnessSD float64 `json:"loudness_sd,omitempty"`
	// Null describes the largest statistics of good readings, whitened by Spectrum; OwnNull those of
	// readings whitened by their own spectrum, which serve when the fabric's texture has moved.
	Null    Null `json:"null"`
	OwnNull Null `json:"own_null"`
	// Standing are lines that the good readings share.
	Standing []StandingLine `json:"standing,omitempty"`
	// Weight is the channel's weight in the mean of all.
	Weight float64 `json:"weight,omitempty"`
}

// StripBaseline is one strip.
type StripBaseline struct {
	Strip     string   `json:"strip"`
	Level     float64  `json:"level"`
	Noise     float64  `json:"noise"`
	Weight    float64  `json:"weight"` // in the mean of the channel's strips
	Spectrum  Spectrum `json:"spectrum"`
	Whiteness float64  `json:"whiteness"`
}

// Null says how much larger than the model's the statistics of good readings are, per kind of search.
type Null struct {
	// Line and Single are per width of the bank, narrow to wide.
	Line    []float64 `json:"line"`
	Pair    float64   `json:"pair"`
	Section float64   `json:"section"`
	Single  []float64 `json:"single"`
	// SingleHeavy is how much wider than the model's the largest single values spread; above 1.2 the
	// Gumbel law below takes over step by step.
	SingleHeavy []float64 `json:"single_heavy,omitempty"`
	SingleMu    []float64 `json:"single_mu,omitempty"`
	SingleBeta  []float64 `json:"single_beta,omitempty"`
	Replicates  int       `json:"replicates"`
	// StripTail is what large values of one strip are worth, per width.
	StripTail []Tail `json:"strip_tail,omitempty"`
}

// StandingLine is a line shared by the good readings.
type StandingLine struct {
	AtMM       float64 `json:"at_mm"`
	PeriodMM   float64 `json:"period_mm"`
	Contrast   float64 `json:"contrast"`
	ContrastSD float64 `json:"contrast_sd"` // from reading to reading
	WidthUM    float64 `json:"width_um"`
}

// scale is that of one search; shape is the width of a line.
func (n *Null) scale(f family, shape int) float64 {
	of := n.Line
	switch f {
	case famPair:
		return n.Pair
	case famSection:
		return n.Section
	case famSingleLight, famSingleDark:
		of = n.Single
	}
	if len(of) == 0 {
		return 1
	}
	return of[min(shape, len(of)-1)]
}

// check refuses a null that would let everything pass or nothing.
func (n *Null) check() error {
	if len(n.Line) == 0 || len(n.Single) == 0 {
		return fmt.Errorf("no scale of the line statistics")
	}
	for _, v := range append(append([]float64{n.Pair, n.Section}, n.Line...), n.Single...) {
		if !(v > 0) || math.IsInf(v, 0) {
			return fmt.Errorf("a scale of the statistics is %v", v)
		}
	}
	return nil
}

// unitNull is what the model alone says, a little widened.
func unitNull(widen float64) Null {
	each := make([]float64, len(bankMM))
	for i := range each {
		each[i] = widen
	}
	return Null{Line: each, Pair: widen, Section: widen, Single: each}
}

// widen multiplies all scales.
func (n *Null) widen(by float64) {
	n.Pair *= by
	n.Section *= by
	for i := range n.Line {
		n.Line[i] *= by
	}
	for i := range n.Single {
		n.Single[i] *= by
	}
}
