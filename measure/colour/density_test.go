package colour

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
)

// Reference: status-density-examples.csv with iso5-3-status-density.csv.
func TestDensity(t *testing.T) {
	_, byName := spectra(t, "chart24-ohta1997-spectra.csv")
	tab := readTable(t, "status-density-examples.csv")
	d, err := NewDensityWeights(380, 10, 41)
	if err != nil {
		t.Fatal(err)
	}
	columns := []string{"T_blue", "T_green", "T_red", "E_blue", "E_green", "E_red", "visual"}
	for _, row := range tab.rows {
		name := tab.text(row, "patch")
		var refl []float64
		if flat, ok := strings.CutPrefix(name, "flat "); ok {
			v, err := strconv.ParseFloat(flat, 64)
			if err != nil {
				t.Fatal(err)
			}
			refl = make([]float64, 41)
			for i := range refl {
				refl[i] = v
			}
		} else {
			refl = every(byName[name], 2)[:41]
		}
		for f, c := range columns {
			// The last 0.01 per cent of the products lie in the rounding of the table.
			near(t, name+" "+Filter(f).String(), d.Density(Filter(f), refl), tab.number(t, row, c), 1.1e-5)
		}
	}
}

// A density must not depend on the instrument's sampling beyond what interpolation costs.
func TestDensitySamplings(t *testing.T) {
	_, byName := spectra(t, "chart24-ohta1997-spectra.csv")
	ten, err := NewDensityWeights(380, 10, 36)
	if err != nil {
		t.Fatal(err)
	}
	five, err := NewDensityWeights(380, 5, 81)
	if err != nil {
		t.Fatal(err)
	}
	for name, refl := range byName {
		for f := StatusTBlue; f <= VisualDensity; f++ {
			a, b := ten.Density(f, every(refl, 2)[:36]), five.Density(f, refl)
			near(t, fmt.Sprint(name, " ", f), a, b, 2e-3)
		}
	}
}

func TestDensityEdges(t *testing.T) {
	d, err := NewDensityWeights(380, 10, 36)
	if err != nil {
		t.Fatal(err)
	}
	if v := d.Density(VisualDensity, make([]float64, 36)); !math.IsInf(v, 1) {
		t.Errorf("density of black is %g", v)
	}
	if v := d.Density(VisualDensity, make([]float64, 3)); !math.IsNaN(v) {
		t.Errorf("density of 3 bands is %g", v)
	}
	if v := d.Density(Filter(9), make([]float64, 36)); !math.IsNaN(v) {
		t.Errorf("density of an unknown filter is %g", v)
	}
}
