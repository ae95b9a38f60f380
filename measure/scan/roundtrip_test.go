package scan_test

import (
	"bytes"
	"fmt"
	"math"
	"sync"
	"testing"

	"swathkeeper/measure/chart"
	"swathkeeper/measure/colour"
	"swathkeeper/measure/madeup"
	"swathkeeper/measure/scan"
)

// The made-up printer's head: a step of 6.35 mm in 4 passes, rows of 1/600 inch (half as many under the race
// detector), and dead
// nozzles that leave one row of every step short of a quarter of its ink.
const stepMM = 6.35

// rows is the number of rows to the inch that the made-up printer prints.
var rows = map[bool]float64{true: 600, false: 300}[thorough]

// few shortens a list of cases under the race detector.
func few[T any](cases []T) []T {
	if thorough {
		return cases
	}
	return cases[:1]
}

var dead = map[string]float64{"C": 1.9, "M": 4.0, "K": 5.3} // phase in the step, mm

func share(l *chart.Layout) func(int, float64, float64) float64 {
	return func(c int, from, to float64) float64 {
		phase, ok := dead[l.Channels[c]]
		if !ok {
			return 1
		}
		if k := math.Ceil((from - phase) / stepMM); phase+k*stepMM < to {
			return 0.75
		}
		return 1
	}
}

// small is a chart on a small sheet, so that tests are quick; sheets are printed once.
var small = sync.OnceValue(func() *chart.Layout {
	l, err := chart.New(chart.Spec{ID: "pennant-cmyk", Mirrored: true, SizeMM: [2]float64{160, 140}, StepMM: stepMM, Passes: 4, Seed: 5})
	if err != nil {
		panic(err)
	}
	return l
})

var printed = sync.OnceValue(func() *madeup.Printed {
	l := small()
	p, err := madeup.Sheet{Layout: l, Number: "000412", Share: share(l), RowsPerInch: rows}.Print(0.15)
	if err != nil {
		panic(err)
	}
	return p
})

func lookup(l *chart.Layout) func(chart.Tag) (*chart.Layout, error) {
	return func(t chart.Tag) (*chart.Layout, error) {
		if t.Chart != l.ID || t.Edition != l.Edition {
			return nil, fmt.Errorf("no chart %q edition %q", t.Chart, t.Edition)
		}
		return l, nil
	}
}

