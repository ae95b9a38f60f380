package measurement

import (
	"fmt"
	"math"
	"strings"
)

// white points by illuminant and observer, perfect white Y = 100: ASTM E308;
// that of D50 and 10 degrees is from memory.
var whites = map[string][3]float64{
	"D50/2": {96.422, 100, 82.521}, "D50/10": {96.720, 100, 81.427},
	"D65/2": {95.047, 100, 108.883}, "D65/10": {94.811, 100, 107.304},
	"A/2": {109.850, 100, 35.585},
}

// Disagree is how far two blocks of one file may differ for a patch, in
// CIE 1976 colour difference, before a person should know.
const Disagree = 0.5

// lab is CIE L*a*b* of an XYZ (CIE 15).
func lab(xyz, white [3]float64) [3]float64 {
	var v [3]float64
	for i := range v {
		t := xyz[i] / white[i]
		if t > 216.0/24389 {
			v[i] = math.Cbrt(t)
		} else {
			v[i] = (24389.0/27*t + 16) / 116
		}
	}
	return [3]float64{116*v[1] - 16, 500 * (v[0] - v[1]), 200 * (v[1] - v[2])}
}

// distance is the CIE 1976 colour difference.
func distance(a, b [3]float64) float64 {
	return math.Sqrt((a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2]))
}

// Check settles the scales of a file that was just read, compares its blocks
// with each other and with the condition, and says what it found. reflectance
// is what the file says of its spectra: factor, percent or nothing.
func (f *File) Check(reflectance string, o Options) error {
	if f.modeFault != "" {
		return &Error{File: f.Name, Problem: f.modeFault, Hint: "M0 and M1 differ on brightened goods; say which it is with --mode"}
	}
	if err := f.checkDevice(); err != nil {
		return err
	}
	if err := f.checkLab(); err != nil {
		return err
	}
	if err := f.checkXYZ(); err != nil {
		return err
	}
	if err := f.CheckSpectra(reflectance); err != nil {
		return err
	}
	f.checkPlausible()
	f.checkBlocks()
	f.checkSpectralColour(o)
	f.checkCondition()
	return nil
}

// checkDevice puts tints on 0..100 and RGB on 0..255.
func (f *File) checkDevice() error {
	if f.Device == nil {
		return nil
	}
	highest, at, fraction := 0.0, 0, false
	for i, row := range f.Device {
		for _, v := range row {
			if v < 0 {
				return &Error{File: f.Name, Problem: fmt.Sprintf("device value %g of patch %s is below zero", v, Quote(f.ID[i])), Hint: "tints run from 0 to 100"}
			}
			if v > highest {
				highest, at = v, i
			}
			fraction = fraction || v != math.Trunc(v)
		}
	}
	times := 1.0
	rgb := f.DeviceSpace() == "RGB"
	switch {
	case highest > 255.5:
		return &Error{File: f.Name, Problem: fmt.Sprintf("device value %g of patch %s", highest, Quote(f.ID[at])), Hint: "tints run from 0 to 100, RGB from 0 to 255"}
	case highest == 1 && !fraction:
		f.Warnf("device values are 0 and 1 only; taken as percent, or as 0 to 255")
	case highest <= 1 && highest > 0.05 && fraction:
		times = 100
		if rgb {
			times = 255
		}
		f.Warnf("device values run from 0 to 1; taken times %g", times)
	case rgb && highest == 100:
		times = 2.55
		f.Warnf("RGB values run from 0 to 100; taken times 2.55")
	case rgb && highest > 0 && highest < 100:
		f.Warnf("RGB values run up to %g only; taken as 0 to 255", highest)
	case !rgb && highest > 110:
		times = 100.0 / 255
		f.Warnf("tints run up to %g; taken as 0 to 255", highest)
	}
	if times != 1 {
		for _, row := range f.Device {
			for i := range row {
				row[i] *= times
			}
		}
	}
	return nil
}

