package madeup

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"swathkeeper/measure/colour"
)

// Stage is where a chart is read.
type Stage int

const (
	Pressed  Stage = iota // on the goods
	Transfer              // on the paper, before the press
)

// Occasion says which reading: the day's state, the print of that day, and how many times that
// print was read before. A second read of one print shares everything but the instrument's
// noise and the place of the aperture. All count from 0.
type Occasion struct {
	Day, Print, Reread int
	Stage              Stage
}

// Reading is a chart as read, patch by patch in the chart's order.
type Reading struct {
	// Spectra holds reflectance factors, Bands a patch from StartNM in steps of StepNM.
	Spectra [][]float64
	XYZ     []colour.XYZ // D50, 2 degrees
	Lab     []colour.Lab // D50, 2 degrees; with Noise.Lab on top
	Truth   Truth

	all []float64
}

// Truth is what a reading is made of: what a detector should find.
type Truth struct {
	// By ink, wander and faults together, as far as they act on the whole chart.
	StrengthPercent, TonePoints, HueNM []float64
	// Dose is the press dose relative to the shop's setting; 1 on the paper.
	Dose float64
	// White is the Lab of unprinted goods, without noise.
	White colour.Lab
}

// Read prints and reads the chart. The error names a fault that makes no sense.
func (s *Shop) Read(at Occasion, f Faults) (*Reading, error) {
	r := new(Reading)
	if err := s.ReadInto(r, at, f); err != nil {
		return nil, err
	}
	return r, nil
}

// ReadInto is Read into memory of an earlier reading, for trials that read often.
func (s *Shop) ReadInto(r *Reading, at Occasion, f Faults) error {
	return s.read(r, at, &f, false)
}

// Exact reads the chart without wander and noise: what the shop would read on average, nearly.
func (s *Shop) Exact(stage Stage, f Faults) (*Reading, error) {
	r := new(Reading)
	if err := s.read(r, Occasion{Stage: stage}, &f, true); err != nil {
		return nil, err
	}
	return r, nil
}

// SizeFor returns the size at which make's fault changes the chart by a mean CIEDE2000 of
// mean, without wander and noise. It fails if no size up to 64 does.
func (s *Shop) SizeFor(make func(size float64) Faults, mean float64) (float64, error) {
	good, err := s.Exact(Pressed, Faults{})
	if err != nil {
		return 0, err
	}
	var r Reading
	at := func(size float64) (float64, error) {
		f := make(size)
		if err := s.read(&r, Occasion{}, &f, true); err != nil {
			return 0, err
		}
		sum := 0.0
		for p, lab := range r.Lab {
			sum += colour.DE2000(lab, good.Lab[p])
		}
		return sum / float64(len(r.Lab)), nil
	}
	low, high, under, over := 0.0, 1.0, -mean, 0.0 // the sizes, and by how much they miss
	for {
		d, err := at(high)
		if err != nil {
			return 0, err
		}
		if over = d - mean; over >= 0 {
			break
		}
		if low, high, under = high, 2*high, over; high > 64 {
			return 0, fmt.Errorf("made-up shop: a fault of size %g changes the chart by %.2f only, not %.2f", low, d, mean)
		}
	}
	// False position, the end that stays weighed down by half (the Illinois method): the change is nearly
	// straight in the size.
	stayed := 0
	for high-low > 1e-4*high {
		x := high - over*(high-low)/(over-under)
		x = math.Min(math.Max(x, low+1e-5*high), high-1e-5*high)
		d, err := at(x)
		if err != nil {
			return 0, err
		}
		switch miss := d - mean; {
		case math.Abs(miss) <= 1e-4*mean:
			return x, nil
		case miss < 0:
			low, under = x, miss
			if stayed == 1 {
				over /= 2
			}
			stayed = 1
		default:
			high, over = x, miss
			if stayed == -1 {
				under /= 2
			}
			stayed = -1
		}
	}
	return (low + high) / 2, nil
}

// session is what holds for one whole print and reading.
type session struct {
	faults   *Faults
	strength [maxInks]float64 // factor on tints
	tone     [maxInks]float64
	skew     [maxInks]float64
	content  [maxInks]float64 // factor on dye
	dirty    [maxInks]float64 // share replaced by
	dirtyBy  [maxInks]int
	fade     [maxInks]float64
	section  int // ink of the weak section, -1 for none
	rows     int
	cols     int
	stage    Stage
	dose     float64
	wear     wear         // direction of mixed drift
	correct  []Correction // by channel; nil for none
	dials    []float64    // of the driver's sliders; nil for a driver without
}

