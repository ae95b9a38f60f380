package drift_test

import (
	"errors"
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
