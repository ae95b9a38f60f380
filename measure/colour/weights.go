package colour

import (
	"fmt"
	"math"
)

// An Illuminant is one of the CIE standard illuminants carried here.
type Illuminant int

const (
	IlluminantD50 Illuminant = iota // graphic arts and photography (ISO 3664, ISO 13655)
	IlluminantD65                   // textiles, daylight
	IlluminantA                     // incandescent light
)

func (i Illuminant) String() string {
	switch i {
	case IlluminantD50:
		return "D50"
	case IlluminantD65:
		return "D65"
	case IlluminantA:
		return "A"
	}
	return fmt.Sprintf("Illuminant(%d)", int(i))
}

// White returns the published 2 degree white of the illuminant (D50, D65; for A that of ASTM E308).
func (i Illuminant) White() XYZ {
	switch i {
	case IlluminantD65:
		return D65
	case IlluminantA:
		return whiteA
	}
	return D50
}

// Limits of the sampling that weights are made for.
const (
	MinStepNM = 5
	MaxStepNM = 20
	maxBands  = 128
)

// Weights turn a spectral reflectance factor, sampled at fixed wavelengths, into XYZ under one
// illuminant for the 2 degree observer. They do not change once made, so one value may serve
// any number of goroutines.
type Weights struct {
	start, step float64
	w           []XYZ // one per band; the sum of the Y is 100
	white       XYZ   // XYZ of the perfect diffuser: the sums of the weights
	published   XYZ   // the illuminant's published white
}

// NewWeights computes weighting factors for n bands at startNM, startNM+stepNM, ... nanometres.
//
// They follow ASTM E2022, the practice behind the tables of ASTM E308 and ISO 13655: the
// reflectance between two bands is the cubic through the four bands around (the quadratic
// through three in the end intervals), summed with the 1 nm data of the CIE over 360..780 nm and
// k = 100 / sum(S*ybar). The interpolation is folded into the factors, so any start and any step
// of 5 to 20 nm will do, whole numbers or not. Weights of bands that would lie outside the
// measured range are added to the first and the last band (ASTM E308, missing data at the
// ends). No correction for the instrument's bandpass is made; ISO 13655 asks for spectra that
// already have it.
//
// An error says which argument is out of range. A range that leaves out any part of
// 420..680 nm is refused: what is missing there cannot be made up by folding.
func NewWeights(illuminant Illuminant, startNM, stepNM float64, n int) (*Weights, error) {
	if illuminant < IlluminantD50 || illuminant > IlluminantA {
		return nil, fmt.Errorf("colour weights: unknown illuminant %d: take D50, D65 or A", int(illuminant))
	}
	if err := checkGrid(startNM, stepNM, n); err != nil {
		return nil, fmt.Errorf("colour weights: %w", err)
	}
	// Continue the grid to both sides until it covers the sum, compute there, then fold.
	before := max(0, int(math.Ceil((startNM-tableFrom)/stepNM)))
	last := startNM + stepNM*float64(n-1)
	after := max(0, int(math.Ceil((sumTo-last)/stepNM)))
	total := before + n + after
	first := startNM - stepNM*float64(before)

	t := cie()
	s := &t.illuminants[illuminant]
	full := make([]XYZ, total)
	var sum float64
	for i := range sumLen {
		sum += s[i] * t.y[i]
		at, c := lagrange((float64(tableFrom+i)-first)/stepNM, total)
		for j, l := range c {
			if l == 0 {
				continue
			}
			l *= s[i]
			f := &full[at+j]
			f.X += l * t.x[i]
			f.Y += l * t.y[i]
			f.Z += l * t.z[i]
		}
	}
	w := &Weights{
		start: startNM, step: stepNM,
		w: make([]XYZ, n), published: illuminant.White(),
	}
	k := 100 / sum
	for i, f := range full {
		b := &w.w[min(max(i-before, 0), n-1)]
		b.X += k * f.X
		b.Y += k * f.Y
		b.Z += k * f.Z
	}
	for _, b := range w.w {
		w.white.X += b.X
		w.white.Y += b.Y
		w.white.Z += b.Z
	}
	return w, nil
}

