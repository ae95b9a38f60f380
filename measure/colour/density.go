package colour

import (
	"fmt"
	"math"
)

// A Filter is one spectral condition of optical density (ISO 5-3).
type Filter int

// The columns of the table of ISO 5-3 spectral products.
const (
	StatusTBlue Filter = iota
	StatusTGreen
	StatusTRed
	StatusEBlue
	StatusEGreen
	StatusERed
	VisualDensity
)

var filterNames = [...]string{
	"status T blue", "status T green", "status T red",
	"status E blue", "status E green", "status E red", "visual",
}

func (f Filter) String() string {
	if f < 0 || int(f) >= len(filterNames) {
		return fmt.Sprintf("Filter(%d)", int(f))
	}
	return filterNames[f]
}

// DensityWeights turn a reflectance factor, sampled at fixed wavelengths, into optical density.
type DensityWeights struct {
	w [7][]float64 // per filter, one weight per band, summing to 1
}

// NewDensityWeights prepares n bands at startNM, startNM+stepNM, ..., within the limits of
// NewWeights. The spectral products of ISO 5-3 stand each 10 nm; between measured bands the
// reflectance is interpolated as NewWeights does, and outside it is that of the end band.
func NewDensityWeights(startNM, stepNM float64, n int) (*DensityWeights, error) {
	if err := checkGrid(startNM, stepNM, n); err != nil {
		return nil, fmt.Errorf("density weights: %w", err)
	}
	d := new(DensityWeights)
	for f := range d.w {
		d.w[f] = make([]float64, n)
	}
	var sums [7]float64
	for i, products := range densities() {
		p := (float64(densityFrom+10*i) - startNM) / stepNM
		first, c := lagrange(min(max(p, 0), float64(n-1)), n)
		for f, product := range products {
			sums[f] += product
			for j, l := range c {
				if l != 0 {
					d.w[f][first+j] += l * product
				}
			}
		}
	}
	for f := range d.w {
		for i := range d.w[f] {
			d.w[f][i] /= sums[f]
		}
	}
	return d, nil
}

// Density returns -log10 of the weighted reflectance under filter f; the perfect diffuser has
// density 0. A reflectance that weighs to zero or less gives +Inf, a wrong number of bands or an
// unknown filter NaN.
func (d *DensityWeights) Density(f Filter, reflectance []float64) float64 {
	if f < 0 || int(f) >= len(d.w) || len(reflectance) != len(d.w[f]) {
		return math.NaN()
	}
	var sum float64
	for i, w := range d.w[f] {
		sum += w * reflectance[i]
	}
	if sum <= 0 {
		return math.Inf(1)
	}
	return -math.Log10(sum)
}
