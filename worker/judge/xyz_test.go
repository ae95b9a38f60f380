package judge

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/madeup"
	"swathkeeper/protocol"
)

// asXYZ is the same reading as an instrument gives it that writes X, Y, Z alone, to so many decimals.
func asXYZ(r *protocol.Reading, decimals float64) *protocol.Reading {
	out := *r
	out.Patches = &protocol.Patches{ID: r.Patches.ID}
	k := math.Pow(10, decimals)
	for _, v := range r.Patches.Lab {
		x := colour.Lab{L: v[0], A: v[1], B: v[2]}.XYZ(colour.D50)
		out.Patches.XYZ = append(out.Patches.XYZ, [3]float64{math.Round(x.X*k) / k, math.Round(x.Y*k) / k, math.Round(x.Z*k) / k})
	}
	return &out
}

// TestXYZAlone: a shop whose instrument gives X, Y, Z alone gets the verdicts that L*, a*, b* would
// give, from the reading's message to the stored baseline and to the findings, and the two may be mixed.
func TestXYZAlone(t *testing.T) {
	w := newWorld(t)
	var labs, xyzs []*protocol.Reading
	for range 10 {
		r := w.read(madeup.Faults{}, nil)
		labs, xyzs = append(labs, r), append(xyzs, asXYZ(r, 4))
	}
	learn := func(good []*protocol.Reading) *Model {
		t.Helper()
		b, err := Learn("0198c5a4-7b1e-5c3a-9f0e-2a6d1c4b8e11", w.chart, good, Options{})
		if err != nil {
			t.Fatal(err)
		}
		data, err := b.Encode()
		if err != nil {
			t.Fatal(err)
		}
		if b, err = DecodeBaseline(data); err != nil {
			t.Fatal(err)
		}
		m, err := Prepare(b)
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	byLab, byXYZ := learn(labs), learn(xyzs)
	var stLab, stXYZ, stMixed State
	found := 0
	for i, f := range []madeup.Faults{
		{}, {Ink: map[string]madeup.InkFault{"M": {StrengthPercent: -8}}}, {Ink: map[string]madeup.InkFault{"C": {HueNM: 6}}},
		{Press: madeup.Press{Celsius: -12, Seconds: -10}}, {Media: madeup.Media{Lightness: -1, Yellowness: 3}}, {Flare: 0.01}, {},
	} {
		lab := w.read(f, nil)
		// Through the message, as the bus carries it.
		data, err := json.Marshal(asXYZ(lab, 4))
		if err != nil {
			t.Fatal(err)
		}
		xyz, err := protocol.DecodeReading(data)
		if err != nil {
			t.Fatal(err)
		}
		if xyz.Patches.Lab != nil {
			t.Fatal("the message holds L*, a*, b* too")
		}
		var of [3]*protocol.Verdict
		of[0], stLab = w.judge(byLab, stLab, lab)
		of[1], stXYZ = w.judge(byXYZ, stXYZ, xyz)
		of[2], stMixed = w.judge(byLab, stMixed, xyz)
		a := of[0]
		for k, v := range of[1:] {
			if v.Outcome != a.Outcome || len(v.Findings) != len(a.Findings) {
				t.Errorf("reading %d, way %d: %s with %d findings, by L*, a*, b* %s with %d", i, k, v.Outcome, len(v.Findings), a.Outcome, len(a.Findings))
				continue
			}
			for j := range v.Findings {
				if v.Findings[j].Advice != a.Findings[j].Advice || v.Findings[j].Channel != a.Findings[j].Channel {
					t.Errorf("reading %d, way %d: %s %s, by L*, a*, b* %s %s", i, k, v.Findings[j].Advice, v.Findings[j].Channel, a.Findings[j].Advice, a.Findings[j].Channel)
				}
				found++
			}
			// A print of the same chart differs from the next by 0.3 in the mean; these by rounding.
			if d := math.Abs(v.Colour.MeanDE00 - a.Colour.MeanDE00); d > 0.005 {
				t.Errorf("reading %d, way %d: mean differs by %.4f", i, k, d)
			}
			for c := range v.Colour.Channels {
				if d := math.Abs(v.Colour.Channels[c].StrengthPercent - a.Colour.Channels[c].StrengthPercent); d > 0.1 {
					t.Errorf("reading %d, way %d: strength of %s differs by %.3f %%", i, k, v.Colour.Channels[c].Channel, d)
				}
			}
		}
	}
	if found < 5 {
		t.Errorf("only %d findings were compared", found)
	}
}

// TestXYZOnTheWrongScale: X, Y, Z with Y = 1 for white look like a chart of blacks; it is refused by name.
func TestXYZOnTheWrongScale(t *testing.T) {
	w := newWorld(t)
	m := w.baseline(5, false)
	r := asXYZ(w.read(madeup.Faults{}, nil), 6)
	for i := range r.Patches.XYZ {
		for k := range 3 {
			r.Patches.XYZ[i][k] /= 100
		}
	}
	v, _ := w.judge(m, State{}, r)
	if v.Outcome != protocol.Unusable || !slices.ContainsFunc(v.Warnings, func(x string) bool { return strings.Contains(x, "Y = 1 ") }) {
		t.Errorf("%s, warnings %+v", v.Outcome, v.Warnings)
	}
}