// checkGrid refuses a sampling that colours cannot be computed from.
func checkGrid(start, step float64, n int) error {
	switch {
	case !(step >= MinStepNM && step <= MaxStepNM):
		return fmt.Errorf("step of %g nm is outside %d..%d nm", step, MinStepNM, MaxStepNM)
	case !(start >= 300 && start <= 420):
		return fmt.Errorf("start of %g nm is outside 300..420 nm", start)
	case n > maxBands:
		return fmt.Errorf("%d bands are more than %d", n, maxBands)
	case n < 4 || start+step*float64(n-1) < 680:
		return fmt.Errorf("%d bands of %g nm from %g nm end at %g nm: they must reach 680 nm", n, step, start, start+step*float64(n-1))
	}
	return nil
}

// Bands returns the number of reflectance values that the weights expect.
func (w *Weights) Bands() int { return len(w.w) }

// Wavelength returns the wavelength of band i in nanometres.
func (w *Weights) Wavelength(i int) float64 { return w.start + w.step*float64(i) }

// Band returns the weighting factors of band i.
func (w *Weights) Band(i int) XYZ { return w.w[i] }

// White returns the XYZ that the weights give the perfect diffuser. It differs from the
// published white by at most 0.002, the rounding of published tables.
func (w *Weights) White() XYZ { return w.white }

// XYZ returns the tristimulus values of a reflectance factor (0..1; values above 1 are taken as
// they are). Its length must be Bands(); any other gives NaN in all three, as does a NaN band.
func (w *Weights) XYZ(reflectance []float64) XYZ {
	if len(reflectance) != len(w.w) {
		return XYZ{math.NaN(), math.NaN(), math.NaN()}
	}
	// Two sums each, so that additions need not wait for one another.
	var x0, y0, z0, x1, y1, z1 float64
	i := 0
	for ; i+1 < len(w.w); i += 2 {
		a, b := &w.w[i], &w.w[i+1]
		r, s := reflectance[i], reflectance[i+1]
		x0 += a.X * r
		y0 += a.Y * r
		z0 += a.Z * r
		x1 += b.X * s
		y1 += b.Y * s
		z1 += b.Z * s
	}
	if i < len(w.w) {
		a, r := &w.w[i], reflectance[i]
		x0 += a.X * r
		y0 += a.Y * r
		z0 += a.Z * r
	}
	return XYZ{x0 + x1, y0 + y1, z0 + z1}
}

// Lab returns L*a*b* relative to the published white of the weights' illuminant.
func (w *Weights) Lab(reflectance []float64) Lab {
	return w.XYZ(reflectance).Lab(w.published)
}

// XYZs fills dst with the tristimulus values of spectra, without allocating. It fails, naming
// the first such spectrum and writing nothing, if dst is too short or a spectrum has another
// number of bands.
func (w *Weights) XYZs(dst []XYZ, spectra [][]float64) error {
	if err := w.check(len(dst), spectra); err != nil {
		return err
	}
	for i, s := range spectra {
		dst[i] = w.XYZ(s)
	}
	return nil
}

// Labs fills dst with the L*a*b* of spectra as Lab does, without allocating, and fails as XYZs
// does.
func (w *Weights) Labs(dst []Lab, spectra [][]float64) error {
	if err := w.check(len(dst), spectra); err != nil {
		return err
	}
	for i, s := range spectra {
		dst[i] = w.Lab(s)
	}
	return nil
}

func (w *Weights) check(room int, spectra [][]float64) error {
	if room < len(spectra) {
		return fmt.Errorf("colour weights: room for %d results, %d spectra", room, len(spectra))
	}
	for i, s := range spectra {
		if len(s) != len(w.w) {
			return fmt.Errorf("colour weights: spectrum %d has %d bands, want %d", i, len(s), len(w.w))
		}
	}
	return nil
}