func (s *Shop) read(r *Reading, at Occasion, f *Faults, quiet bool) error {
	if at.Day < 0 || at.Print < 0 || at.Reread < 0 || at.Stage < Pressed || at.Stage > Transfer {
		return fmt.Errorf("made-up shop: occasion %+v counts below 0 or has no such stage", at)
	}
	var st state
	var mottle, noise *rand.Rand
	scale := 1 + f.Scale
	if !quiet {
		print := generator(s.seed, drawPrint, at.Day, at.Print)
		own := s.cfg.Wander.PrintShare
		st = s.day(at.Day).plus(math.Sqrt(1-own*own), s.innovation(print), own)
		mottle = generator(s.seed, drawMottle, at.Day, at.Print)
		noise = generator(s.seed, drawRead, at.Day, at.Print, at.Reread, int(at.Stage))
		scale *= 1 + s.cfg.Wander.InstrumentScale*draw(noise, s.cfg.Wander.TailDF)
	}
	ses, shifts, err := s.session(at.Stage, f, &st)
	if err != nil {
		return fmt.Errorf("made-up shop: %w", err)
	}
	s.room(r)
	goods, bright := s.substrate(at.Stage, f, &st, &ses)
	var units [maxInks]*spectrum
	for i := range s.inks {
		if shifts[i] != 0 {
			moved := s.inks[i]
			s.setUnit(&moved, shifts[i])
			units[i] = &moved.unit[at.Stage]
		} else {
			units[i] = &s.inks[i].unit[at.Stage]
		}
	}
	s.mix.prepare(goods, units[:len(s.inks)])

	flare := s.cfg.Flare + f.Flare
	var refl spectrum
	last := spot{dose: math.NaN()}
	for p := range s.chart.IDs {
		place := ses.spot(s.chart, p)
		if place.dose != last.dose || place.dirty != last.dirty {
			s.mix.primary = func(a *[maxInks]float64) { s.lay(a, &ses, place) }
			s.mix.forget()
			last = place
		}
		var amounts, cover [maxInks]float64
		s.tints(&cover, &ses, p, place)
		if mottle != nil {
			for i := range s.inks {
				cover[i] *= 1 + s.cfg.Noise.MottlePercent/100*draw(mottle, s.cfg.Noise.TailDF)
			}
		}
		amounts = cover
		s.lay(&amounts, &ses, place)
		s.mix.reflect(&refl, &amounts, &cover)
		s.glow(&refl, &goods, bright, &amounts)
		level := scale
		if noise != nil {
			level *= 1 + s.cfg.Noise.TexturePercent/100*draw(noise, s.cfg.Noise.TailDF)
		}
		for b := range refl {
			refl[b] = level*refl[b]*(1-flare) + flare
		}
		if noise != nil {
			s.instrument(&refl, noise)
		}
		copy(r.Spectra[p], refl[:])
	}
	misread(r.Spectra, f, s.chart)
	for p := range r.Spectra {
		r.XYZ[p] = weights.XYZ(r.Spectra[p])
		r.Lab[p] = r.XYZ[p].Lab(colour.D50)
		if sd := s.cfg.Noise.Lab; sd > 0 && noise != nil {
			r.Lab[p].L += sd * noise.NormFloat64()
			r.Lab[p].A += sd * noise.NormFloat64()
			r.Lab[p].B += sd * noise.NormFloat64()
		}
	}
	s.truth(r, &ses, shifts, goods, bright)
	return nil
}

// room makes sure of the reading's memory.
func (s *Shop) room(r *Reading) {
	n := len(s.chart.IDs)
	if len(r.Spectra) != n || len(r.all) != n*Bands {
		r.all = make([]float64, n*Bands)
		r.Spectra = make([][]float64, n)
		r.XYZ = make([]colour.XYZ, n)
		r.Lab = make([]colour.Lab, n)
	}
	for p := range r.Spectra { // misread may have moved them
		r.Spectra[p] = r.all[p*Bands : (p+1)*Bands : (p+1)*Bands]
	}
}

// instrument adds the noise of one measurement.
func (s *Shop) instrument(refl *spectrum, r *rand.Rand) {
	n := &s.cfg.Noise
	for b, v := range refl {
		refl[b] = v + (n.BandFloor+n.BandPercent/100*v)*r.NormFloat64()
	}
	if n.ScratchRate > 0 && r.Float64() < n.ScratchRate {
		by := 0.03 + 0.12*r.Float64()
		if r.IntN(2) == 0 {
			by = -by
		}
		for b := range refl {
			refl[b] *= 1 + by
		}
	}
}

// misread applies what goes wrong in handling: rows shifted, chart turned.
func misread(spectra [][]float64, f *Faults, c *Chart) {
	n := len(spectra)
	if f.Turned {
		slices.Reverse(spectra)
	}
	if f.SlipRows != 0 && c.Row != nil {
		slip := ((f.SlipRows*slices.Max(c.Col))%n + n) % n
		slices.Reverse(spectra[:slip])
		slices.Reverse(spectra[slip:])
		slices.Reverse(spectra)
	}
}

func (s *Shop) truth(r *Reading, ses *session, shifts [maxInks]float64, goods spectrum, bright float64) {
	t := &r.Truth
	t.StrengthPercent, t.TonePoints, t.HueNM = t.StrengthPercent[:0], t.TonePoints[:0], t.HueNM[:0]
	for i := range s.inks {
		t.StrengthPercent = append(t.StrengthPercent, 100*(ses.strength[i]-1))
		t.TonePoints = append(t.TonePoints, 100*ses.tone[i])
		t.HueNM = append(t.HueNM, shifts[i])
	}
	t.Dose = 1
	if ses.stage == Pressed {
		t.Dose = ses.dose / s.cfg.Press.Dose()
	}
	bare := goods
	for b := range bare {
		bare[b] = surface + (1-surface)*bare[b]
	}
	s.glow(&bare, &goods, bright, new([maxInks]float64))
	t.White = weights.Lab(bare[:])
}