// checkXYZ puts XYZ on the scale where a perfect white has Y = 100.
func (f *File) checkXYZ() error {
	if f.XYZ == nil {
		return nil
	}
	highest, lowest, at := 0.0, 0.0, 0
	for i, v := range f.XYZ {
		for _, x := range v {
			if x > highest {
				highest, at = x, i
			}
			lowest = min(lowest, x)
		}
	}
	if i := f.chromaticities(); i >= 0 {
		v := f.XYZ[i]
		return &Error{File: f.Name, Problem: fmt.Sprintf("X, Y and Z of each patch sum up to 1 (%.3g, %.3g, %.3g): these are chromaticities, not XYZ", v[0], v[1], v[2]),
			Hint: "give x, y and Y (XYY_X, XYY_Y, XYY_CAPY), XYZ or Lab"}
	}
	unit := highest <= 2 // no print has more on a scale of 1
	if y, ok := f.expectedY(); unit && ok {
		b := max(f.XYZ[f.brightest()][1], 1e-9)
		as1, as100 := math.Abs(math.Log(b*100/y)), math.Abs(math.Log(b/y))
		if unit = as1 < as100; min(as1, as100) > math.Log(5) {
			return &Error{File: f.Name, Problem: fmt.Sprintf("Y is %.3g in patch %s, which fits its L* on no scale", b, Quote(f.ID[f.brightest()])),
				Hint: "a field shifted? leave XYZ or Lab out"}
		}
	} else if unit && (len(f.XYZ) < 4 || highest < 0.03 || highest > 1.15) {
		return &Error{File: f.Name, Problem: fmt.Sprintf("XYZ up to %.3g may be on a scale of 1 or of 100", highest),
			Hint: "give a patch of bare paper too, or Lab beside XYZ"}
	}
	if unit {
		f.Warnf("XYZ values run from 0 to 1 (up to %.4g); taken times 100", highest)
		for i := range f.XYZ {
			for k := range f.XYZ[i] {
				f.XYZ[i][k] *= 100
			}
		}
		highest, lowest = highest*100, lowest*100
	}
	if highest > MaxY || lowest < -5 {
		return &Error{File: f.Name, Problem: fmt.Sprintf("XYZ of patch %s is no colour of a print", Quote(f.ID[at])),
			Hint: "Y is 100 for a perfect white; a field shifted?"}
	}
	return nil
}

// whiteKey names the white of a condition; what is not stated counts as the
// trade's D50 and 2 degrees.
func whiteKey(c Condition) string {
	ill, obs := c.Illuminant, c.Observer
	if ill == "" {
		ill = "D50"
	}
	if obs == "" {
		obs = "2"
	}
	return ill + "/" + obs
}

// checkBlocks compares XYZ with Lab. When the file does not say its white,
// the one under which both agree tells it.
func (f *File) checkBlocks() {
	if f.Lab == nil || f.XYZ == nil {
		return
	}
	key := whiteKey(f.Condition)
	white, known := whites[key]
	if !known {
		f.Warnf("XYZ and Lab cannot be compared, the white of %s is not known here", Quote(key))
		return
	}
	far, worst, at := f.apart(white)
	if far == 0 && f.twoWhites {
		f.Warnf("XYZ and Lab agree under %s and %s degrees", f.Condition.Illuminant, f.Condition.Observer)
	}
	if far > 0 {
		for _, other := range []string{"D50/2", "D65/2", "D50/10", "D65/10", "A/2"} {
			if n, _, _ := f.apart(whites[other]); n == 0 && other != key {
				ill, obs, _ := strings.Cut(other, "/")
				if f.Condition.Illuminant == "" || f.twoWhites {
					f.Condition.Illuminant, f.Condition.Observer = ill, obs
					f.Warnf("XYZ and Lab agree under %s and %s degrees only; taken as that", ill, obs)
					return
				}
				f.Warnf("XYZ and Lab agree under %s and %s degrees, though the file says %s", ill, obs, key)
				f.fault("its Lab and XYZ belong to %s and %s degrees, though it says %s", ill, obs, key)
				return
			}
		}
		wins := "Lab counts"
		if f.Spectra != nil {
			wins = "the spectra count"
		}
		f.Warnf("XYZ and Lab differ by more than %g in %d of %d patches, most in %s (%.2f, CIE 1976); %s",
			Disagree, far, len(f.ID), Quote(f.ID[at]), worst, wins)
	}
}

// apart counts the patches whose XYZ and Lab differ under a white.
func (f *File) apart(white [3]float64) (far int, worst float64, at int) {
	for i := range f.Lab {
		d := distance(lab(f.XYZ[i], white), f.Lab[i])
		if d > Disagree {
			far++
		}
		if d > worst {
			worst, at = d, i
		}
	}
	return far, worst, at
}

