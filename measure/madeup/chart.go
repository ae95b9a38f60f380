package madeup

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
)

// What a chart's device values mean.
const (
	DrivenInk = "ink" // tints per ink in percent, 0..100
	DrivenRGB = "rgb" // values asked of the driver, 0..255
)

// Chart is a control chart as far as colour needs it. All slices but Channels run over the
// patches. Its fields are those of drift.Chart, so that one converts to the other.
type Chart struct {
	Channels []string // columns of Device; for DrivenRGB the complements, C, M, Y
	Driven   string   // DrivenInk or DrivenRGB
	IDs      []string // each once
	Device   [][]float64
	Row, Col []int    // places on the sheet from 1
	House    []string // names of colours the shop sells by, "" for the others
}

// tint returns what is asked of channel i in patch p, 0..1 (1 - v/255 for rgb).
func (c *Chart) tint(p, i int) float64 {
	if c.Driven == DrivenRGB {
		return 1 - c.Device[p][i]/255
	}
	return c.Device[p][i] / 100
}

// Rows returns the number of rows of the sheet.
func (c *Chart) Rows() int { return slices.Max(c.Row) }

// validate refuses a chart that cannot be printed.
func (c *Chart) validate() error {
	n, top := len(c.IDs), 100.0
	switch {
	case n == 0:
		return fmt.Errorf("no patches")
	case c.Driven == DrivenRGB && len(c.Channels) != 3:
		return fmt.Errorf("%d channels, want 3 for rgb", len(c.Channels))
	case c.Driven == DrivenRGB:
		top = 255
	case c.Driven != DrivenInk:
		return fmt.Errorf("driven by %q, want %q or %q", c.Driven, DrivenInk, DrivenRGB)
	}
	if len(c.Device) != n || (c.Row != nil && len(c.Row) != n) || (c.Col != nil && len(c.Col) != n) {
		return fmt.Errorf("%d ids, %d device rows, %d rows, %d columns", n, len(c.Device), len(c.Row), len(c.Col))
	}
	for p, d := range c.Device {
		if len(d) != len(c.Channels) {
			return fmt.Errorf("patch %s: %d device values, want %d", c.IDs[p], len(d), len(c.Channels))
		}
		for _, v := range d {
			if !(v >= 0 && v <= top) {
				return fmt.Errorf("patch %s: device value %g is outside 0..%g", c.IDs[p], v, top)
			}
		}
	}
	return nil
}

// CMYKChart has 360 patches in 20 rows of 18: 8 of paper white, each ink's ramp of 10 steps
// twice in different halves of the sheet, overprints of two to four inks, near-neutrals, three
// house colours, and a spread of mixtures. Places are shuffled, the same way each time.
func CMYKChart() *Chart {
	b := builder{channels: []string{"C", "M", "Y", "K"}, driven: DrivenInk, top: 100, rows: 20, cols: 18}
	b.whites(8)
	b.ramps([]float64{10, 20, 30, 40, 50, 60, 70, 80, 90, 100})
	b.pairs([]float64{40, 70, 100})
	for _, c := range []float64{40, 70, 100} {
		for _, m := range []float64{40, 70, 100} {
			for _, y := range []float64{40, 70, 100} {
				b.add("", c, m, y, 0)
			}
		}
	}
	b.neutrals()
	b.add("", 100, 100, 100, 100)
	b.add("", 60, 60, 60, 100)
	b.house(map[string][]float64{"pennant red": {0, 95, 85, 5}, "pennant blue": {95, 70, 0, 10}, "pennant gold": {0, 30, 95, 0}})
	b.fill()
	return b.place(1)
}

// LightChart has 400 patches in 20 rows of 20 for six inks: C, M, Y, K and the light LC, LM.
func LightChart() *Chart {
	b := builder{channels: InkNames(), driven: DrivenInk, top: 100, rows: 20, cols: 20}
	b.whites(8)
	b.ramps([]float64{10, 20, 30, 40, 50, 60, 70, 80, 90, 100})
	b.pairs([]float64{50, 100})
	b.neutrals()
	b.fill()
	return b.place(3)
}

