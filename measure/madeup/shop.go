package madeup

import (
	"fmt"
	"math"
	"slices"
)

const maxInks = 6

// A Shop is one made-up printer with its inks, press, goods and instrument. The same seed and
// Config give the same readings, in whatever order they are asked for. A Shop keeps working
// memory, so it serves one goroutine at a time; shops are cheap to make.
type Shop struct {
	seed  uint64
	cfg   Config
	chart *Chart
	inks  []ink
	by    []int // for an ink-driven chart: the ink of each channel

	paper  spectrum // transfer paper
	preset [maxInks]float64
	drive  driver
	wear   wear
	days   []state

	mix mixer
}

// An ink as this printer has it.
type ink struct {
	name  string
	dye   dye     // as drawn for this printer
	share float64 // 1, or how thin a light ink is
	gain  float64 // dot gain at 50 %, as a share
	whole float64 // 1 over the share that a thin tint transfers at the reference dose
	// unit is the K/S of the solid: on the goods, and unpressed on the paper.
	unit [2]spectrum
}

// NewShop draws a printer. The error names the Config field that makes no sense.
func NewShop(seed uint64, cfg Config) (*Shop, error) {
	if cfg.Chart == nil {
		return nil, fmt.Errorf("made-up shop: chart: none")
	}
	if err := cfg.validate(); err != nil {
		return nil, fmt.Errorf("made-up shop: %w", err)
	}
	if err := cfg.Chart.validate(); err != nil {
		return nil, fmt.Errorf("made-up shop: chart: %w", err)
	}
	s := &Shop{seed: seed, cfg: cfg, chart: cfg.Chart}
	r := generator(seed, drawPrinter)
	off := func(sd float64) float64 { return sd * cfg.Vary * math.Max(-2.5, math.Min(2.5, r.NormFloat64())) }
	for i, name := range cfg.Inks {
		d, share, err := findDye(cfg.Family, name)
		if err != nil {
			return nil, fmt.Errorf("made-up shop: inks: %w", err)
		}
		d.bands = slices.Clone(d.bands)
		shift := off(2)
		for b := range d.bands {
			d.bands[b].peak += shift
		}
		d.solid *= 1 + off(0.05)
		d.affinity *= 1 + off(0.05)
		k := ink{name: name, dye: d, share: share, gain: (cfg.GainPoints + off(2)) / 100}
		k.whole = 1 / (1 - math.Exp(-reach*d.affinity))
		s.inks = append(s.inks, k)
		s.setUnit(&s.inks[i], 0)
		s.preset[i] = 1 + 0.15*math.Max(-1, math.Min(1, r.NormFloat64()))
	}
	if s.chart.Driven == DrivenInk {
		for _, c := range s.chart.Channels {
			i := slices.Index(cfg.Inks, c)
			if i < 0 {
				return nil, fmt.Errorf("made-up shop: chart: channel %q is none of the inks %v", c, cfg.Inks)
			}
			s.by = append(s.by, i)
		}
	}
	if p := cfg.Panel; p != nil && (p.kind == PanelInk) != (s.chart.Driven == DrivenInk) {
		return nil, fmt.Errorf("made-up shop: panel: kind %q does not go with a chart driven by %s", p.kind, s.chart.Driven)
	}
	s.drive = newDriver(cfg.Inks, off)
	s.wear = newWear(generator(seed, drawDrift).NormFloat64)
	s.paper = white(95, -1)
	s.mix.model, s.mix.n = cfg.Mixing, cfg.N
	return s, nil
}

// setUnit fills an ink's absorptions, moved by shift nm. Before the press the dye lies in the
// paper's coating as a pigment-like powder: duller, broader and bluer than in the fibre.
func (s *Shop) setUnit(k *ink, shift float64) {
	k.unit[Pressed] = k.dye.absorb(shift, 1)
	k.unit[Transfer] = k.dye.absorb(shift-12, 1.25)
	for b := range Bands {
		k.unit[Pressed][b] *= k.share
		k.unit[Transfer][b] *= k.share * 0.45
	}
}

// Config returns what the shop was made from.
func (s *Shop) Config() Config { return s.cfg }

// Chart returns the chart that the shop prints.
func (s *Shop) Chart() *Chart { return s.chart }

// wear is a shop's own direction of mixed drift.
type wear struct {
	strength, tone, skew, hue [maxInks]float64
	trap                      [maxInks][maxInks]float64
	light, yellow             float64
}

func newWear(draw func() float64) (w wear) {
	for i := range maxInks {
		w.strength[i] = 0.02 * draw()
		w.tone[i] = 0.012 * draw()
		w.skew[i] = 0.012 * draw()
		w.hue[i] = 1.2 * draw()
		for j := range i {
			w.trap[i][j] = 0.04 * draw()
		}
	}
	w.light, w.yellow = 0.15*draw(), 0.25*draw()
	return w
}

// DriftParts is how many independent parts the mixed drift of a printer with so many inks has.
func DriftParts(inks int) int { return 4*inks + inks*(inks-1)/2 + 2 }

// driftOf is the direction of a mixed drift: the shop's own, or a single part of it.
func (s *Shop) driftOf(f *Faults) (wear, error) {
	n := len(s.inks)
	switch {
	case f.DriftPart == 0:
		return s.wear, nil
	case f.DriftPart < 0 || f.DriftPart > DriftParts(n):
		return wear{}, fmt.Errorf("drift part %d: there are %d", f.DriftPart, DriftParts(n))
	}
	at, drawn := f.DriftPart-1, 0
	if at >= DriftParts(n)-2 {
		at += DriftParts(maxInks) - DriftParts(n) // the goods are drawn last, after inks that this printer has not
	}
	return newWear(func() float64 {
		drawn++
		if drawn-1 == at {
			return 1
		}
		return 0
	}), nil
}

// driver turns C, M, Y asked for into ink tints, as printer drivers do: own curves, grey made
// of black from a certain depth on, light inks in the light tones.
type driver struct {
	power      [3]float64
	from, bend float64
	ink        map[string]int
}

func newDriver(inks []string, off func(float64) float64) driver {
	d := driver{from: 0.35 + off(0.03), bend: 1.8 + off(0.1), ink: map[string]int{}}
	for i := range d.power {
		d.power[i] = 1.6 + off(0.08)
	}
	for i, name := range inks {
		d.ink[name] = i
	}
	return d
}

func (d *driver) separate(ask []float64, inks *[maxInks]float64) {
	var cmy [3]float64
	for i, a := range ask {
		cmy[i] = math.Pow(math.Max(0, a), d.power[i])
	}
	k := 0.0
	if at, ok := d.ink["K"]; ok {
		grey := min(ask[0], ask[1], ask[2])
		if grey > d.from {
			k = 0.9 * math.Pow((grey-d.from)/(1-d.from), d.bend)
		}
		inks[at] = k
	}
	for i, name := range []string{"C", "M", "Y"} {
		t := cmy[i] * (1 - 0.7*k)
		if at, ok := d.ink["L"+name]; ok {
			w := math.Max(0, math.Min(1, (0.6-t)/0.4))
			inks[at] = w * t / lightShare
			t -= w * t
		}
		if at, ok := d.ink[name]; ok {
			inks[at] = t
		}
	}
}
