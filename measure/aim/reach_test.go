package aim

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
)

func sheetOf(t *testing.T) (*madeup.Shop, drift.Chart, []colour.Lab) {
	t.Helper()
	cfg := madeup.DefaultConfig()
	cfg.Chart = madeup.RGBChart()
	shop, err := madeup.NewShop(5, cfg)
	if err != nil {
		t.Fatal(err)
	}
	r, err := shop.Exact(madeup.Pressed, madeup.Faults{})
	if err != nil {
		t.Fatal(err)
	}
	return shop, drift.Chart(*shop.Chart()), r.Lab
}

func TestPull(t *testing.T) {
	_, chart, labs := sheetOf(t)
	reach := NewReach(&chart)
	if err := reach.Add(labs, nil); err != nil {
		t.Fatal(err)
	}
	// What was printed is within reach.
	p := reach.Pull(labs)
	if p.Out != 0 {
		t.Errorf("%d of the print's own colours are out of its reach", p.Out)
	}
	// So is what lies between two patches of one ramp; and nothing prints lighter than the paper,
	// deeper than the deepest black, or as pure as laser light.
	e, err := EndsOf(&chart, labs, nil)
	if err != nil {
		t.Fatal(err)
	}
	out := []colour.Lab{{L: e.White.L + 8, A: e.White.A, B: e.White.B}, {L: 55, A: -120, B: 80}, {L: 2}}
	p = reach.Pull(out)
	if p.Out != 3 {
		t.Fatalf("%d of 3 impossible colours are out of reach: moved %v", p.Out, p.Moved)
	}
	for i := range out {
		// The pulled colour is nearer than any patch, or one of them.
		best := math.Inf(1)
		for _, c := range labs {
			best = min(best, colour.DE2000(c, out[i]))
		}
		if d := colour.DE2000(p.Aim[i], out[i]); d > best+1e-9 || math.Abs(d-p.Moved[i]) > 1e-9 {
			t.Errorf("%+v is pulled by %.2f, said %.2f; the nearest patch is %.2f away", out[i], d, p.Moved[i], best)
		}
	}
	if h := p.Aim[1].Hue() - out[1].Hue(); math.Abs(h) > 25 {
		t.Errorf("a pure green's hue turns by %.0f degrees when it is pulled", h)
	}
	// Screen colours of the chart: some pure ones are beyond any dye on fabric, greys are not.
	aims, err := Screen(chart.Device, e)
	if err != nil {
		t.Fatal(err)
	}
	p = reach.Pull(aims)
	if p.Out == 0 || p.Out > len(aims)/2 {
		t.Errorf("%d of %d screen colours are out of reach", p.Out, len(aims))
	}
	for i, v := range chart.Device {
		// (The lightest greys may be: ink takes the brightener's glow away, which a grey as blue as
		// the paper would need.)
		if v[0] == v[1] && v[1] == v[2] && v[0] < 200 && p.Moved[i] != 0 {
			t.Errorf("grey %v is out of reach, by %.1f", v, p.Moved[i])
		}
	}
	if err := reach.Add(labs[:5], nil); err == nil {
		t.Error("a print of another length is taken")
	}
}

func TestEnds(t *testing.T) {
	_, chart, labs := sheetOf(t)
	e, err := EndsOf(&chart, labs, nil)
	if err != nil {
		t.Fatal(err)
	}
	if e.White.L < 90 || e.Black.L > 30 {
		t.Errorf("ends %+v", e)
	}
	chart.Device = append([][]float64(nil), chart.Device...)
	for p := range chart.Device {
		if chart.Device[p][0] == 255 {
			chart.Device[p] = []float64{200, chart.Device[p][1], chart.Device[p][2]}
		}
	}
	if _, err := EndsOf(&chart, labs, nil); err == nil {
		t.Error("a chart without unprinted patches has a white")
	}
}

