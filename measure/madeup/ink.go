package madeup

import (
	"fmt"
	"math"
	"slices"
)

// A Family is a set of dyes that one maker might sell together. The families print similar
// colours with differing spectra, so that what works on one may be tried on another. All are
// invented; the widths and overlaps are of the order of disperse dyes on polyester (common
// knowledge, no source).
type Family string

const (
	// Plain is a middling set: the default.
	Plain Family = "plain"
	// Narrow has steeper flanks, a greener cyan, a bluer magenta, and a black mixed of four dyes.
	Narrow Family = "narrow"
	// Broad has wide flanks with strong side absorptions, a redder magenta and a bluish black.
	Broad Family = "broad"
)

// Families lists every family.
func Families() []Family { return []Family{Plain, Narrow, Broad} }

// A band of absorption: peak and widths in nm, and its share of the dye's peak.
type absorption struct{ peak, low, high, share float64 }

// A dye absorbs light; solid is the peak K/S of a 100 % tint on the goods.
type dye struct {
	bands []absorption
	solid float64
	// Affinity says how readily the dye leaves the paper in the press: 1 is middling.
	affinity float64
}

// dyes of each family by ink. A light ink is the same dye, thinned.
var dyes = map[Family]map[string]dye{
	Plain: {
		"C": {bands: []absorption{{660, 52, 45, 1}, {610, 32, 30, 0.3}, {395, 30, 26, 0.07}}, solid: 9, affinity: 1.05},
		"M": {bands: []absorption{{540, 36, 25, 1}, {505, 32, 30, 0.3}, {385, 36, 32, 0.1}}, solid: 9.5, affinity: 0.9},
		"Y": {bands: []absorption{{440, 45, 30, 1}, {395, 30, 35, 0.4}}, solid: 9, affinity: 1.2},
		"K": {bands: []absorption{{610, 60, 55, 1}, {525, 45, 45, 0.85}, {440, 50, 40, 0.95}, {690, 50, 60, 0.5}}, solid: 17, affinity: 0.8},
	},
	Narrow: {
		"C": {bands: []absorption{{672, 50, 42, 1}, {622, 28, 26, 0.45}, {395, 25, 22, 0.08}}, solid: 10.5, affinity: 1},
		"M": {bands: []absorption{{545, 26, 20, 1}, {512, 26, 24, 0.6}, {375, 30, 30, 0.12}}, solid: 10, affinity: 1},
		"Y": {bands: []absorption{{430, 34, 24, 1}, {400, 28, 26, 0.35}}, solid: 10, affinity: 1.1},
		"K": {bands: []absorption{{640, 45, 40, 0.95}, {585, 32, 34, 0.9}, {525, 38, 34, 0.9}, {445, 48, 36, 1}, {715, 40, 50, 0.45}}, solid: 15, affinity: 0.9},
	},
	Broad: {
		"C": {bands: []absorption{{648, 58, 60, 1}, {410, 40, 40, 0.1}, {570, 35, 35, 0.05}}, solid: 8.5, affinity: 1.1},
		"M": {bands: []absorption{{522, 44, 34, 1}, {555, 28, 24, 0.4}, {395, 42, 42, 0.16}}, solid: 9, affinity: 0.8},
		"Y": {bands: []absorption{{445, 50, 30, 1}, {390, 40, 40, 0.5}}, solid: 8, affinity: 1.25},
		"K": {bands: []absorption{{595, 70, 65, 1}, {500, 60, 55, 0.75}, {425, 55, 50, 0.7}, {690, 60, 60, 0.6}}, solid: 18, affinity: 0.7},
	},
}

// lightShare is the dye content of a light ink.
const lightShare = 0.3

// InkNames lists the inks a shop may have, in the usual order: C, M, Y, K and the light LC, LM.
func InkNames() []string { return []string{"C", "M", "Y", "K", "LC", "LM"} }

// findDye returns the dye of an ink and how thin the ink is.
func findDye(f Family, ink string) (d dye, share float64, err error) {
	set, ok := dyes[f]
	if !ok {
		return dye{}, 0, fmt.Errorf("unknown ink family %q: take one of %v", f, Families())
	}
	if !slices.Contains(InkNames(), ink) {
		return dye{}, 0, fmt.Errorf("unknown ink %q: take of %v", ink, InkNames())
	}
	share = 1
	if len(ink) == 2 { // LC, LM
		ink, share = ink[1:], lightShare
	}
	return set[ink], share, nil
}

// absorb returns the dye's K/S at its solid, moved by shift nm and stretched around each peak.
// The peak stays at solid whatever the bands add up to.
func (d dye) absorb(shift, stretch float64) (k spectrum) {
	top := 0.0
	for nm := StartNM; nm <= StartNM+StepNM*(Bands-1); nm += 5 {
		top = math.Max(top, d.at(nm, 0, stretch))
	}
	for b := range k {
		k[b] = d.solid * d.at(wavelength(b), shift, stretch) / top
	}
	return k
}

func (d dye) at(nm, shift, stretch float64) (sum float64) {
	for _, a := range d.bands {
		sum += a.share * bell(nm, a.peak+shift, a.low*stretch, a.high*stretch)
	}
	return sum
}
