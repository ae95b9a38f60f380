package colour_test

import (
	"fmt"

	"swathkeeper/measure/colour"
)

// A spectrum of an instrument that reads 400..700 nm at 10 nm.
func ExampleNewWeights() {
	w, err := colour.NewWeights(colour.IlluminantD50, 400, 10, 31)
	if err != nil {
		fmt.Println(err)
		return
	}
	grey := make([]float64, w.Bands())
	for i := range grey {
		grey[i] = 0.18
	}
	lab := w.Lab(grey)
	fmt.Printf("L* %.2f, C* %.2f\n", lab.L, lab.Chroma())

	_, err = colour.NewWeights(colour.IlluminantD50, 400, 10, 20)
	fmt.Println(err)
	// Output:
	// L* 49.50, C* 0.00
	// colour weights: 20 bands of 10 nm from 400 nm end at 590 nm: they must reach 680 nm
}

// The first of the published pairs.
func ExampleDE2000() {
	fmt.Printf("%.4f\n", colour.DE2000(colour.Lab{L: 50, A: 2.6772, B: -79.7751}, colour.Lab{L: 50, A: 0, B: -82.7485}))
	// Output: 2.0425
}

// A scanner's pixel, as a colour under the light that prints are judged in.
func ExampleSRGB() {
	lab := colour.SRGB(0.5, 0.5, 0.5).Lab(colour.D50)
	fmt.Printf("L* %.2f, C* %.2f\n", lab.L, lab.Chroma())
	// Output: L* 53.39, C* 0.00
}
