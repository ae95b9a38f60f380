package madeup

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
)

// Mixing is how dye amounts become a reflectance: the physics that a detector must not depend
// on.
type Mixing string

const (
	// KubelkaMunk adds the K/S of the dyes to that of the goods: dye dissolved in the fibre, no
	// dots left (P. Kubelka, F. Munk 1931; opaque layer). The default.
	KubelkaMunk Mixing = "kubelka-munk"
	// Neugebauer keeps separate dots: coverages by Demichel, primaries by Kubelka-Munk, mixed
	// by Yule and Nielsen's 1/n power.
	Neugebauer Mixing = "neugebauer"
	// Density adds optical densities (Bouguer-Lambert-Beer): dye as a clear layer over the
	// goods.
	Density Mixing = "density"
	// Blend mixes KubelkaMunk and Neugebauer, half and half in the 1/n power: dots that have
	// run into each other in part.
	Blend Mixing = "blend"
)

// Mixings lists every mixing model.
func Mixings() []Mixing { return []Mixing{KubelkaMunk, Neugebauer, Density, Blend} }

// WanderKind is how the printer's state on one day hangs on the day before.
type WanderKind string

const (
	// Independent days. The default.
	Independent WanderKind = "independent"
	// AR1 days pull back to the mean with Wander.Rho; the standard deviations stay, whatever Rho.
	AR1 WanderKind = "ar1"
	// RandomWalk days never pull back; the standard deviations are those of one day's step.
	RandomWalk WanderKind = "random-walk"
)

// Wander is the ordinary change of a printer in control. All values are standard deviations of
// one print on one day unless said otherwise.
type Wander struct {
	Kind WanderKind
	Rho  float64 // of AR1, -1..1 exclusive
	// StrengthPercent is each ink's own change in percent of its tints.
	StrengthPercent float64
	// TonePoints is each ink's own change of its 50 % tint, in points.
	TonePoints float64
	// Press is the relative change of the press dose: time, temperature and pressure together.
	Press float64
	// White is the change of the goods in L* and in b*, Lab units.
	White float64
	// InstrumentScale is the relative change of all reflectances from one reading to another.
	InstrumentScale float64
	// PrintShare, 0..1, is how much of the standard deviations above belongs to the single
	// print; the rest is the day's, which its prints share.
	PrintShare float64
	// TailDF above 2 draws from Student's t with that many degrees of freedom, scaled to the
	// same standard deviation; 0 is normal.
	TailDF float64
}

// Noise is what differs from patch to patch.
type Noise struct {
	// MottlePercent is the standard deviation of each ink's amount in each patch of each print.
	MottlePercent float64
	// TexturePercent is the standard deviation of a patch's reflectance as a whole from reading
	// to reading: the weave, the fold, where the aperture fell.
	TexturePercent float64
	// BandFloor and BandPercent make the instrument's own noise, independent from band to band:
	// standard deviation BandFloor + BandPercent/100 x reflectance.
	BandFloor, BandPercent float64
	// Lab is an instrument's noise in each of L*, a*, b*, added to Reading.Lab alone: for
	// instruments that report no spectra.
	Lab float64
	// TailDF above 2 makes mottle and texture heavy-tailed, as in Wander; 0 is normal.
	TailDF float64
	// ScratchRate is the share of patches with a scratch or a smear: 3 to 15 % off, any band.
	ScratchRate float64
}

// Mode is the measurement condition of ISO 13655, which decides how brightened goods look.
type Mode string

const (
	M0 Mode = "M0" // tungsten light: little ultraviolet
	M1 Mode = "M1" // D50 with its ultraviolet. The default.
	M2 Mode = "M2" // no ultraviolet
)

// Config describes a made-up shop. Start from DefaultConfig or VariedConfig.
type Config struct {
	// Chart is what the shop prints.
	Chart  *Chart
	Family Family
	// Inks are the inks of the printer; the channels of a chart driven by ink must be among them.
	Inks   []string
	Mixing Mixing
	// N is Yule and Nielsen's n of the Neugebauer and Blend models, 1 or more.
	N float64
	// GainPoints is the dot gain at a 50 % tint, in points; Gamma bends amount = tint^Gamma
	// after it. A driver's own curve would straighten the ramps; device charts are printed
	// without, hence about 1.
	GainPoints, Gamma float64
	// Vary scales how much this printer, drawn from the seed, differs from the family's book
	// values: at 1 the peaks by 2 nm, strengths by 5 %, gains by 2 points (standard deviations).
	Vary float64
	// WhiteL and WhiteB are the goods' own L* and b* without brightener; Brightener is what it
	// adds to the reflectance at 440 nm under M1.
	WhiteL, WhiteB, Brightener float64
	// Mode is the instrument's condition; Flare its share of stray light, of white.
	Mode  Mode
	Flare float64
	// Press is what the press is set to.
	Press Press
	// Panel is the driver's own sliders; nil for a driver without.
	Panel  *Panel
	Wander Wander
	Noise  Noise
}

