package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat"

	"swathkeeper/measure/aim"
	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
	"swathkeeper/measure/settings"
)

// settingsShop is one made-up shop with wrong settings and an aim.
type settingsShop struct {
	shop    *madeup.Shop
	small   *madeup.Shop // the same with a part of the chart
	part    []int
	aim     string
	panel   *madeup.Panel
	task    settings.Task
	start   []float64
	away    float64 // mean CIEDE2000 of the start from the best
	floor   float64 // the best reachable mean CIEDE2000, found with the hidden truth
	best    []float64
	reading madeup.Reading
	known   map[string]float64 // typical differences by settings
	noise   float64            // standard deviation of what one print under the best settings measures
}

// Aims of the trial, by turns.
const (
	aimDefault = "screen or table" // the default: what the screen shows; for ink another printer's table
	aimBatch   = "earlier batch"   // an earlier reading of the same printer, other lots of ink and goods
)

// newSettingsShop draws shop k: kind of panel and aim by turns, other physics for each.
func newSettingsShop(seed uint64, k int) (*settingsShop, error) {
	for try := range uint64(10) {
		s, err := drawSettingsShop(k, seed<<20+uint64(k)+try<<40)
		if s != nil || err != nil {
			return s, err
		}
	}
	return nil, fmt.Errorf("shop %d: no settings are 8 to 12 from the best in ten draws", k)
}

// drawSettingsShop is nil without an error where the drawn sliders are too weak to be that wrong.
func drawSettingsShop(k int, own uint64) (*settingsShop, error) {
	kinds := madeup.PanelKinds()
	s := &settingsShop{known: map[string]float64{}, aim: []string{aimDefault, aimBatch}[(k/len(kinds))%2]}
	kind := kinds[k%len(kinds)]
	r := rand.New(rand.NewPCG(own, uint64(k)))
	cfg := madeup.VariedConfig(own)
	// Prints of one search are made within days: the press is as steady as a shop can keep it.
	cfg.Wander.Press = min(cfg.Wander.Press, 0.03)
	if cfg.Chart = madeup.RGBChart(); kind == madeup.PanelInk {
		cfg.Chart = madeup.CMYKChart()
	}
	var err error
	if cfg.Panel, err = madeup.NewPanel(own, kind); err != nil {
		return nil, err
	}
	s.panel = cfg.Panel
	if s.shop, err = madeup.NewShop(own, cfg); err != nil {
		return nil, err
	}
	s.task = settings.Task{Chart: drift.Chart(*s.shop.Chart()), Sliders: slidersOf(cfg.Panel)}
	if err := s.quick(own, cfg); err != nil {
		return nil, err
	}
	want := s.anywhere(r, 0.6)
	if s.aim == aimBatch {
		err = s.batchAim(r, want)
	} else {
		err = s.defaultAim(r, own, cfg, want)
	}
	if err != nil {
		return nil, err
	}
	if err := s.findBest(r, want); err != nil {
		return nil, err
	}
	// Wrong settings: 8 to 12 from the best.
	good, err := s.shop.Exact(madeup.Pressed, madeup.Faults{Dials: s.best})
	if err != nil {
		return nil, err
	}
	right := slices.Clone(good.Lab)
	for range 1000 {
		v := s.anywhere(r, 1)
		e, err := s.shop.Exact(madeup.Pressed, madeup.Faults{Dials: v})
		if err != nil {
			return nil, err
		}
		if d := meanDE(e.Lab, right); d >= 8 && d <= 12 {
			s.start, s.away = v, d
			s.floor, err = s.typical(s.best)
			return s, err
		}
	}
	return nil, nil
}

// anywhere draws settings from the middle share of every slider's range.
func (s *settingsShop) anywhere(r *rand.Rand, share float64) []float64 {
	v := make([]float64, len(s.task.Sliders))
	for i, sl := range s.task.Sliders {
		v[i] = sl.Nearest(sl.Low + ((1-share)/2+share*r.Float64())*(sl.High-sl.Low))
	}
	return v
}