// checkSpectralColour compares the spectra with Lab or XYZ, where the caller
// gave the means to.
func (f *File) checkSpectralColour(o Options) {
	key := whiteKey(f.Condition)
	if f.Spectra == nil || o.SpectraXYZ == nil || f.Lab == nil && f.XYZ == nil || key != "D50/2" {
		return
	}
	other, want := "Lab", f.Lab
	if f.Lab == nil {
		other, want = "XYZ", make([][3]float64, len(f.XYZ))
		for i, v := range f.XYZ {
			want[i] = lab(v, whites[key])
		}
	}
	far, worst, at, ok := f.apartSpectra(o, f.Spectra.StartNM, want)
	if !ok || far == 0 {
		return
	}
	// A program that writes the wrong first wavelength is a known slip: the
	// colours then fit at another start, clearly.
	for _, shift := range []float64{-20, -10, 10, 20} {
		start := f.Spectra.StartNM + shift
		if n, _, _, ok := f.apartSpectra(o, start, want); ok && n*4 < far {
			f.SpectraFault = fmt.Sprintf("the spectra fit %s only if they start at %g nm, but the file says %g", other, start, f.Spectra.StartNM)
			f.Warnf("%s; %s counts", f.SpectraFault, other)
			return
		}
	}
	f.Warnf("the spectra and %s differ by more than %g in %d of %d patches, most in %s (%.2f, CIE 1976); the spectra count",
		other, Disagree, far, len(f.ID), Quote(f.ID[at]), worst)
}

// apartSpectra counts the patches whose spectra, taken from a start, differ
// from Lab values.
func (f *File) apartSpectra(o Options, start float64, want [][3]float64) (far int, worst float64, at int, ok bool) {
	s := thinned(f.Spectra)
	all, err := o.SpectraXYZ(start, s.StepNM, s.Values)
	if err != nil || len(all) != len(want) {
		return 0, 0, 0, false
	}
	for i, xyz := range all {
		d := distance(lab(xyz, whites["D50/2"]), want[i])
		if d > Disagree {
			far++
		}
		if d > worst {
			worst, at = d, i
		}
	}
	return far, worst, at, true
}

// fault notes why Lab and XYZ cannot serve as D50 and 2 degrees.
func (f *File) fault(format string, args ...any) {
	if f.Fault == "" {
		f.Fault = fmt.Sprintf(format, args...)
	}
}

// checkCondition tells whether Lab and XYZ are what a reading needs.
func (f *File) checkCondition() {
	if f.Lab == nil && f.XYZ == nil {
		return
	}
	c := f.Condition
	switch {
	case c.White != "":
		f.fault("Lab and XYZ are relative to the %s, not to a perfect white", c.White)
	case c.Observer == "10":
		f.fault("Lab and XYZ are for the 10 degree observer%s", f.whiteBy)
	case c.Observer != "" && c.Observer != "2":
		f.fault("Lab and XYZ are for observer %s", Quote(c.Observer))
	case c.Illuminant != "" && c.Illuminant != "D50":
		f.fault("Lab and XYZ are for illuminant %s%s", c.Illuminant, f.whiteBy)
	}
	if f.Fault == "" && c.Illuminant == "" && f.XYZ != nil {
		brightest := f.brightest()
		for i, v := range f.XYZ {
			// Under D50 a perfect white has Z = 82.5; brightened paper passes
			// it by a tenth at most (common practice, no source).
			if v[2] > 95 && v[2] > 0.95*v[1] || i == brightest && v[1] > 50 && v[2] > 1.04*v[1] {
				f.fault("Z is %.1f in patch %s of Y %.1f, more than any print has under D50 (a perfect white has 82.5 and 100)", v[2], Quote(f.ID[i]), v[1])
				break
			}
		}
	}
	if f.Fault != "" {
		f.Warnf("%s; a reading needs D50 and 2 degrees%s", f.Fault, map[bool]string{true: ", so only the spectra can serve"}[f.Spectra != nil])
		return
	}
	var not []string
	if c.Illuminant == "" {
		not = append(not, "illuminant")
	}
	if c.Observer == "" {
		not = append(not, "observer")
	}
	if len(not) > 0 && f.Spectra == nil {
		f.Warnf("the file does not state its %s; taken as D50 and 2 degrees", strings.Join(not, " and "))
	}
}
