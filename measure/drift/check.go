package drift

import (
	"fmt"
	"math"

	"swathkeeper/measure/colour"
)

// validate checks that a layout can be worked with.
func (c *Chart) validate() error {
	bad := func(code, hint, format string, args ...any) error {
		return &UnusableError{Code: code, Text: fmt.Sprintf(format, args...), Hint: hint}
	}
	n := len(c.IDs)
	switch {
	case n < 4:
		return bad("layout", "a chart needs at least 4 patches", "the chart has %d patches", n)
	case len(c.Device) != n:
		return bad("layout", "give one row of device values for each patch", "%d patch ids but %d rows of device values", n, len(c.Device))
	case len(c.Channels) == 0 || len(c.Channels) > maxChannels:
		return bad("layout", fmt.Sprintf("name 1 to %d channels", maxChannels), "the chart has %d channels", len(c.Channels))
	case c.Driven != DrivenInk && c.Driven != DrivenRGB:
		return bad("layout", `driven is "ink" or "rgb"`, "driven is %q", c.Driven)
	case c.Driven == DrivenRGB && len(c.Channels) != 3:
		return bad("layout", "a chart driven by rgb has 3 channels, the complements of red, green and blue", "driven by rgb but %d channels", len(c.Channels))
	case c.Row != nil && len(c.Row) != n || c.Col != nil && len(c.Col) != n:
		return bad("layout", "give a row and a column for each patch or for none", "%d patch ids but %d rows and %d columns", n, len(c.Row), len(c.Col))
	case c.House != nil && len(c.House) != n:
		return bad("layout", "give a house colour name or an empty one for each patch", "%d patch ids but %d house colour names", n, len(c.House))
	}
	seen := make(map[string]int, n)
	for p, id := range c.IDs {
		if q, ok := seen[id]; ok {
			return bad("duplicate", "each patch id may occur once", "patch id %q stands at places %d and %d", id, q+1, p+1)
		}
		seen[id] = p
	}
	names := make(map[string]bool, len(c.Channels))
	for _, name := range c.Channels {
		if name == "" || names[name] {
			return bad("duplicate", "each channel needs a name of its own", "channel name %q is empty or occurs twice", name)
		}
		names[name] = true
	}
	top := 100.0
	if c.Driven == DrivenRGB {
		top = 255
	}
	for p, row := range c.Device {
		if len(row) != len(c.Channels) {
			return bad("layout", "give one device value for each channel", "patch %q has %d device values for %d channels", c.IDs[p], len(row), len(c.Channels))
		}
		for i, v := range row {
			if math.IsNaN(v) || v < 0 || v > top {
				return bad("layout", fmt.Sprintf("device values run from 0 to %g", top), "patch %q asks for %g of %s", c.IDs[p], v, c.Channels[i])
			}
		}
	}
	return nil
}

// check refuses a reading from which nothing may be concluded, without a baseline to compare it to.
func (s *Sample) check(c *Chart, maxMissing float64) error {
	bad := func(code, hint, format string, args ...any) error {
		return &UnusableError{Code: code, Text: fmt.Sprintf(format, args...), Hint: hint}
	}
	n := len(c.IDs)
	if len(s.Lab) != n {
		return bad("size", "give one colour for each patch of the chart", "%d colours for a chart of %d patches", len(s.Lab), n)
	}
	if s.Missing != nil && len(s.Missing) != n {
		return bad("size", "mark every patch as read or missing", "%d marks of missing patches for a chart of %d", len(s.Missing), n)
	}
	missing, have := 0, 0
	var first colour.Lab
	lowL, highL, most := math.Inf(1), math.Inf(-1), 0.0
	equal := true
	for p, v := range s.Lab {
		if s.Missing != nil && s.Missing[p] {
			missing++
			continue
		}
		if !v.IsFinite() {
			return bad("not_finite", "read the chart again", "patch %q reads %g, %g, %g", c.IDs[p], v.L, v.A, v.B)
		}
		if have == 0 {
			first = v
		}
		have++
		equal = equal && v == first
		lowL, highL = min(lowL, v.L), max(highL, v.L)
		most = max(most, math.Abs(v.A), math.Abs(v.B))
	}
	if float64(missing) > maxMissing*float64(n) {
		return bad("missing", "read the chart again, whole", "%d of %d patches are missing, more than %.0f %%", missing, n, 100*maxMissing)
	}
	switch {
	case have == 0:
		return bad("missing", "read the chart again, whole", "no patch was read")
	case equal && have > 1:
		return bad("equal", "check the instrument and the file", "all %d patches read the same colour (L* %.2f)", have, first.L)
	case highL <= 2: // whatever a* and b* are: they may be left as they were
		return bad("scale", "L* runs from 0 to 100: multiply, or write XYZ with Y = 100 for white", "the lightest patch reads L* %.3g: the values look like a scale of 0 to 1", highL)
	case highL <= 9.1: // L* of Y = 1; no chart holds nothing but such darks
		return bad("scale", "X, Y, Z run to about 100, L* from 0 to 100: write Y = 100 for the perfect white", "the lightest patch reads L* %.3g: the values look like X, Y, Z with Y = 1 for white", highL)
	case highL > 130 || lowL < -10 || most > 200:
		return bad("scale", "L* runs from 0 to 100, a* and b* from about -130 to 130", "values reach L* %.4g to %.4g, a* or b* %.4g", lowL, highL, most)
	}
	if sp := s.Spectra; sp != nil {
		if len(sp.Values) != n {
			return bad("size", "give one spectrum for each patch", "%d spectra for a chart of %d patches", len(sp.Values), n)
		}
		for p, v := range sp.Values {
			if s.Missing != nil && s.Missing[p] {
				continue
			}
			if len(v) != len(sp.Values[0]) || len(v) < 3 {
				return bad("size", "all spectra have the same bands", "the spectrum of patch %q has %d bands", c.IDs[p], len(v))
			}
			for _, r := range v {
				if math.IsNaN(r) || r < -0.05 || r > 3 {
					return bad("scale", "reflectance runs from 0 to 1, a little more on brightened white", "the spectrum of patch %q holds %g", c.IDs[p], r)
				}
			}
		}
	}
	return nil
}