// batchAim reads a chart of long ago: good settings, other lots.
func (s *settingsShop) batchAim(r *rand.Rand, want []float64) error {
	f := madeup.Faults{Dials: want, Ink: map[string]madeup.InkFault{}, Media: madeup.Media{
		Lightness: 0.5 * r.NormFloat64(), Yellowness: 0.8 * r.NormFloat64(), YieldPercent: 3 * r.NormFloat64(),
	}}
	for _, ink := range s.shop.Config().Inks {
		f.Ink[ink] = madeup.InkFault{HueNM: 2 * r.NormFloat64(), StrengthPercent: 3 * r.NormFloat64(), TonePoints: r.NormFloat64()}
	}
	batch, err := s.shop.Read(madeup.Occasion{Day: 0}, f)
	if err != nil {
		return err
	}
	s.task.Aim = slices.Clone(batch.Lab)
	return nil
}

// defaultAim is the screen's colours on this fabric, brought within reach of a first print with an
// untouched driver; for ink, the table of another printer with other inks.
func (s *settingsShop) defaultAim(r *rand.Rand, own uint64, cfg madeup.Config, want []float64) error {
	if cfg.Chart.Driven == madeup.DrivenInk {
		other := cfg
		other.Family = madeup.Families()[r.IntN(3)]
		var err error
		if other.Panel, err = madeup.NewPanel(own+500000, s.panel.Kind()); err != nil {
			return err
		}
		shop, err := madeup.NewShop(own+500000, other)
		if err != nil {
			return err
		}
		table, err := shop.Exact(madeup.Pressed, madeup.Faults{Dials: want})
		if err != nil {
			return err
		}
		s.task.Aim = slices.Clone(table.Lab)
		return nil
	}
	first, err := s.shop.Read(madeup.Occasion{Day: 0}, madeup.Faults{})
	if err != nil {
		return err
	}
	ends, err := aim.EndsOf(&s.task.Chart, first.Lab, nil)
	if err != nil {
		return err
	}
	colours, err := aim.Screen(s.task.Chart.Device, ends)
	if err != nil {
		return err
	}
	reach := aim.NewReach(&s.task.Chart)
	if err := reach.Add(first.Lab, nil); err != nil {
		return err
	}
	s.task.Aim = reach.Pull(colours).Aim
	return nil
}

// quick makes the same shop with a part of the chart, for the oracle's first rounds.
func (s *settingsShop) quick(own uint64, cfg madeup.Config) error {
	full := cfg.Chart
	part := &madeup.Chart{Channels: full.Channels, Driven: full.Driven}
	for p := 0; p < len(full.IDs); p += 5 {
		part.IDs, part.Device = append(part.IDs, full.IDs[p]), append(part.Device, full.Device[p])
		s.part = append(s.part, p)
	}
	cfg.Chart = part
	var err error
	s.small, err = madeup.NewShop(own, cfg)
	return err
}

func slidersOf(p *madeup.Panel) []settings.Slider {
	var out []settings.Slider
	for _, d := range p.Dials() {
		out = append(out, settings.Slider{Name: d.Name, Kind: d.Kind, Channel: d.Channel, Low: d.Low, High: d.High, Step: d.Step})
	}
	return out
}

func meanDE(a, b []colour.Lab) float64 {
	sum := 0.0
	for p := range a {
		sum += colour.DE2000(a[p], b[p])
	}
	return sum / float64(len(a))
}

// exact is the mean difference from the aim under settings v, without noise; on a part of the
// chart where that is enough.
func (s *settingsShop) exact(v []float64, full bool) (float64, error) {
	if full {
		e, err := s.shop.Exact(madeup.Pressed, madeup.Faults{Dials: v})
		if err != nil {
			return 0, err
		}
		return meanDE(e.Lab, s.task.Aim), nil
	}
	e, err := s.small.Exact(madeup.Pressed, madeup.Faults{Dials: v})
	if err != nil {
		return 0, err
	}
	sum := 0.0
	for i, p := range s.part {
		sum += colour.DE2000(e.Lab[i], s.task.Aim[p])
	}
	return sum / float64(len(s.part)), nil
}