// RGBChart has 320 patches in 20 rows of 16 for a printer behind an RGB driver.
func RGBChart() *Chart {
	b := builder{channels: []string{"C", "M", "Y"}, driven: DrivenRGB, top: 255, rows: 20, cols: 16}
	b.whites(8)
	b.ramps([]float64{10, 20, 30, 40, 50, 60, 70, 80, 90, 100})
	b.pairs([]float64{40, 70, 100})
	for v := 10.0; v <= 100; v += 5 {
		b.add("", v, v, v)
		b.add("", v, v*0.92, v*0.92)
	}
	b.house(map[string][]float64{"pennant red": {5, 95, 85}, "pennant blue": {95, 75, 5}, "pennant gold": {0, 30, 95}})
	b.fill()
	return b.place(4)
}

// A builder collects patches; those added twice go to different halves of the sheet.
type builder struct {
	channels   []string
	driven     string
	top        float64
	rows, cols int
	halves     [2][]field
}

type field struct {
	tints []float64 // percent
	house string
}

func (b *builder) add(house string, tints ...float64) {
	t := make([]float64, len(b.channels))
	copy(t, tints)
	h := 0
	if len(b.halves[1]) < len(b.halves[0]) {
		h = 1
	}
	b.halves[h] = append(b.halves[h], field{t, house})
}

func (b *builder) twice(house string, tints []float64) {
	for h := range b.halves {
		b.halves[h] = append(b.halves[h], field{slices.Clone(tints), house})
	}
}

func (b *builder) whites(n int) {
	for range n {
		b.add("")
	}
}

func (b *builder) ramps(steps []float64) {
	for i := range b.channels {
		for _, s := range steps {
			t := make([]float64, len(b.channels))
			t[i] = s
			b.twice("", t)
		}
	}
}

func (b *builder) pairs(steps []float64) {
	for i := range b.channels {
		for j := range i {
			for _, s := range steps {
				for _, u := range steps {
					t := make([]float64, len(b.channels))
					t[i], t[j] = s, u
					b.add("", t...)
				}
			}
		}
	}
}

// neutrals adds greys of three inks, some with black, and their neighbours to either side.
func (b *builder) neutrals() {
	for _, v := range []float64{8, 15, 25, 35, 45, 55, 65, 75} {
		grey := []float64{v, v * 0.82, v * 0.78, 0}
		b.add("", grey...)
		for i := range 3 {
			g := slices.Clone(grey)
			g[i] *= 1.15
			b.add("", g...)
		}
	}
	for _, k := range []float64{15, 30, 45, 60, 80} {
		b.add("", k*0.5, k*0.42, k*0.4, k)
		b.add("", k*0.25, k*0.2, k*0.2, k)
	}
}

func (b *builder) house(colours map[string][]float64) {
	for _, name := range []string{"pennant red", "pennant blue", "pennant gold"} {
		b.twice(name, colours[name])
	}
}

// fill spreads mixtures over the device space (J. H. Halton's sequence, 1960) until the sheet
// is full. Inks beyond three are kept low in most, as printed work has them.
func (b *builder) fill() {
	primes := []int{2, 3, 5, 7, 11, 13}
	for n := 20; len(b.halves[0])+len(b.halves[1]) < b.rows*b.cols; n++ {
		t := make([]float64, len(b.channels))
		for i := range t {
			h := halton(n, primes[i])
			if i >= 3 {
				h = math.Max(0, h*1.6-0.6)
			}
			t[i] = math.Round(h * 100)
		}
		b.add("", t...)
	}
}

func halton(n, base int) (h float64) {
	for f := 1 / float64(base); n > 0; f /= float64(base) {
		h += f * float64(n%base)
		n /= base
	}
	return h
}

// place shuffles each half over its half of the sheet and names patches by column and row.
func (b *builder) place(shuffle uint64) *Chart {
	r := rand.New(rand.NewPCG(shuffle, 0x6368617274000001))
	c := &Chart{Channels: b.channels, Driven: b.driven}
	var all []field
	for _, h := range b.halves {
		r.Shuffle(len(h), func(i, j int) { h[i], h[j] = h[j], h[i] })
		all = append(all, h...)
	}
	for i, f := range all {
		row, col := i/b.cols, i%b.cols
		for k := range f.tints {
			f.tints[k] = math.Round(f.tints[k]*10) / 10
			if b.driven == DrivenRGB {
				f.tints[k] = math.Round(255 * (1 - f.tints[k]/100))
			}
		}
		c.IDs = append(c.IDs, fmt.Sprintf("%c%d", 'A'+col, row+1))
		c.Device = append(c.Device, f.tints)
		c.Row = append(c.Row, row+1)
		c.Col = append(c.Col, col+1)
		c.House = append(c.House, f.house)
	}
	return c
}