func picture(t testing.TB, p *madeup.Picture) *scan.Picture {
	t.Helper()
	b, err := p.TIFF(true, nil)
	if err != nil {
		t.Fatal(err)
	}
	q, err := scan.Decode(bytes.NewReader(b), int64(len(b)), scan.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	return q
}

// ruled is the same sheet with bands 0.6 mm wide that lack cyan, magenta and yellow, every
// 12.7 mm, by which places can be told to micrometres even on knit; black stays whole, as the
// marks are black. Its printer prints 300 rows to the inch.
var ruled = sync.OnceValue(func() *madeup.Printed {
	p, err := madeup.Sheet{Layout: small(), Number: "000413", RowsPerInch: 300, Share: func(c int, from, to float64) float64 {
		if c < 3 && math.Mod((from+to)/2, 12.7) < 0.6 {
			return 0
		}
		return 1
	}}.Print(0.15)
	if err != nil {
		panic(err)
	}
	return p
})

// beds are the ways goods lie on the scanner. A real sensor has noise, which also makes 8 bits
// enough: without it the darkest patches would be half a step off.
var beds = []struct {
	name string
	f    madeup.Flatbed
}{
	{"300 dpi straight", madeup.Flatbed{DPI: 300, Bits: 8}},
	{"300 dpi, knit, turned, stretched, on goods", madeup.Flatbed{DPI: 300, Bits: 8, TurnDegrees: 2, Stretch: [2]float64{1.5, 1.5}, Flip: true, Knit: 0.02}},
	{"600 dpi, 16 bits, knit, turned, shrunk, on paper", madeup.Flatbed{DPI: 600, Bits: 16, TurnDegrees: -2, Stretch: [2]float64{-1.5, -1}, Knit: 0.02}},
	{"a quarter turn", madeup.Flatbed{DPI: 300, Bits: 8, Quarters: 1, TurnDegrees: 1, Flip: true}},
	{"upside down", madeup.Flatbed{DPI: 300, Bits: 8, Quarters: 2, TurnDegrees: -1}},
	{"three quarter turns, uneven", madeup.Flatbed{DPI: 300, Bits: 8, Quarters: 3, WaveMM: 0.2, Flip: true}},
	{"uneven, 3 %, lamp, dust", madeup.Flatbed{DPI: 300, Bits: 8, WaveMM: 0.2, Stretch: [2]float64{3, -3}, LampPercent: 4, Dust: 60}},
}

func TestRoundTripPatches(t *testing.T) {
	l := small()
	for _, c := range few(beds) {
		t.Run(c.name, func(t *testing.T) {
			c.f.Seed, c.f.Noise = 11, 0.005
			p, err := printed().Scan(c.f)
			if err != nil {
				t.Fatal(err)
			}
			r, err := scan.Read(picture(t, p), lookup(l), scan.Options{})
			if err != nil {
				t.Fatal(err)
			}
			t.Logf("turn %d %+.2f stretch %.2f shear %.2f warp %.3f place %.4f marks %d-%d warnings %q", r.Quarters, r.Degrees, r.Stretch, r.Shear, r.WarpMM, r.PlaceMM, r.Marks, r.MissingMarks, r.Warnings)
			if r.Tag != (chart.Tag{Chart: l.ID, Edition: l.Edition, Number: "000412"}) {
				t.Errorf("tag %+v", r.Tag)
			}
			stage := map[bool]string{true: "pressed", false: "transfer"}[c.f.Flip]
			if r.Mirrored != c.f.Flip || r.Stage != stage {
				t.Errorf("mirrored %v, stage %q; want %v, %q", r.Mirrored, r.Stage, c.f.Flip, stage)
			}
			if r.Quarters != c.f.Quarters || math.Abs(r.Degrees-c.f.TurnDegrees) > 0.5 {
				t.Errorf("turned %d quarters and %.2f degrees, want %d and %.2f", r.Quarters, r.Degrees, c.f.Quarters, c.f.TurnDegrees)
			}
			checkPatches(t, l, r)
		})
	}
}

// Every band in every trace lies within 0.02 mm of the truth.
func TestRoundTripPlaces(t *testing.T) {
	for _, c := range few(beds) {
		t.Run(c.name, func(t *testing.T) {
			c.f.Seed, c.f.Noise, c.f.Dust = 12, 0.005, 0 // a hair can lie along a band
			p, err := ruled().Scan(c.f)
			if err != nil {
				t.Fatal(err)
			}
			r, err := scan.Read(picture(t, p), lookup(small()), scan.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if len(r.Traces) != 8 {
				t.Fatalf("%d traces, want 8", len(r.Traces))
			}
			for _, tr := range r.Traces {
				if tr.Channel != "K" {
					checkBands(t, tr)
				}
			}
		})
	}
}

func checkPatches(t *testing.T, l *chart.Layout, r *scan.Reading) {
	t.Helper()
	s := madeup.Sheet{Layout: l}
	worst, id := 0.0, ""
	for i, p := range l.Patches {
		rgb := s.Reflectance(p.Device, patchShare(l, p))
		truth := colour.LinearRGB(rgb[0], rgb[1], rgb[2]).Lab(colour.D50)
		if d := colour.DE2000(r.Patches[i].Lab, truth); d > worst {
			worst, id = d, p.ID
		}
	}
	t.Logf("worst patch %s: %.3f", id, worst)
	if worst > 0.3 {
		t.Errorf("patch %s is %.2f from the truth", id, worst)
	}
}

// patchShare is the share of ink that dead nozzles leave a patch: a quarter is missing of one
// row in each step.
func patchShare(l *chart.Layout, p chart.Patch) []float64 {
	out := make([]float64, len(l.Channels))
	for i, c := range l.Channels {
		out[i] = 1
		if _, ok := dead[c]; ok {
			out[i] = 1 - 0.25*(25.4/rows)/stepMM
		}
	}
	return out
}

func checkBands(t *testing.T, tr scan.Trace) {
	t.Helper()
	const row = 25.4 / 300 // of the ruled sheet
	end := tr.StartMM + float64(len(tr.Values))*tr.PitchUM/1000
	worst, n := 0.0, 0
	for y := math.Ceil((tr.StartMM+1)/12.7) * 12.7; y < end-2; y += 12.7 {
		// The rows whose middles are within 0.6 mm from y lack ink.
		first, last := math.Ceil(y/row-0.5), math.Ceil((y+0.6)/row-0.5)-1
		truth := (first + last + 1) / 2 * row
		e := minimum(tr, truth) - truth
		if math.Abs(e) > math.Abs(worst) {
			worst = e
		}
		n++
	}
	t.Logf("%s: %d bands, worst %+.4f mm", tr.Strip, n, worst)
	if n < 6 || math.Abs(worst) > 0.02 {
		t.Errorf("%s: %d bands, the worst %+.4f mm from its place", tr.Strip, n, worst)
	}
}

// minimum is the centre of gravity of the light line near y.
func minimum(tr scan.Trace, y float64) float64 {
	pitch := tr.PitchUM / 1000
	at := func(k int) float64 { return tr.StartMM + float64(k)*pitch }
	k0 := int((y - tr.StartMM) / pitch)
	base, nb := 0.0, 0.0
	for k := k0 - 20; k <= k0+20; k++ {
		if k < 0 || k >= len(tr.Values) {
			continue
		}
		if d := math.Abs(at(k) - y); d > 0.8 {
			base += tr.Values[k]
			nb++
		}
	}
	base /= nb
	var w, s float64
	for k := k0 - 8; k <= k0+8; k++ {
		if k < 0 || k >= len(tr.Values) || math.Abs(at(k)-y) > 0.5 {
			continue
		}
		w += base - tr.Values[k]
		s += (base - tr.Values[k]) * at(k)
	}
	return s / w
}
