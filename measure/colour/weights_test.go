package colour

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Reference: iso13655-d50-2deg-10nm.csv.
func TestWeightsISO13655(t *testing.T) {
	tab := readTable(t, "iso13655-d50-2deg-10nm.csv")
	w := mustWeights(t, IlluminantD50, 360, 10, 43)
	if len(tab.rows) != w.Bands() {
		t.Fatalf("%d rows, %d bands", len(tab.rows), w.Bands())
	}
	// The published 380 nm row has 360 and 370 folded in.
	folded := mustWeights(t, IlluminantD50, 380, 10, 41)
	for i, row := range tab.rows {
		v := tab.numbers(t, row, "nm", "Wx", "Wy", "Wz", "Wx_pub", "Wy_pub")
		what := fmt.Sprintf("%g nm", v[0])
		if v[0] != w.Wavelength(i) {
			t.Fatalf("row %d is %g nm, band %g", i, v[0], w.Wavelength(i))
		}
		got := w.Band(i)
		nearXYZ(t, what, got, XYZ{v[1], v[2], v[3]}, 5.1e-5)
		if v[0] == 380 {
			got = folded.Band(0)
		}
		// Three of the 68 published entries differ from the method by one in the last place.
		if !math.IsNaN(v[4]) {
			near(t, what+" X published", got.X, v[4], 1.5e-3)
		}
		if !math.IsNaN(v[5]) {
			near(t, what+" Y published", got.Y, v[5], 1.5e-3)
		}
	}
	nearXYZ(t, "white", w.White(), XYZ{96.422, 100, 82.522}, 5.1e-4)
	nearXYZ(t, "white against ISO 13655", w.White(), D50, 1.5e-3)
}

// Reference: astm-e308-weights.csv, the tables for the 2 degree observer (the others are for
// the 10 degree observer, which this package does not carry).
func TestWeightsE308(t *testing.T) {
	tab := readTable(t, "astm-e308-weights.csv")
	full := mustWeights(t, IlluminantD65, 360, 20, 24)
	folded := mustWeights(t, IlluminantD65, 400, 20, 16)
	checked := 0
	for _, row := range tab.rows {
		w := full
		switch name := tab.text(row, "table"); {
		case name == "E308-D65-2-20-folded-400-700":
			w = folded
		case name != "E308-D65-2-20":
			continue
		}
		nm := tab.number(t, row, "nm")
		i := int(math.Round((nm - w.Wavelength(0)) / 20))
		v := tab.numbers(t, row, "Wx", "Wy", "Wz")
		tolerance := 5.5e-4 // printed to 3 decimals; 560 nm Y is a near tie (18.8635)
		if w == folded && (i == 0 || i == w.Bands()-1) {
			tolerance = 1.1e-3 // the sum of several rounded ones
		}
		nearXYZ(t, fmt.Sprintf("%d bands, %g nm", w.Bands(), nm), w.Band(i), XYZ{v[0], v[1], v[2]}, tolerance)
		checked++
	}
	if checked != 24+16 {
		t.Errorf("%d rows checked", checked)
	}
	nearXYZ(t, "D65", full.White(), D65, 6e-3)
}

// Reference: whitepoints.json, sums of the 1 nm data; and the published whites.
func TestWhites(t *testing.T) {
	var ref struct {
		Computed []struct {
			Illuminant string  `json:"illuminant"`
			From       float64 `json:"from_nm"`
			To         float64 `json:"to_nm"`
			Step       float64 `json:"step_nm"`
			X, Y, Z    float64
		} `json:"computed"`
	}
	readJSON(t, "whitepoints.json", &ref)
	for _, i := range []Illuminant{IlluminantD50, IlluminantD65, IlluminantA} {
		for _, c := range ref.Computed {
			if c.Illuminant != i.String() || c.From != 360 || c.Step != 5 {
				continue
			}
			tolerance := 2e-3
			if i == IlluminantD65 {
				tolerance = 0.015 // D65 runs straight between its 5 nm points, D50 here does not
			}
			nearXYZ(t, i.String(), mustWeights(t, i, 360, 5, 95).White(), XYZ{c.X, c.Y, c.Z}, tolerance)
		}
		// Any sampling whatever gives the same white: folding loses nothing.
		want := mustWeights(t, i, 360, 5, 95).White()
		for _, g := range grids {
			nearXYZ(t, fmt.Sprint(i, g), mustWeights(t, i, g.start, g.step, g.n).White(), want, 1e-9)
		}
		nearXYZ(t, i.String()+" published", want, i.White(), 2e-3)
	}
}

