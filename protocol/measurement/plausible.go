package measurement

import (
	"fmt"
	"math"
)

// Bounds of what a print can have (own reckoning): fluorescent inks pass the
// perfect white, by half at most over the whole of X, Y or Z.
const (
	MaxY = 160.0 // of X, Y and Z, perfect white Y = 100
	maxL = 120.0 // L* of about that Y
)

// checkLab refuses Lab that is no colour or on another scale.
func (f *File) checkLab() error {
	if f.Lab == nil {
		return nil
	}
	small, light := true, 0
	for i, v := range f.Lab {
		if v[0] < -5 || v[0] > maxL || math.Abs(v[1]) > 300 || math.Abs(v[2]) > 300 {
			return &Error{File: f.Name, Problem: fmt.Sprintf("Lab %.4g %.4g %.4g of patch %s is no colour", v[0], v[1], v[2], Quote(f.ID[i])),
				Hint: "a field shifted, or on another scale? L* runs from 0 to 100"}
		}
		small = small && v[0] <= 1 && math.Abs(v[1]) <= 1.5 && math.Abs(v[2]) <= 1.5
		if v[0] > f.Lab[light][0] {
			light = i
		}
	}
	v := f.Lab[light]
	switch {
	case small && v[0] > 0:
		return &Error{File: f.Name, Problem: fmt.Sprintf("Lab up to %.3g: L* seems to run from 0 to 1", v[0]),
			Hint: "L* runs from 0 to 100, a* and b* likewise; save the file so"}
	case v[0] > 80 && v[1] > 100 && v[2] > 90:
		return &Error{File: f.Name, Problem: fmt.Sprintf("a* and b* of the lightest patch, %s, are %.4g and %.4g: 128 seems to be added", Quote(f.ID[light]), v[1], v[2]),
			Hint: "a* and b* are 0 for grey; save the file so"}
	}
	return nil
}

// chromaticities tells whether the XYZ of every patch sum up to 1, and gives
// the first patch that is not black; -1 when they do not.
func (f *File) chromaticities() int {
	most := 0.011 // two decimals
	if len(f.XYZ) < 3 {
		most = 0.002
	}
	first := -1
	for i, v := range f.XYZ {
		sum := v[0] + v[1] + v[2]
		if sum == 0 {
			continue
		}
		if math.Abs(sum-1) > most {
			return -1
		}
		if first < 0 {
			first = i
		}
	}
	return first
}

// checkPlausible warns of values that no print has: exact zeros, which some
// programs write for patches that were not measured, and a perfect white,
// which is what values relative to the paper give it.
func (f *File) checkPlausible() {
	var zero []string
	white := -1
	for i := range f.ID {
		z, w, any := true, true, false
		if f.Lab != nil {
			v := f.Lab[i]
			z = z && v == [3]float64{}
			w = w && math.Abs(v[0]-100) < 0.005 && math.Abs(v[1]) < 0.005 && math.Abs(v[2]) < 0.005
			any = true
		}
		if f.XYZ != nil {
			v, p := f.XYZ[i], whites[whiteKey(f.Condition)]
			z = z && v == [3]float64{}
			w = w && math.Abs(v[1]-100) < 0.005 && math.Abs(v[0]-p[0]) < 0.1 && math.Abs(v[2]-p[2]) < 0.1
			any = true
		}
		if f.Spectra != nil {
			for _, r := range f.Spectra.Values[i] {
				z, w = z && r == 0, w && r == 1
			}
			any = true
		}
		if !any {
			return
		}
		if z {
			zero = append(zero, f.ID[i])
		}
		if w && white < 0 {
			white = i
		}
	}
	if n := len(zero); n > 0 {
		if n > 5 {
			zero = append(zero[:5:5], fmt.Sprintf("and %d more", n-5))
		}
		f.Warnf("%d of %d patches are exactly 0, which no print is; were they measured? (%s)", n, len(f.ID), joinComma(zero))
	}
	if white >= 0 && f.Condition.White == "" {
		f.Warnf("patch %s is a perfect white, which no print is; are the values relative to the paper?", Quote(f.ID[white]))
	}
}