// TestEndsSpots: one bad reading on the darkest tint, on a light one or on the bare fabric moves
// neither end by much; a sheet with nothing on it is refused by the patch's name.
func TestEndsSpots(t *testing.T) {
	_, one, once := sheetOf(t)
	chart := drift.Chart{Channels: one.Channels, Driven: one.Driven}
	var labs []colour.Lab
	for k := range 3 {
		for p, id := range one.IDs {
			chart.IDs = append(chart.IDs, fmt.Sprint(id, "-", k))
			chart.Device, labs = append(chart.Device, one.Device[p]), append(labs, once[p])
		}
	}
	want, err := EndsOf(&chart, labs, nil)
	if err != nil {
		t.Fatal(err)
	}
	find := func(level float64) int {
		return slices.IndexFunc(chart.Device, func(v []float64) bool { return v[0] == level && v[1] == level && v[2] == level })
	}
	light := slices.IndexFunc(chart.Device, func(v []float64) bool { return v[0]+v[1]+v[2] > 600 && v[0]+v[1]+v[2] < 765 })
	for name, p := range map[string]int{"black": find(0), "light": light, "bare": find(255)} {
		spoilt := slices.Clone(labs)
		spoilt[p] = colour.Lab{L: 2}
		got, err := EndsOf(&chart, spoilt, nil)
		if err != nil || colour.DE76(got.White, want.White) > 0.5 || colour.DE76(got.Black, want.Black) > 0.5 {
			t.Errorf("a spot on %s takes the ends from %+v to %+v, %v", name, want, got, err)
		}
	}
	for p := range labs {
		labs[p] = colour.Lab{L: 84.5}
	}
	_, err = EndsOf(&chart, labs, nil)
	if err == nil || !strings.Contains(err.Error(), "patch ") || !strings.Contains(err.Error(), "read it again") {
		t.Errorf("an unprinted sheet: %v", err)
	}
}

// TestCastWithout: patches without an aim take no part in what counts as light and dark.
func TestCastWithout(t *testing.T) {
	_, chart, labs := sheetOf(t)
	aims, weight := slices.Clone(labs), make([]float64, len(labs))
	for p, c := range labs {
		if c.L > 45 {
			weight[p] = 1
		}
	}
	want := Cast(&chart, aims, labs, nil, weight)
	for p := range aims {
		if weight[p] == 0 {
			aims[p] = colour.Lab{}
		}
	}
	if got := Cast(&chart, aims, labs, nil, weight); !slices.Equal(got, want) {
		t.Errorf("what is no aim sorts the patches: %+v, before %+v", got, want)
	}
}

func TestCast(t *testing.T) {
	_, chart, labs := sheetOf(t)
	if w := Words(Cast(&chart, labs, labs, nil, nil)); w != "everything is right" {
		t.Errorf("a print that is its own aim: %q", w)
	}
	light, dark := 0.0, 100.0
	for _, c := range labs {
		light, dark = max(light, c.L), min(dark, c.L)
	}
	tints := chart.Tints()
	off := append([]colour.Lab(nil), labs...)
	for p, c := range labs {
		depth := (light - c.L) / (light - dark)
		switch {
		case printed(tints[p]) == 0 || solid(tints[p]):
		case depth > 0.67:
			off[p].L += 5
		case depth >= 0.33:
			off[p] = colour.Lab{L: c.L - 1.5, A: c.A + 3.1, B: c.B}
		}
	}
	want := "paper, light tones and solids are right; mid-tones too red by 3.1 and a little dark (1.5); darks lacking depth by 5.0"
	if w := Words(Cast(&chart, labs, off, nil, nil)); w != want {
		t.Errorf("got  %q\nwant %q", w, want)
	}
	for k, want := range []string{"red", "orange", "yellow", "yellow-green", "green", "blue-green", "blue", "magenta"} {
		a := float64(k) * math.Pi / 4
		if got := Toward(math.Cos(a), math.Sin(a)); got != want {
			t.Errorf("%d degrees is called %s, not %s", k*45, got, want)
		}
	}
}
