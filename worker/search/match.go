package search

import (
	"math"
	"slices"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/pair"
	"swathkeeper/protocol"
	"swathkeeper/protocol/measurement"
)

// deviceChannels names what a chart's device values are of.
func deviceChannels(c *protocol.Chart) []string {
	if c.Driven == protocol.DrivenRGB {
		return []string{"R", "G", "B"}
	}
	return c.Channels
}

// channelOrder is where a file has the device values of each of the chart's channels; nil where it
// has others.
func channelOrder(c *protocol.Chart, f *measurement.File) []int {
	channels := deviceChannels(c)
	if len(f.Channels) != len(channels) {
		return nil
	}
	order := make([]int, len(channels))
	for i, name := range channels {
		if order[i] = slices.Index(f.Channels, name); order[i] < 0 {
			return nil
		}
	}
	return order
}

// equals gives patches that have no colour yet that of the file's patch with the same device values,
// to what rounding leaves, and counts them.
func equals(c *protocol.Chart, f *measurement.File, wanted []colour.Lab, into []*[3]float64) int {
	order := channelOrder(c, f)
	if f.Device == nil || order == nil {
		return 0
	}
	tolerance := pair.DeviceTolerance
	if c.Driven == protocol.DrivenRGB {
		tolerance *= 2.55
	}
	n := 0
	for p := range c.Patches {
		if into[p] != nil {
			continue
		}
		best, off := -1, tolerance
		for k, row := range f.Device {
			far := 0.0
			for i, at := range order {
				far = max(far, math.Abs(row[at]-c.Patches[p].Device[i]))
			}
			if far < off || far == off && best < 0 {
				best, off = k, far
			}
		}
		if best >= 0 {
			v := wanted[best]
			into[p] = &[3]float64{v.L, v.A, v.B}
			n++
		}
	}
	return n
}

// chartText names a chart and its edition.
func chartText(id, edition string) string {
	if edition == "" {
		return id
	}
	return id + " edition " + edition
}
