package measurement

import (
	"fmt"
	"math"
	"sort"

	"swathkeeper/protocol"
)

// ascending is the order of wavelengths from short to long.
func ascending(nm []float64) []int {
	order := make([]int, len(nm))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return nm[order[a]] < nm[order[b]] })
	return order
}

// Grid is the even grid that ascending wavelengths stand on. The error is an
// *Error without the place.
func Grid(nm []float64) (start, step float64, err error) {
	if len(nm) < 2 {
		return 0, 0, &Error{Problem: "a spectrum of a single band", Hint: "a spectrum needs evenly spaced bands"}
	}
	for i := 1; i < len(nm); i++ {
		if nm[i] == nm[i-1] {
			return 0, 0, &Error{Problem: fmt.Sprintf("the band at %g nm stands twice", nm[i]), Hint: "keep one of them"}
		}
	}
	step = (nm[len(nm)-1] - nm[0]) / float64(len(nm)-1)
	for i := 1; i < len(nm); i++ {
		if math.Abs(nm[i]-nm[0]-step*float64(i)) > 0.05 {
			return 0, 0, &Error{Problem: fmt.Sprintf("the bands are not evenly spaced: %g, %g nm near %g nm", nm[i-1], nm[i], nm[0]+step*float64(i)),
				Hint: "a missing or extra band? save the spectra on an even grid"}
		}
	}
	if r := math.Round(step); math.Abs(step-r) < 0.01 {
		step = r
	}
	if step < 1 || step > 20 {
		return 0, 0, &Error{Problem: fmt.Sprintf("bands %g nm apart", step), Hint: "1 to 20 nm are read"}
	}
	return nm[0], step, nil
}

// CheckSpectra settles whether reflectance is a factor or in percent, on the
// whole file, and refuses what can be neither. A stated scale is kept to.
func (f *File) CheckSpectra(stated string) error {
	s := f.Spectra
	if s == nil {
		return nil
	}
	if end := endNM(s); s.StartNM > 420 || end < 660 {
		return &Error{File: f.Name, Problem: fmt.Sprintf("the spectra cover %g to %g nm", s.StartNM, end),
			Hint: "colour needs at least 420 to 660 nm; leave the spectra out and give Lab"}
	} else if s.StartNM > 400 || end < 700 {
		f.Warnf("the spectra cover %g to %g nm only; the missing ends of 400 to 700 nm count as equal to the last band", s.StartNM, end)
	}
	if s.StepNM < minStepNM {
		f.Warnf("spectra every %g nm; a reading takes one band in %d", s.StepNM, thinning(s))
	}
	lowest, highest := math.Inf(1), math.Inf(-1)
	low, high := 0, 0
	over := false // a patch beyond a perfect white all over
	for i, row := range s.Values {
		sum := 0.0
		for _, v := range row {
			sum += v
			if v < lowest {
				lowest, low = v, i
			}
			if v > highest {
				highest, high = v, i
			}
		}
		over = over || sum > 1.05*float64(len(row))
	}
	inPercent := false
	switch stated {
	case "percent":
		inPercent = true
		byLab, known := f.percentByLab()
		switch {
		case highest > 2 || highest <= 0 || byLab:
		case known:
			f.Warnf("reflectance up to %.3g is a factor, by Lab, though the file says percent", highest)
			inPercent = false
		default: // a chart has more than 2 percent somewhere
			return &Error{File: f.Name, Problem: fmt.Sprintf("reflectance up to %.3g, though the file says percent: these look like factors", highest),
				Hint: "fields SPECTRAL_DEC hold factors; in percent a perfect white has 100"}
		}
	case "factor":
		if highest > 2 {
			return &Error{File: f.Name, Problem: fmt.Sprintf("reflectance %g in patch %s, though the file says that it gives factors", highest, Quote(f.ID[high])),
				Hint: "a factor is 1 for perfect white, and at most 2"}
		}
	default:
		byLab, known := f.percentByLab()
		switch {
		case known:
			inPercent = byLab
			if !inPercent && highest > 2 {
				return &Error{File: f.Name, Problem: fmt.Sprintf("reflectance %g in patch %s fits neither a factor nor percent", highest, Quote(f.ID[high])),
					Hint: "a factor is 1 for perfect white"}
			}
		case highest > 2:
			inPercent = true
		case over:
			return &Error{File: f.Name, Problem: fmt.Sprintf("reflectance up to %.3g may be a factor or percent", highest),
				Hint: "name the fields SPECTRAL_DEC or SPECTRAL_PCT, or add a patch of bare paper"}
		}
		if inPercent {
			f.Warnf("reflectance is in percent (up to %.4g); divided by 100", highest)
		}
	}
	if inPercent {
		lowest, highest = lowest/100, highest/100
		for _, row := range s.Values {
			for i := range row {
				row[i] /= 100
			}
		}
	}
	if highest > 2 {
		return &Error{File: f.Name, Problem: fmt.Sprintf("reflectance %.4g of patch %s is beyond twice a perfect white", highest, Quote(f.ID[high])),
			Hint: "check the scale, and the instrument's white calibration"}
	}
	if lowest < -0.05 {
		return &Error{File: f.Name, Problem: fmt.Sprintf("reflectance %.4g of patch %s is below zero", lowest, Quote(f.ID[low])),
			Hint: "check the instrument's calibration"}
	}
	return nil
}

// percentByLab tells, where the file has Lab too, whether the reflectance is
// in percent: the brightest patch has about the reflectance near 550 nm that
// its Y is.
func (f *File) percentByLab() (percent, known bool) {
	y, known := f.expectedY()
	if !known {
		return false, false
	}
	s := f.Spectra
	r := s.Values[f.brightest()][int(math.Round((min(max(550, s.StartNM), endNM(s))-s.StartNM)/s.StepNM))]
	return math.Abs(math.Log(max(r, 1e-6)/y)) < math.Abs(math.Log(max(r*100, 1e-6)/y)), true
}

func endNM(s *protocol.Spectra) float64 {
	if len(s.Values) == 0 || len(s.Values[0]) == 0 {
		return 0
	}
	return s.StartNM + s.StepNM*float64(len(s.Values[0])-1)
}

// brightest is the patch with the largest L* or Y.
func (f *File) brightest() int {
	best := 0
	for i := range f.ID {
		if f.Lab != nil && f.Lab[i][0] > f.Lab[best][0] || f.Lab == nil && f.XYZ != nil && f.XYZ[i][1] > f.XYZ[best][1] {
			best = i
		}
	}
	return best
}

// expectedY is Y (perfect white 100) of the brightest patch by Lab; XYZ alone
// will not do, since its own scale may be in doubt.
func (f *File) expectedY() (float64, bool) {
	if f.Lab == nil {
		return 0, false
	}
	y := 100 * inverse(f.Lab[f.brightest()][0])
	return y, y > 0.05
}

// inverse is Y/Yn of an L* (CIE 15).
func inverse(l float64) float64 {
	if l > 8 {
		t := (l + 16) / 116
		return t * t * t
	}
	return max(l, 0) * 27 / 24389
}
