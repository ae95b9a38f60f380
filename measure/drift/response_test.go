package drift

import (
	"math"
	"testing"

	"swathkeeper/measure/colour"
)

// TestResponse fits clear layers over each other (Bouguer, Lambert, Beer: log reflectances add),
// whose colours at tints that the chart does not hold follow from the law itself.
func TestResponse(t *testing.T) {
	ink := [3][3]float64{{-2.2, -0.9, -0.3}, {-0.6, -2.0, -0.9}, {-0.05, -0.2, -2.4}}
	law := func(tint [3]float64) colour.Lab {
		var z [3]float64
		for c, v := range tint {
			for b := range z {
				z[b] += ink[c][b] * v
			}
		}
		return LabOf(z)
	}
	chart := Chart{Channels: []string{"C", "M", "Y"}, Driven: DrivenInk}
	var labs []colour.Lab
	for i := range 125 {
		v := [3]float64{float64(i % 5), float64(i / 5 % 5), float64(i / 25)}
		chart.IDs = append(chart.IDs, string(rune('A'+i/25))+string(rune('a'+i%25)))
		chart.Device = append(chart.Device, []float64{25 * v[0], 25 * v[1], 25 * v[2]})
		labs = append(labs, law([3]float64{v[0] / 4, v[1] / 4, v[2] / 4}))
	}
	r, err := NewResponse(&chart, labs, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, tint := range [][3]float64{{0.1, 0.6, 0.35}, {0.9, 0.05, 0.5}, {0.4, 0.4, 0.4}, {1.1, 0.2, 0}} {
		if d := colour.DE2000(LabOf(r.Logs(tint[:])), law(tint)); d > 1 {
			t.Errorf("at tints %v the response is %.2f dE00 off the law", tint, d)
		}
	}
	c := colour.Lab{L: 40, A: 20, B: -30}
	if d := colour.DE76(LabOf(LogsOf(c)), c); d > 1e-9 {
		t.Errorf("there and back moves a colour by %g", d)
	}
	if z := r.Logs([]float64{-1, 0, 0}); math.IsNaN(z[0]) {
		t.Error("a tint below 0 gives no number")
	}
	have := make([]bool, len(labs))
	if _, err := NewResponse(&chart, labs, have); err == nil {
		t.Error("a chart without any reading is fitted")
	}
	chart.Device = chart.Device[:3]
	if _, err := NewResponse(&chart, labs, nil); err == nil {
		t.Error("a damaged layout is taken")
	}
}