// DefaultConfig is a four-ink dye-sublimation printer with a day-to-day strength standard
// deviation of 1 %, on brightened white polyester, read with a spectrophotometer in mode M1.
//
// The sizes are estimates: no repeat readings of such prints are published. They put two
// prints of one day 0.3 to 0.8 CIEDE2000 apart in the mean of a chart.
func DefaultConfig() Config {
	return Config{
		Chart: CMYKChart(), Family: Plain, Inks: []string{"C", "M", "Y", "K"}, Mixing: KubelkaMunk, N: 2,
		GainPoints: 4, Gamma: 1, Vary: 1,
		WhiteL: 94, WhiteB: 1.5, Brightener: 0.05, Mode: M1, Flare: 0.002,
		Press: Press{Celsius: 200, Seconds: 50, Pressure: 1},
		Wander: Wander{
			Kind: Independent, StrengthPercent: 1, TonePoints: 0.2, Press: 0.03, White: 0.1,
			InstrumentScale: 0.0005, PrintShare: 0.5,
		},
		Noise: Noise{MottlePercent: 1.5, TexturePercent: 0.5, BandFloor: 0.0002, BandPercent: 0.1},
	}
}

// VariedConfig draws another world from the seed: ink family, mixing model, tone curve, goods,
// press, kind and tails of the wander, texture. Trials run over many of them, so that what is
// found does not hang on one model. The day-to-day strength standard deviation stays 1 %.
func VariedConfig(seed uint64) Config {
	r := rand.New(rand.NewPCG(seed, 0x7661726965640001))
	c := DefaultConfig()
	between := func(a, b float64) float64 { return a + (b-a)*r.Float64() }
	c.Family = Families()[r.IntN(3)]
	c.Mixing = Mixings()[r.IntN(4)]
	c.N = between(1.5, 3)
	c.GainPoints = between(0, 10)
	c.Gamma = between(0.9, 1.25)
	c.WhiteL, c.WhiteB = between(92.5, 95), between(0, 3)
	c.Brightener = between(0, 0.09)
	c.Flare = between(0, 0.004)
	c.Press = Press{Celsius: between(195, 205), Seconds: between(45, 55), Pressure: between(0.9, 1.1)}
	c.Wander.Kind = []WanderKind{Independent, AR1, AR1}[r.IntN(3)]
	c.Wander.Rho = between(0.2, 0.7)
	c.Wander.Press = between(0.015, 0.05)
	c.Wander.White = between(0.05, 0.2)
	if r.IntN(2) == 0 {
		c.Wander.TailDF = between(4, 8)
		c.Noise.TailDF = between(3.5, 6)
	}
	c.Noise.MottlePercent = between(0.7, 1.8)
	c.Noise.TexturePercent = between(0.2, 0.8)
	c.Noise.ScratchRate = between(0, 0.004)
	return c
}

// validate names the first field that makes no sense.
func (c *Config) validate() error {
	if len(c.Inks) == 0 || len(c.Inks) > maxInks {
		return fmt.Errorf("inks: %d, want 1 to %d", len(c.Inks), maxInks)
	}
	for i, ink := range c.Inks {
		if _, _, err := findDye(c.Family, ink); err != nil {
			return fmt.Errorf("inks: %w", err)
		}
		if slices.Index(c.Inks, ink) != i {
			return fmt.Errorf("inks: %q occurs twice", ink)
		}
	}
	if !slices.Contains(Mixings(), c.Mixing) {
		return fmt.Errorf("mixing: unknown %q: take one of %v", c.Mixing, Mixings())
	}
	if !slices.Contains([]WanderKind{Independent, AR1, RandomWalk}, c.Wander.Kind) {
		return fmt.Errorf("wander: unknown kind %q", c.Wander.Kind)
	}
	if !slices.Contains([]Mode{M0, M1, M2}, c.Mode) {
		return fmt.Errorf("mode: unknown %q: take M0, M1 or M2", c.Mode)
	}
	w, n := &c.Wander, &c.Noise
	for _, f := range []struct {
		name           string
		value, low, up float64
	}{
		{"n", c.N, 1, 100},
		{"gain points", c.GainPoints, -20, 25},
		{"gamma", c.Gamma, 0.3, 4},
		{"vary", c.Vary, 0, 3},
		{"white L*", c.WhiteL, 60, 100},
		{"white b*", c.WhiteB, -10, 20},
		{"brightener", c.Brightener, 0, 0.3},
		{"flare", c.Flare, 0, 0.2},
		{"press celsius", c.Press.Celsius, 120, 260},
		{"press seconds", c.Press.Seconds, 5, 600},
		{"press pressure", c.Press.Pressure, 0.1, 5},
		{"wander rho", w.Rho, -0.999, 0.999},
		{"wander strength percent", w.StrengthPercent, 0, 20},
		{"wander tone points", w.TonePoints, 0, 10},
		{"wander press", w.Press, 0, 0.5},
		{"wander white", w.White, 0, 5},
		{"wander instrument scale", w.InstrumentScale, 0, 0.1},
		{"wander print share", w.PrintShare, 0, 1},
		{"noise mottle percent", n.MottlePercent, 0, 20},
		{"noise texture percent", n.TexturePercent, 0, 20},
		{"noise band floor", n.BandFloor, 0, 0.1},
		{"noise band percent", n.BandPercent, 0, 10},
		{"noise lab", n.Lab, 0, 5},
		{"noise scratch rate", n.ScratchRate, 0, 1},
	} {
		if !(f.value >= f.low && f.value <= f.up) {
			return fmt.Errorf("%s: %g is outside %g..%g", f.name, f.value, f.low, f.up)
		}
	}
	for _, df := range []float64{w.TailDF, n.TailDF} {
		if df != 0 && !(df > 2 && !math.IsInf(df, 0)) {
			return fmt.Errorf("tail df: %g, want 0 (normal) or more than 2", df)
		}
	}
	return nil
}
