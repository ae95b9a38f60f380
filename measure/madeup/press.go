package madeup

import "math"

// Press is what a heat press does to a transfer.
type Press struct {
	Celsius  float64 // platen temperature
	Seconds  float64 // dwell
	Pressure float64 // relative; 1 is medium
}

// Dose is the press's effect relative to 200 degrees, 50 seconds, medium pressure. 12 degrees
// less are worth about a quarter less. (That the three act together is published, with what
// weight is not: the weights are estimates.)
func (p Press) Dose() float64 {
	return p.Seconds / 50 * math.Exp((p.Celsius-200)/40) * math.Pow(p.Pressure, 0.3)
}

// How much dye goes over: 1 - exp(-reach x affinity x dose / (1 + crowd x load)), the load
// being the ink on the spot in units of one solid. At the reference dose nine tenths of a
// single solid go over, and clearly less of a full overprint, the more so the less the dye's
// affinity. A longer or hotter press first gains little, then drives dye off again.
const (
	reach = 2.6
	crowd = 0.22
	drive = 0.16
)

// transferred multiplies amounts by the share of each dye that reaches the goods, relative to a
// thin tint at the reference dose. amounts are in units of each ink's solid.
func (s *Shop) transferred(amounts *[maxInks]float64, dose float64) {
	load := 0.0
	for i := range s.inks {
		load += amounts[i] * s.inks[i].share
	}
	r := reach * dose / (1 + crowd*load)
	lost := 1.0
	if dose > 1 {
		lost = math.Exp(-drive * (dose - 1) * (1 + load))
	}
	for i := range s.inks {
		if amounts[i] > 0 {
			a := s.inks[i].dye.affinity
			amounts[i] *= lost * (1 - math.Exp(-r*a)) * s.inks[i].whole
		}
	}
}

// scorch is how many b* units the goods yellow in the press, relative to the shop's setting.
func scorch(dose, usual float64) float64 {
	return 3 * (math.Max(0, dose-1) - math.Max(0, usual-1))
}
