package madeup

import "slices"

// Faults is what is wrong with a print or its reading. The zero value is a printer in order;
// every field may be combined with every other.
type Faults struct {
	// Ink holds the faults of single inks, by ink name.
	Ink map[string]InkFault
	// Preset is another preset than the usual one: all inks at once.
	Preset Preset
	// Press is added to the press's setting: degrees, seconds, and pressure (relative).
	Press Press
	// PressEdge is the relative loss of press dose from the first column to the last: a cold
	// edge of the platen.
	PressEdge float64
	// Media is another lot of goods.
	Media Media
	// Scale is the relative change of all reflectances (calibration, lamp); Flare the added
	// stray light, as a share of white (a dirty optic).
	Scale, Flare float64
	// Mode, when not empty, is the mode the instrument was left in by mistake.
	Mode Mode
	// Drift is slow wear of everything together, in no single cause's direction: strengths,
	// tones, ink colours, and how inks take on each other. The direction belongs to the shop;
	// at 1 the strengths are off by 2 % (standard deviation).
	Drift float64
	// DriftPart, 1 to DriftParts, takes of a mixed drift that one of its independent parts alone, as large
	// as one standard deviation of it; 0 takes the shop's own mixture.
	DriftPart int
	// Section is a weak part of an ink's head, which hits some rows only.
	Section Section
	// WarmUpPercent is the loss of all inks in the first row of a printer that stood idle; it
	// fades by a third of itself each row.
	WarmUpPercent float64
	// Correct is what an operator asks of the driver to make up for a fault: per channel of
	// the chart, the percent by which its tints are raised.
	Correct map[string]Correction
	// Dials are the values of the driver's sliders, in the order of Panel.Dials; nil leaves an
	// untouched panel.
	Dials []float64
	// SlipRows reads the chart starting that many rows late; Turned reads it turned by half.
	SlipRows int
	Turned   bool
}

// InkFault is what may be wrong with one ink.
type InkFault struct {
	// StrengthPercent scales the ink's tints: -5 makes every tint print as 0.95 of it.
	StrengthPercent float64
	// ConcentrationPercent scales the dye in the ink. Where the tone curve is straight and no
	// dots are left it does the same as StrengthPercent.
	ConcentrationPercent float64
	// TonePoints moves the ink's 50 % tint, in points, and leaves 0 and 100 in place.
	TonePoints float64
	// HueNM moves the dye's absorption along the spectrum.
	HueNM float64
	// ContaminationPercent replaces that share of the ink by the ink By. FadeRows, if above 0,
	// lets it fade to 1/e over that many rows, as clean ink follows.
	ContaminationPercent float64
	By                   string
	FadeRows             float64
}

// Preset is a change of all inks' curves, as another media setting brings.
type Preset struct {
	// TonePoints moves every ink's 50 % tint, in points.
	TonePoints float64
	// StrengthPercent scales all tints.
	StrengthPercent float64
	// LimitPercent, if above 0, is a total ink limit: patches that ask for more get less of
	// each ink.
	LimitPercent float64
}

// Media is the difference between two lots of goods.
type Media struct {
	Lightness  float64 // of the white, L* units
	Yellowness float64 // of the white, b* units
	// YieldPercent is how much more colour the goods take.
	YieldPercent float64
	// BrightenerPercent scales the brightener.
	BrightenerPercent float64
}

// Section is a group of nozzles of one ink that fires short over some rows.
type Section struct {
	Ink             string
	FromRow, ToRow  int
	StrengthPercent float64
}

// Correction is a move on one channel, in the sense of a verdict's moves.
type Correction struct {
	Percent    float64 // of the channel's tints
	TonePoints float64 // at its 50 % tint
}

// A FaultKind is one way to go wrong, by size.
type FaultKind struct {
	Name string // for example "C weak"
	// Cause is the kind without the ink: "ink weak", "ink strong", "ink hue",
	// "contamination", "under-pressed", "over-pressed", "media lot", "wrong preset", "flare",
	// "scale", "mixed drift", "head section".
	Cause string
	Ink   string // the ink at fault; "" for the common causes
	// Make builds the fault; size 1 is about what a shop would notice.
	Make func(size float64) Faults
}

// FaultKinds lists the ways to go wrong of a printer with these inks. Some causes come in more
// than one kind: media lots in three, for example. White goods show another lot most where
// nothing is printed: the mean over a chart of contone prints moves little.
func FaultKinds(inks []string) []FaultKind {
	var out []FaultKind
	one := func(cause, name, ink string, make func(float64) InkFault) {
		out = append(out, FaultKind{Name: ink + " " + name, Cause: cause, Ink: ink, Make: func(size float64) Faults {
			return Faults{Ink: map[string]InkFault{ink: make(size)}}
		}})
	}
	common := func(cause, name string, make func(float64) Faults) {
		out = append(out, FaultKind{Name: name, Cause: cause, Make: make})
	}
	for i, ink := range inks {
		one("ink weak", "weak", ink, func(s float64) InkFault { return InkFault{StrengthPercent: -5 * s} })
		one("ink strong", "strong", ink, func(s float64) InkFault { return InkFault{StrengthPercent: 5 * s} })
		one("ink hue", "hue up", ink, func(s float64) InkFault { return InkFault{HueNM: 5 * s} })
		one("ink hue", "hue down", ink, func(s float64) InkFault { return InkFault{HueNM: -5 * s} })
		if by := inks[(i+1)%len(inks)]; by != ink {
			one("contamination", "dirty with "+by, ink, func(s float64) InkFault {
				return InkFault{ContaminationPercent: 3 * s, By: by}
			})
		}
		out = append(out, FaultKind{Name: ink + " head section", Cause: "head section", Ink: ink, Make: func(s float64) Faults {
			return Faults{Section: Section{Ink: ink, FromRow: 5, ToRow: 8, StrengthPercent: -8 * s}}
		}})
	}
	common("under-pressed", "under-pressed", func(s float64) Faults {
		return Faults{Press: Press{Celsius: -6 * s, Seconds: -5 * s}}
	})
	common("over-pressed", "over-pressed", func(s float64) Faults {
		return Faults{Press: Press{Celsius: 8 * s, Seconds: 10 * s}}
	})
	common("media lot", "yellower goods", func(s float64) Faults {
		return Faults{Media: Media{Lightness: -0.4 * s, Yellowness: 1.5 * s}}
	})
	common("media lot", "less brightened goods", func(s float64) Faults {
		return Faults{Media: Media{BrightenerPercent: -30 * s, Lightness: 0.3 * s}}
	})
	common("media lot", "thirstier goods", func(s float64) Faults {
		return Faults{Media: Media{Lightness: -0.4 * s, Yellowness: 0.8 * s, YieldPercent: 3 * s}}
	})
	common("wrong preset", "darker preset", func(s float64) Faults {
		return Faults{Preset: Preset{TonePoints: 3 * s}}
	})
	common("wrong preset", "lighter preset", func(s float64) Faults {
		return Faults{Preset: Preset{TonePoints: -3 * s}}
	})
	common("flare", "flare", func(s float64) Faults { return Faults{Flare: 0.003 * s} })
	common("scale", "scale", func(s float64) Faults { return Faults{Scale: -0.02 * s} })
	common("mixed drift", "mixed drift", func(s float64) Faults { return Faults{Drift: s} })
	return slices.Clip(out)
}
