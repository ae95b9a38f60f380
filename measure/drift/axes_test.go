package drift_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
)

// TestWrongAxes: a coordinate with its sign turned, two channels exchanged, another scale or another
// white point are refused by name: no printer does that.
func TestWrongAxes(t *testing.T) {
	t.Parallel()
	for _, halftone := range []bool{false, true} {
		p := newPhysics(t, 8, halftone, 10)
		good := p.read(20, trouble{})
		of := func(f func(c colour.Lab) colour.Lab) drift.Sample {
			s := drift.Sample{Day: good.Day}
			for _, c := range good.Lab {
				s.Lab = append(s.Lab, f(c))
			}
			return s
		}
		exchanged := func(a, b int) drift.Sample {
			q := *p
			q.chart.Device = nil
			for _, d := range p.chart.Device {
				d = append([]float64(nil), d...)
				d[a], d[b] = d[b], d[a]
				q.chart.Device = append(q.chart.Device, d)
			}
			return q.read(20, trouble{})
		}
		for name, c := range map[string]struct {
			sample     drift.Sample
			code, says string
		}{
			"a* turned": {of(func(c colour.Lab) colour.Lab { c.A = -c.A; return c }), "scale", "a* has the wrong sign"},
			"b* turned": {of(func(c colour.Lab) colour.Lab { c.B = -c.B; return c }), "scale", "b* has the wrong sign"},
			"L* turned": {of(func(c colour.Lab) colour.Lab { c.L = 100 - c.L; return c }), "scale", "L* has the wrong sign"},
			"a* is L*":  {of(func(c colour.Lab) colour.Lab { c.A = c.L / 2; return c }), "scale", "a* has nothing"},
			"L* is Y":   {of(func(c colour.Lab) colour.Lab { c.L = c.XYZ(colour.D50).Y; return c }), "scale", "L* looks like Y"},
			"C and M":   {exchanged(0, 1), "order", "C and M seem exchanged"},
			"Y and M":   {exchanged(1, 2), "order", "M and Y seem exchanged"},
			"K and C":   {exchanged(0, 3), "order", "C and K seem exchanged"},
			"half":      {of(func(c colour.Lab) colour.Lab { return colour.Lab{L: c.L / 2, A: c.A / 2, B: c.B / 2} }), "scale", "another scale"},
			"of D65":    {of(func(c colour.Lab) colour.Lab { return c.XYZ(colour.D50).Lab(colour.D65) }), "scale", "another white point"},
			"XYZ of Y to 1": {of(func(c colour.Lab) colour.Lab {
				x := c.XYZ(colour.D50)
				return colour.XYZ{X: x.X / 100, Y: x.Y / 100, Z: x.Z / 100}.Lab(colour.D50)
			}), "scale", "Y = 1"},
		} {
			r, _, err := p.model.Judge(c.sample, drift.State{})
			var u *drift.UnusableError
			if !errors.As(err, &u) {
				t.Errorf("halftone %v, %s: taken, level %q, mean %.1f", halftone, name, r.Level, r.MeanDE00)
			} else if u.Code != c.code || !strings.Contains(u.Text, c.says) {
				t.Errorf("halftone %v, %s: %s: %v", halftone, name, u.Code, u)
			}
		}
	}
}

// TestOtherScaleWithoutBarePatches: on a chart that leaves nothing unprinted the lightest patches tell
// another scale and another white point, in a reading to be judged and in one to learn from; what a
// printer can do to such a chart is judged and not refused.
func TestOtherScaleWithoutBarePatches(t *testing.T) {
	t.Parallel()
	for _, halftone := range []bool{false, true} {
		p := newPhysics(t, 9, halftone, 0)
		var base []drift.Sample
		for d := range 10 {
			base = append(base, p.read(d, trouble{}))
		}
		faults := map[string]trouble{
			"all much stronger": {strength: map[string]float64{"C": 30, "M": 30, "Y": 30, "K": 30}},
			"all much weaker":   {strength: map[string]float64{"C": -50, "M": -50, "Y": -50, "K": -50}},
			"yellow is out":     {strength: map[string]float64{"Y": -100}},
			"black tripled":     {strength: map[string]float64{"K": 200}},
			"brown goods":       {paper: [3]float64{-0.5, -0.3, -0.1}},
		}
		good := p.read(20, trouble{})
		readings := []drift.Sample{good}
		var names []string
		for name, f := range faults {
			names, readings = append(names, name), append(readings, p.read(20, f))
		}
		chart, all := pick(p.chart, append(slices.Clone(base), readings...), func(d []float64) bool { return slices.Max(d) > 0 })
		base, readings = all[:10], all[10:]
		p.chart = chart
		p.learn(t, base)
		of := func(f func(c colour.Lab) colour.Lab) drift.Sample {
			s := drift.Sample{Day: "2026-01-05"}
			for _, c := range readings[0].Lab {
				s.Lab = append(s.Lab, f(c))
			}
			return s
		}
		for name, s := range map[string]drift.Sample{
			"half":      of(func(c colour.Lab) colour.Lab { return colour.Lab{L: c.L / 2, A: c.A / 2, B: c.B / 2} }),
			"L* halved": of(func(c colour.Lab) colour.Lab { c.L /= 2; return c }),
			"of 255": of(func(c colour.Lab) colour.Lab {
				return colour.Lab{L: c.L * 100 / 255, A: c.A * 100 / 255, B: c.B * 100 / 255}
			}),
			"of D65":        of(func(c colour.Lab) colour.Lab { return c.XYZ(colour.D50).Lab(colour.D65) }),
			"D65 taken D50": of(func(c colour.Lab) colour.Lab { return c.XYZ(colour.D65).Lab(colour.D50) }),
		} {
			var u *drift.UnusableError
			if r, _, err := p.model.Judge(s, drift.State{}); !errors.As(err, &u) || u.Code != "scale" {
				t.Errorf("halftone %v, %s: %v, level %q, mean %.1f", halftone, name, err, r.Level, r.MeanDE00)
			}
			if _, err := drift.Learn(chart, append(slices.Clone(base), s), drift.Options{}); !errors.As(err, &u) || u.Code != "scale" || !strings.Contains(err.Error(), "reading 11 of 11") {
				t.Errorf("halftone %v, %s, learned from: %v", halftone, name, err)
			}
		}
		for i, name := range names {
			var u *drift.UnusableError
			if _, _, err := p.model.Judge(readings[i+1], drift.State{}); errors.As(err, &u) && u.Code == "scale" {
				t.Errorf("halftone %v, %s: %v", halftone, name, err)
			}
		}
	}
}
