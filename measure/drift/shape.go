package drift

// ownParts says, in units of the tolerances, how much of a change of an ink's strength shows as one of its
// tone and of its colour, and how much of it, or of a change of its colour, beside that in other factors.
func ownParts(driven string) (tone, ink float64, others, colours map[string]float64) {
	if driven == DrivenRGB { // an ink is most of a side, and a little of the others
		return 0.4, 0.3, evenly(0.15), evenly(0.05)
	}
	return 0.2, 0.1, besideWeak, besideColour
}

// beside gives each factor what its kind has.
func (m *Model) beside(of map[string]float64) []float64 {
	sd := make([]float64, m.q)
	for j, f := range m.b.Factors {
		sd[j] = of[f.Kind]
	}
	return sd
}

// besideWeak is how far everything moves beside an ink that is weak or strong by one tolerance, besideColour
// beside one that is another colour. What is wrong with one ink leaves the others' dyes as they were: nothing
// turns their hues, and what seems to move of their strengths, the goods or the load is what the signatures
// get wrong, which is more where an ink's colour is concerned. On made-up printers of several physics
// half of it or less was seen beside weak inks, and about as much beside other colours.
var (
	besideWeak = map[string]float64{KindStrength: 0.02, KindTone: 0.015, KindHue: 0.01, KindCast: 0.01, KindDepth: 0.03,
		KindWhite: 0.015, KindLoad: 0.02, KindFlare: 0.02}
	besideColour = map[string]float64{KindStrength: 0.05, KindTone: 0.05, KindHue: 0.02, KindCast: 0.02, KindDepth: 0.08,
		KindWhite: 0.06, KindLoad: 0.05, KindFlare: 0.05}
)

func evenly(k float64) map[string]float64 {
	out := map[string]float64{}
	for kind := range besideWeak {
		out[kind] = k
	}
	return out
}

// mixedShape is how a change spreads that has no single cause: mostly in the strengths, with the tones and how
// inks take on each other (the load); an ink's dye moves along the spectrum, which turns its hue, and
// hardly changes otherwise; the goods are none of the printer's.
var mixedShape = map[string]float64{KindStrength: 0.8, KindTone: 0.7, KindHue: 0.25, KindCast: 0.25, KindDepth: 0.5,
	KindWhite: 0.2, KindLoad: 0.8, KindFlare: 0.15}
