package madeup

import (
	"math"

	"swathkeeper/measure/colour"
)

// The sampling of every made-up spectrum: 380, 390, ... 730 nm, as usual in the trade.
const (
	StartNM = 380.0
	StepNM  = 10.0
	Bands   = 36
)

// A spectrum holds one value per band.
type spectrum [Bands]float64

func wavelength(band int) float64 { return StartNM + StepNM*float64(band) }

// weights turns the made-up spectra into XYZ under D50, the white of all readings.
var weights = func() *colour.Weights {
	w, err := colour.NewWeights(colour.IlluminantD50, StartNM, StepNM, Bands)
	if err != nil {
		panic(err) // the constants above are the fault
	}
	return w
}()

// bell is a Gaussian with a width for each side.
func bell(nm, peak, low, high float64) float64 {
	d := (nm - peak) / high
	if nm < peak {
		d = (nm - peak) / low
	}
	return math.Exp(-d * d / 2)
}

// step rises from 0 to 1 around at.
func step(nm, at, width float64) float64 { return 1 / (1 + math.Exp((at-nm)/width)) }
