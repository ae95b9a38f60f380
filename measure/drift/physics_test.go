package drift_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
)

// physics is a second made-up printer, by other laws than package madeup's: dye in the fibre
// (Kubelka-Munk with Saunderson's surface) or halftone dots (Yule-Nielsen, n = 1.8), inks of its
// own. All of it is invented.
type physics struct {
	halftone bool
	inks     []string
	chart    drift.Chart
	rng      *rand.Rand
	weights  *colour.Weights
	model    *drift.Model
	base     *drift.Baseline
	sd       float64 // of each ink's strength from day to day, in percent
}

// trouble is what goes wrong with it.
type trouble struct {
	strength map[string]float64 // percent of the tints
	tone     map[string]float64 // points at 50 %
	paper    [3]float64         // change of the paper's reflectance in blue, green and red
}

func bell(x, at, width float64) float64 { return math.Exp(-0.5 * (x - at) * (x - at) / width / width) }
func rise(x float64) float64            { return 1 / (1 + math.Exp(-x)) }

func absorbs(ink string, nm float64) float64 {
	switch ink {
	case "C":
		return bell(nm, 640, 48) + 0.35*bell(nm, 600, 25) + 0.06*bell(nm, 400, 40) + 0.05
	case "M":
		return bell(nm, 545, 32) + 0.45*bell(nm, 515, 22) + 0.12*bell(nm, 420, 40) + 0.02
	case "Y":
		return 1.05*rise((480-nm)/11)*(0.75+0.25*bell(nm, 430, 40)) + 0.01
	}
	return 1 + 0.12*bell(nm, 600, 60) - 0.1*bell(nm, 690, 30)
}

const physicsFrom, physicsStep, physicsBands = 380.0, 10.0, 36

// newPhysics makes the printer with a chart of 164 patches in no order (4 bare, ramps of ten, 120
// overprints) on 14 rows, and learns from so many days.
func newPhysics(t *testing.T, seed uint64, halftone bool, days int) *physics {
	t.Helper()
	p := &physics{halftone: halftone, inks: []string{"C", "M", "Y", "K"}, rng: rand.New(rand.NewPCG(seed, 77)), sd: 0.5}
	var err error
	if p.weights, err = colour.NewWeights(colour.IlluminantD50, physicsFrom, physicsStep, physicsBands); err != nil {
		t.Fatal(err)
	}
	c := &p.chart
	c.Channels, c.Driven = p.inks, drift.DrivenInk
	for range 4 {
		c.Device = append(c.Device, make([]float64, 4))
	}
	for i := range p.inks {
		for k := 1; k <= 10; k++ {
			d := make([]float64, 4)
			d[i] = 10 * float64(k)
			c.Device = append(c.Device, d)
		}
	}
	for range 120 {
		d := make([]float64, 4)
		for i := range d {
			if p.rng.Float64() < 0.6 {
				d[i] = 10 * float64(1+p.rng.IntN(10))
			}
		}
		d[3] /= 2
		c.Device = append(c.Device, d)
	}
	p.rng.Shuffle(len(c.Device), func(i, j int) { c.Device[i], c.Device[j] = c.Device[j], c.Device[i] })
	for i := range c.Device {
		c.IDs = append(c.IDs, fmt.Sprintf("P%d", i+1))
		c.Row, c.Col = append(c.Row, i/12+1), append(c.Col, i%12+1)
	}
	var samples []drift.Sample
	for d := range days {
		samples = append(samples, p.read(d, trouble{}))
	}
	if days > 0 {
		p.learn(t, samples)
	}
	return p
}

func (p *physics) learn(t *testing.T, samples []drift.Sample) {
	t.Helper()
	var err error
	if p.base, err = drift.Learn(p.chart, samples, drift.Options{}); err != nil {
		t.Fatal(err)
	}
	if p.model, err = p.base.Prepare(); err != nil {
		t.Fatal(err)
	}
}

// read prints the chart on a day of ordinary wander and reads it with a noise of 0.2.
func (p *physics) read(d int, f trouble) drift.Sample {
	more := map[string]float64{}
	for _, ink := range p.inks {
		more[ink] = f.strength[ink] + p.sd*p.rng.NormFloat64()
	}
	press := 1 + 0.01*p.rng.NormFloat64()
	s := drift.Sample{Day: day(d), Lab: make([]colour.Lab, len(p.chart.Device))}
	for i, device := range p.chart.Device {
		tints := make([]float64, len(device))
		for k, v := range device {
			x := v / 100
			tints[k] = max(0, x*(1+more[p.inks[k]]/100)+4*f.tone[p.inks[k]]/100*x*(1-x))
		}
		c := p.weights.Lab(p.spectrum(tints, press, f.paper))
		s.Lab[i] = colour.Lab{L: c.L + 0.2*p.rng.NormFloat64(), A: c.A + 0.2*p.rng.NormFloat64(), B: c.B + 0.2*p.rng.NormFloat64()}
	}
	return s
}

func (p *physics) spectrum(tints []float64, press float64, paper [3]float64) []float64 {
	out := make([]float64, physicsBands)
	for b := range out {
		nm := physicsFrom + physicsStep*float64(b)
		r := 0.86*rise((nm-395)/8) + 0.05*bell(nm, 440, 20)
		r *= (1+paper[0])*rise((490-nm)/15) + (1+paper[1])*rise((nm-490)/15)*rise((590-nm)/15) + (1+paper[2])*rise((nm-590)/15)
		if p.halftone {
			v := math.Pow(r, 1/1.8)
			for i, x := range tints {
				x = min(1.15, x)
				area, density := min(1, x+0.64*x*(1-min(x, 1))), 1.5
				if p.inks[i] == "K" {
					density = 1.8
				}
				v *= 1 - area + area*math.Pow(10, -density*absorbs(p.inks[i], nm)*press*(1+max(0, x-1))/1.8)
			}
			out[b] = 0.008 + 0.992*math.Pow(v, 1.8)
			continue
		}
		ks := (1 - r) * (1 - r) / (2 * r)
		for i, x := range tints {
			k := 9 * math.Pow(x, 1.6) * press
			if p.inks[i] == "K" {
				k *= 1.8
			}
			ks += k * absorbs(p.inks[i], nm)
		}
		in := 1 + ks - math.Sqrt(ks*ks+2*ks)
		const k1, k2 = 0.02, 0.45
		out[b] = (k1 + (1-k1)*(1-k2)*in/(1-k2*in)) * (1 - 0.8*k2) / ((1 - k1) * (1 - k2))
	}
	return out
}

func (p *physics) judge(t *testing.T, s drift.Sample) drift.Result {
	t.Helper()
	r, _, err := p.model.Judge(s, drift.State{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// bare are the places of the unprinted patches.
func (p *physics) bare() (out []int) {
	for i, d := range p.chart.Device {
		if slices.Max(d) == 0 {
			out = append(out, i)
		}
	}
	return out
}