var grids = []struct {
	start, step float64
	n           int
}{
	{380, 10, 36}, {400, 10, 31}, {380, 5, 81}, {360, 20, 24}, {400, 20, 16}, {385, 7, 50}, {383.5, 11.25, 30}, {340, 10, 44},
	{420, 20, 14}, {397, 13, 23}, {380, 3.0 + 7.0/3, 70},
}

// Reference: chart24-expected.csv and tcs14-expected.csv, on chart24-ohta1997-spectra.csv and
// tcs14-cie13-3-spectra.csv. Methods there: A, B: 10 nm weights; C: 5 nm sums; D: the
// colour-science library's ASTM E308.
func TestSpectraToLab(t *testing.T) {
	type set struct{ spectra, expected, key, prefix string }
	for _, s := range []set{
		{"chart24-ohta1997-spectra.csv", "chart24-expected.csv", "patch", "p"},
		{"tcs14-cie13-3-spectra.csv", "tcs14-expected.csv", "sample", ""},
	} {
		nm, byName := spectra(t, s.spectra)
		if nm[0] != 380 || nm[1] != 385 || nm[len(nm)-1] != 780 {
			t.Fatalf("%s: sampling changed", s.spectra)
		}
		tab := readTable(t, s.expected)
		counts := map[string]int{}
		for _, row := range tab.rows {
			name := s.prefix + tab.text(row, s.key)
			refl, ok := byName[name]
			if !ok {
				t.Fatalf("no spectrum %q", name)
			}
			i := IlluminantD50
			if tab.text(row, "illuminant") == "D65" {
				i = IlluminantD65
			}
			method := tab.text(row, "method")
			counts[method]++
			var w *Weights
			tolXYZ, tolLab := 1.5e-4, 1.5e-3
			switch method {
			case "A":
				w, refl = mustWeights(t, i, 380, 10, 36), every(refl, 2)[:36]
			case "B":
				w, refl = mustWeights(t, i, 400, 10, 31), every(refl, 2)[2:33]
			case "C":
				// Sums at 5 nm from 380 nm without folding, relative to a white summed alike.
				w, tolXYZ, tolLab = mustWeights(t, i, 380, 5, 81), 0.012, 0.03
			case "D":
				w, tolXYZ, tolLab = mustWeights(t, i, 380, 5, 81), 0.012, 0.03
			case "P":
				// Published values of another chart of this type: within 3.5, says the file.
				w, refl = mustWeights(t, i, 380, 10, 36), every(refl, 2)[:36]
				if d := DE76(w.Lab(refl), tab.lab(t, row, "L", "a", "b")); d > 3.6 {
					t.Errorf("%s: %g from the published value", name, d)
				}
				continue
			default:
				t.Fatalf("unknown method %q", method)
			}
			what := fmt.Sprintf("%s %s %s", name, i, method)
			got := w.XYZ(refl)
			v := tab.numbers(t, row, "X", "Y", "Z")
			nearXYZ(t, what, got, XYZ{v[0], v[1], v[2]}, tolXYZ)
			nearLab(t, what, w.Lab(refl), tab.lab(t, row, "L", "a", "b"), tolLab)
		}
		t.Log(s.expected, counts)
	}
}