// findBest looks for the best settings with the hidden truth: a pattern search from several
// starts on a part of the chart, and on the whole from the best of them; single sliders and pairs.
func (s *settingsShop) findBest(r *rand.Rand, near []float64) error {
	best := math.Inf(1)
	for try := range 4 {
		v := near
		if try > 0 {
			v = s.anywhere(r, 0.9)
		}
		v, d, err := s.walk(v, []float64{0.2, 0.1, 0.05, 0.025, 0}, false)
		if err != nil {
			return err
		}
		if d < best {
			best, s.best = d, v
		}
	}
	var err error
	s.best, _, err = s.walk(s.best, []float64{0.02, 0}, true)
	return err
}

func (s *settingsShop) walk(v []float64, sizes []float64, full bool) ([]float64, float64, error) {
	return s.pattern(v, sizes, func(v []float64) (float64, error) { return s.exact(v, full) })
}

// pattern is a pattern search for the least of f from v, by steps of these shares of the ranges:
// single sliders, and pairs where the steps are small.
func (s *settingsShop) pattern(v []float64, sizes []float64, f func(v []float64) (float64, error)) ([]float64, float64, error) {
	best, err := f(v)
	if err != nil {
		return nil, 0, err
	}
	n := len(v)
	for _, size := range sizes {
		for better := true; better; {
			better = false
			move := func(i int, a float64, j int, b float64) error {
				w := slices.Clone(v)
				w[i] = s.shift(i, w[i], a, size)
				if j >= 0 {
					w[j] = s.shift(j, w[j], b, size)
				}
				if slices.Equal(w, v) {
					return nil
				}
				d, err := f(w)
				if err == nil && d < best-1e-6 {
					best, v, better = d, w, true
				}
				return err
			}
			for i := range n {
				for _, a := range []float64{1, -1} {
					if err := move(i, a, -1, 0); err != nil {
						return nil, 0, err
					}
				}
			}
			if better || size > 0.06 {
				continue
			}
			for i := range n {
				for j := range i {
					for _, a := range []float64{1, -1} {
						for _, b := range []float64{1, -1} {
							if err := move(i, a, j, b); err != nil {
								return nil, 0, err
							}
						}
					}
				}
			}
		}
	}
	return v, best, nil
}

func (s *settingsShop) shift(i int, v, sign, size float64) float64 {
	sl := s.task.Sliders[i]
	return sl.Nearest(v + sign*max(sl.Step, size*(sl.High-sl.Low)))
}

// print makes print number j under settings v, a day later each, and reads it.
func (s *settingsShop) print(j int, v []float64) (settings.Print, error) {
	if err := s.shop.ReadInto(&s.reading, madeup.Occasion{Day: 2 + j}, madeup.Faults{Dials: v}); err != nil {
		return settings.Print{}, err
	}
	return settings.Print{Values: v, Lab: slices.Clone(s.reading.Lab)}, nil
}

// typical is the mean difference from the aim that a print under settings v measures, on average
// over days, prints and readings.
func (s *settingsShop) typical(v []float64) (float64, error) {
	const times = 6
	key := fmt.Sprint(v)
	if d, known := s.known[key]; known {
		return d, nil
	}
	var de [times]float64
	for j := range de {
		if err := s.shop.ReadInto(&s.reading, madeup.Occasion{Day: 40 + j}, madeup.Faults{Dials: v}); err != nil {
			return 0, err
		}
		de[j] = meanDE(s.reading.Lab, s.task.Aim)
	}
	mean, sd := stat.MeanStdDev(de[:], nil)
	if s.known[key] = mean; len(s.known) == 1 { // the best is asked for first
		s.noise = sd
	}
	return mean, nil
}
