package chart

import (
	"fmt"
	"math"
	"slices"
)

// rampTints are the steps of each channel's ramp, in percent: closer together in the lights,
// where the tone curve bends most.
var rampTints = []float64{5, 10, 20, 30, 40, 50, 60, 70, 85, 100}

// shortRamp is used when the sheet has no room for the full one.
var shortRamp = []float64{10, 25, 50, 75, 100}

// field is a patch before it has a place. Fields of one twin number other than 0 are two
// copies of one colour, to be set far apart along the feed.
type field struct {
	device []float64
	house  string
	twin   int
}

// chooser collects fields up to a capacity.
type chooser struct {
	s      Spec
	out    []field
	room   int
	seen   map[string]bool
	twins  int
	inks   int    // channels that have a device value of their own
	colour [3]int // indices of the C, M, Y channels, or -1
	key    int    // index of the K channel, or -1
}

// choose fills n patches: white, ramps twice, house colours twice, overprints, near-neutrals,
// and mixed colours spread evenly through the device space for the rest.
func (s Spec) choose(n int) ([]field, error) {
	c := &chooser{s: s, room: n, seen: map[string]bool{}, inks: len(s.Channels), key: slices.Index(s.Channels, "K")}
	for i, name := range []string{"C", "M", "Y"} {
		c.colour[i] = slices.Index(s.Channels, name)
	}
	if s.Driven == DrivenRGB {
		c.colour, c.key = [3]int{0, 1, 2}, -1
	}
	if need := s.wanted(); n < need {
		return nil, bad("size_mm", "room for %d patches, but the ramps of %d channels and %d house colours need %d; use a larger sheet or smaller patches",
			n, c.inks, len(s.House), need)
	}
	ramp := rampTints
	if 2*c.inks*len(ramp)*10 > n*6 { // ramps should not take over six tenths
		ramp = shortRamp
	}
	for range max(4, n/40) {
		c.add(c.device(make([]float64, c.inks)), "", 0)
	}
	c.seen[fmt.Sprint(c.device(make([]float64, c.inks)))] = true
	for i := range c.inks {
		for _, t := range ramp {
			c.twice(c.mix(at{i, t}), "")
		}
	}
	for _, h := range s.House {
		c.twice(h.Device, h.Name)
	}
	c.overprints()
	c.neutrals()
	c.spread()
	return c.out, nil
}

// wanted is the least number of patches that gives white, short ramps, house colours and as
// many mixtures as ramp patches.
func (s Spec) wanted() int {
	return max(minPatches, 4*len(s.Channels)*len(shortRamp)+2*len(s.House)+4)
}

// at is one channel's tint in percent.
type at struct {
	channel int
	tint    float64
}

// mix makes device values of a few channels' tints, the others unprinted.
func (c *chooser) mix(parts ...at) []float64 {
	t := make([]float64, c.inks)
	for _, p := range parts {
		t[p.channel] = p.tint
	}
	return c.device(t)
}

// device turns tints into device values. Over the ink limit all tints are lowered alike.
// Tints are whole percents and RGB values whole numbers, as drivers take them.
func (c *chooser) device(t []float64) []float64 {
	sum := 0.0
	for i := range t {
		t[i] = min(100, max(0, t[i]))
		sum += t[i]
	}
	scale := 1.0
	if c.s.Driven == DrivenInk && sum > c.s.InkLimit {
		scale = c.s.InkLimit / sum
	}
	for i := range t {
		if c.s.Driven == DrivenRGB {
			t[i] = math.Round(255 - 2.55*t[i])
		} else {
			t[i] = math.Floor(t[i]*scale + 1e-9)
		}
	}
	return t
}

func (c *chooser) add(device []float64, house string, twin int) bool {
	if len(c.out) >= c.room {
		return false
	}
	c.out = append(c.out, field{device, house, twin})
	return true
}