// Reference: e308-spectrum-example.json: illuminant A, folding outside 400..700 nm. Without
// folding X is 0.4 per cent off.
func TestSpectrumExampleA(t *testing.T) {
	var ref struct {
		Reflectance map[string]float64 `json:"reflectance_5nm"`
		Results     []struct {
			Step float64    `json:"step_nm"`
			Own  [3]float64 `json:"XYZ_own"`
			Lib  [3]float64 `json:"XYZ_library"`
		} `json:"results"`
	}
	readJSON(t, "e308-spectrum-example.json", &ref)
	if len(ref.Results) == 0 {
		t.Fatal("no results")
	}
	for _, r := range ref.Results {
		var refl []float64
		for nm := 400.0; nm <= 700; nm += r.Step {
			v, ok := ref.Reflectance[fmt.Sprint(nm)]
			if !ok {
				t.Fatalf("no reflectance at %g nm", nm)
			}
			refl = append(refl, v)
		}
		w := mustWeights(t, IlluminantA, 400, r.Step, len(refl))
		what := fmt.Sprintf("%g nm", r.Step)
		got := w.XYZ(refl)
		nearXYZ(t, what, got, XYZ{r.Own[0], r.Own[1], r.Own[2]}, 5e-5)
		nearXYZ(t, what+" library", got, XYZ{r.Lib[0], r.Lib[1], r.Lib[2]}, 1.4e-3)
	}
}

// Smooth spectra must come out alike on every sampling.
func TestSamplingsAgree(t *testing.T) {
	f := func(nm float64) float64 { return 0.4 + 0.3*math.Sin((nm-380)/60) }
	fine := mustWeights(t, IlluminantD50, 360, 5, 95)
	sample := func(w *Weights) []float64 {
		out := make([]float64, w.Bands())
		for i := range out {
			out[i] = f(w.Wavelength(i))
		}
		return out
	}
	want := fine.Lab(sample(fine))
	for _, g := range grids {
		w := mustWeights(t, IlluminantD50, g.start, g.step, g.n)
		if d := DE2000(w.Lab(sample(w)), want); d > 0.05 {
			t.Errorf("%+v: %g from the 5 nm colour", g, d)
		}
	}
}

func TestWeightsRefuse(t *testing.T) {
	for _, c := range []struct {
		i           Illuminant
		start, step float64
		n           int
		want        string
	}{
		{IlluminantD50, 380, 4, 81, "step of 4 nm"},
		{IlluminantD50, 380, 25, 20, "step of 25 nm"},
		{IlluminantD50, 380, math.NaN(), 36, "step of NaN"},
		{IlluminantD50, 430, 10, 30, "start of 430 nm"},
		{IlluminantD50, math.Inf(-1), 10, 30, "start of -Inf"},
		{IlluminantD50, 380, 10, 20, "end at 570 nm"},
		{IlluminantD50, 380, 10, -1, "-1 bands"},
		{IlluminantD50, 380, 10, 1 << 40, "more than"},
		{Illuminant(7), 380, 10, 36, "unknown illuminant 7"},
	} {
		_, err := NewWeights(c.i, c.start, c.step, c.n)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: error %v, want %q", c, err, c.want)
		}
		if c.i == IlluminantD50 {
			if _, err := NewDensityWeights(c.start, c.step, c.n); err == nil {
				t.Errorf("density weights accept %+v", c)
			}
		}
	}
}

// Whatever is asked for, the answer is an error or weights that give white its white.
func TestAnyGrid(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		start := rapid.Float64Range(280, 440).Draw(r, "start")
		step := rapid.Float64Range(4, 22).Draw(r, "step")
		n := rapid.IntRange(-1, 140).Draw(r, "n")
		w, err := NewWeights(IlluminantD50, start, step, n)
		if err != nil {
			return
		}
		one := make([]float64, n)
		for i := range one {
			one[i] = 1
		}
		nearXYZ(t, "white", w.XYZ(one), D50, 2e-3)
		if _, err := NewDensityWeights(start, step, n); err != nil {
			r.Fatal(err)
		}
	})
}

func TestWrongLengths(t *testing.T) {
	w := mustWeights(t, IlluminantD50, 380, 10, 36)
	if got := w.XYZ(make([]float64, 35)); !math.IsNaN(got.X) || !math.IsNaN(got.Y) || !math.IsNaN(got.Z) {
		t.Errorf("35 bands give %v", got)
	}
	good, bad := make([]float64, 36), make([]float64, 37)
	if err := w.XYZs(make([]XYZ, 2), [][]float64{good, bad}); err == nil || !strings.Contains(err.Error(), "spectrum 1 has 37 bands, want 36") {
		t.Errorf("error %v", err)
	}
	if err := w.Labs(make([]Lab, 1), [][]float64{good, good}); err == nil {
		t.Error("no error for a short destination")
	}
}