// once adds a colour that the chart does not have yet.
func (c *chooser) once(device []float64) {
	if k := fmt.Sprint(device); !c.seen[k] && c.add(device, "", 0) {
		c.seen[k] = true
	}
}

// twice adds a colour as a pair.
func (c *chooser) twice(device []float64, house string) {
	c.twins++
	c.seen[fmt.Sprint(device)] = true
	c.add(slices.Clone(device), house, c.twins)
	c.add(slices.Clone(device), house, c.twins)
}

// overprints adds channels printed over each other: first all pairs of solids and half tones,
// then unequal pairs, then three at a time.
func (c *chooser) overprints() {
	for _, lv := range [][2]float64{{100, 100}, {50, 50}, {100, 50}, {50, 100}, {75, 75}, {25, 25}} {
		for i := range c.inks {
			for j := range i {
				c.once(c.mix(at{j, lv[0]}, at{i, lv[1]}))
			}
		}
	}
	a, b, y := c.colour[0], c.colour[1], c.colour[2]
	if a < 0 || b < 0 || y < 0 {
		return
	}
	for _, t := range []float64{100, 85, 70, 50, 30, 15} {
		c.once(c.mix(at{a, t}, at{b, t}, at{y, t}))
	}
	if c.key >= 0 {
		for _, t := range []float64{80, 60, 40, 20} {
			c.once(c.mix(at{a, t}, at{b, t}, at{y, t}, at{c.key, 100 - t}))
		}
	}
}

// neutrals adds greys made of the three colours, at several depths, and their neighbours in
// both directions of hue. Where magenta and yellow stand a little below cyan a print is about
// grey (common practice, no source); a driver takes equal R, G, B for grey.
func (c *chooser) neutrals() {
	a, b, y := c.colour[0], c.colour[1], c.colour[2]
	if a < 0 || b < 0 || y < 0 {
		return
	}
	k := 0.8
	if c.s.Driven == DrivenRGB {
		k = 1
	}
	grey := func(t, da, db, dy float64) {
		c.once(c.mix(at{a, t + da}, at{b, k*t + db}, at{y, k*t + dy}))
	}
	for _, t := range []float64{10, 20, 30, 40, 50, 60, 70, 80, 90} {
		grey(t, 0, 0, 0)
	}
	for _, t := range []float64{50, 25, 70} {
		for _, d := range [][3]float64{{6, 0, 0}, {-6, 0, 0}, {0, 6, 0}, {0, -6, 0}, {0, 0, 6}, {0, 0, -6}} {
			grey(t, d[0], d[1], d[2])
		}
	}
	if c.key >= 0 {
		for _, t := range []float64{15, 30, 45} {
			c.once(c.mix(at{a, t}, at{b, k * t}, at{y, k * t}, at{c.key, t}))
		}
	}
}

// spread fills the rest with mixtures of two to five channels whose tints follow a Halton
// sequence (Halton 1960), which covers the space evenly at every length.
func (c *chooser) spread() {
	for n := 1; len(c.out) < c.room && n < 100000; n++ {
		t := make([]float64, c.inks)
		// Which channels take part turns with n, so that all pairs and triples come by.
		parts := min(c.inks, 2+n%4)
		for k := range parts {
			ch := (n/4 + k*(1+n/(4*c.inks)%max(1, c.inks-1))) % c.inks
			t[ch] = math.Round(10 + 85*halton(n, primes[k]))
		}
		c.once(c.device(t))
	}
	for len(c.out) < c.room { // one channel alone has no mixtures
		c.add(c.device(make([]float64, c.inks)), "", 0)
	}
}

var primes = []int{2, 3, 5, 7, 11}

// halton is the radical inverse of n in base b, in (0, 1).
func halton(n, b int) float64 {
	f, r := 1.0, 0.0
	for ; n > 0; n /= b {
		f /= float64(b)
		r += f * float64(n%b)
	}
	return r
}
