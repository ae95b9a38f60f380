package madeup

import (
	"fmt"
	"math"
	"slices"
)

// session adds wander and faults up, and returns each ink's hue shift in nm.
func (s *Shop) session(stage Stage, f *Faults, st *state) (ses session, shifts [maxInks]float64, err error) {
	ses = session{faults: f, stage: stage, section: -1, rows: 1, cols: 1}
	if ses.wear, err = s.driftOf(f); err != nil {
		return ses, shifts, err
	}
	if s.chart.Row != nil {
		ses.rows = slices.Max(s.chart.Row)
	}
	if s.chart.Col != nil {
		ses.cols = slices.Max(s.chart.Col)
	}
	for i := range s.inks {
		ses.strength[i] = (1 + st.strength[i]) * (1 + f.Preset.StrengthPercent/100) * (1 + f.Drift*ses.wear.strength[i])
		ses.tone[i] = st.tone[i] + f.Preset.TonePoints/100*s.preset[i] + f.Drift*ses.wear.tone[i]
		ses.skew[i] = f.Drift * ses.wear.skew[i]
		ses.content[i] = 1
		if stage == Pressed {
			ses.content[i] += f.Media.YieldPercent / 100
		}
		ses.dirtyBy[i] = -1
		shifts[i] = f.Drift * ses.wear.hue[i]
	}
	for name, k := range f.Ink {
		i := slices.Index(s.cfg.Inks, name)
		if i < 0 {
			return ses, shifts, fmt.Errorf("fault of ink %q: the inks are %v", name, s.cfg.Inks)
		}
		ses.strength[i] *= 1 + k.StrengthPercent/100
		ses.tone[i] += k.TonePoints / 100
		ses.content[i] *= 1 + k.ConcentrationPercent/100
		shifts[i] += k.HueNM
		if k.ContaminationPercent != 0 {
			j := slices.Index(s.cfg.Inks, k.By)
			if j < 0 || j == i {
				return ses, shifts, fmt.Errorf("ink %q contaminated by %q: the inks are %v", name, k.By, s.cfg.Inks)
			}
			ses.dirty[i], ses.dirtyBy[i], ses.fade[i] = k.ContaminationPercent/100, j, k.FadeRows
		}
	}
	if f.Section.StrengthPercent != 0 {
		if ses.section = slices.Index(s.cfg.Inks, f.Section.Ink); ses.section < 0 {
			return ses, shifts, fmt.Errorf("weak section of ink %q: the inks are %v", f.Section.Ink, s.cfg.Inks)
		}
	}
	if len(f.Correct) > 0 {
		ses.correct = make([]Correction, len(s.chart.Channels))
		for name, c := range f.Correct {
			i := slices.Index(s.chart.Channels, name)
			if i < 0 {
				return ses, shifts, fmt.Errorf("correction of channel %q: the channels are %v", name, s.chart.Channels)
			}
			ses.correct[i] = c
		}
	}
	switch {
	case f.Dials != nil && s.cfg.Panel == nil:
		return ses, shifts, fmt.Errorf("dials: this driver has no sliders")
	case f.Dials != nil:
		if err := s.cfg.Panel.check(f.Dials); err != nil {
			return ses, shifts, err
		}
		ses.dials = f.Dials
	case s.cfg.Panel != nil:
		ses.dials = s.cfg.Panel.Rest()
	}
	p := s.cfg.Press
	p.Celsius += f.Press.Celsius
	p.Seconds = math.Max(1, p.Seconds+f.Press.Seconds)
	p.Pressure = math.Max(0.05, p.Pressure+f.Press.Pressure)
	ses.dose = p.Dose() * math.Exp(st.press)
	return ses, shifts, nil
}

// substrate returns what is printed on, and how strongly its brightener glows.
func (s *Shop) substrate(stage Stage, f *Faults, st *state, ses *session) (goods spectrum, bright float64) {
	if stage == Transfer {
		return s.paper, 0
	}
	light := s.cfg.WhiteL + f.Media.Lightness + st.light + f.Drift*ses.wear.light
	yellow := s.cfg.WhiteB + f.Media.Yellowness + st.yellow + f.Drift*ses.wear.yellow + scorch(ses.dose, s.cfg.Press.Dose())
	mode := s.cfg.Mode
	if f.Mode != "" {
		mode = f.Mode
	}
	bright = s.cfg.Brightener * (1 + f.Media.BrightenerPercent/100)
	switch mode {
	case M0:
		bright *= 0.7
	case M2:
		bright = 0
	}
	return white(light, yellow), math.Max(0, bright)
}

// glow adds the brightener's light, less where dye takes the ultraviolet or the glow itself.
func (s *Shop) glow(refl, goods *spectrum, bright float64, amounts *[maxInks]float64) {
	if bright == 0 {
		return
	}
	load := 0.0
	for i := range s.inks {
		load += amounts[i] * s.inks[i].share
	}
	bright *= math.Exp(-1.2 * load)
	for b := range refl {
		if wavelength(b) > 560 {
			break
		}
		refl[b] += bright * glow[b] * refl[b] / goods[b]
	}
}

// A spot is what differs from place to place on the sheet.
type spot struct {
	dose  float64
	dirty [maxInks]float64
	row   int // only as far as strength depends on it
}

func (ses *session) spot(c *Chart, p int) spot {
	at := spot{dose: ses.dose, dirty: ses.dirty}
	row, col := 1, 1
	if c.Row != nil {
		row = c.Row[p]
	}
	if c.Col != nil {
		col = c.Col[p]
	}
	if e := ses.faults.PressEdge; e != 0 && ses.cols > 1 {
		at.dose *= 1 - e*float64(col-1)/float64(ses.cols-1)
	}
	for i, fade := range ses.fade {
		if fade > 0 {
			at.dirty[i] *= math.Exp(-float64(row-1) / fade)
		}
	}
	if ses.section >= 0 || ses.faults.WarmUpPercent != 0 {
		at.row = row
	}
	return at
}

// tints fills the effective coverage of each ink in patch p: what the driver asks for, through
// the faults and the tone curve.
func (s *Shop) tints(cover *[maxInks]float64, ses *session, p int, at spot) {
	var ask [maxInks]float64
	for c := range s.chart.Channels {
		t := s.chart.tint(p, c)
		if ses.correct != nil {
			t = t*(1+ses.correct[c].Percent/100) + 4*ses.correct[c].TonePoints/100*t*(1-t)
		}
		ask[c] = t
	}
	if ses.dials != nil {
		s.cfg.Panel.ask(ask[:len(s.chart.Channels)], ses.dials)
	}
	if s.chart.Driven == DrivenRGB {
		s.drive.separate(ask[:3], cover)
	} else {
		for c, i := range s.by {
			cover[i] = ask[c]
		}
	}
	if ses.dials != nil {
		s.cfg.Panel.lay(s.cfg.Inks, cover, ses.dials)
	}
	if limit := ses.faults.Preset.LimitPercent / 100; limit > 0 {
		total := 0.0
		for i := range s.inks {
			total += cover[i]
		}
		if total > limit {
			for i := range s.inks {
				cover[i] *= limit / total
			}
		}
	}
	for i := range s.inks {
		t := cover[i]
		if t <= 0 {
			cover[i] = 0
			continue
		}
		t *= ses.strength[i]
		if i == ses.section && at.row >= ses.faults.Section.FromRow && at.row <= ses.faults.Section.ToRow {
			t *= 1 + ses.faults.Section.StrengthPercent/100
		}
		if w := ses.faults.WarmUpPercent; w != 0 {
			t *= 1 - w/100*math.Pow(2.0/3, float64(at.row-1))
		}
		bow := 4 * t * (1 - t)
		t += bow * (s.inks[i].gain + ses.tone[i] + ses.skew[i]*(1-2*t))
		t = math.Max(0, t)
		if s.cfg.Gamma != 1 {
			t = math.Pow(t, s.cfg.Gamma)
		}
		cover[i] = t
	}
}

// lay turns ink put down into dye on the goods: its content, dirt, how inks take on each other,
// the press.
func (s *Shop) lay(amounts *[maxInks]float64, ses *session, at spot) {
	put := *amounts
	for i := range s.inks {
		amounts[i] *= ses.content[i]
	}
	for i := range s.inks {
		if j := ses.dirtyBy[i]; j >= 0 && put[i] != 0 {
			dirt := put[i] * at.dirty[i] * s.inks[i].share / s.inks[j].share
			amounts[i] -= put[i] * at.dirty[i]
			amounts[j] += dirt
		}
	}
	if ses.faults.Drift != 0 {
		for i := range s.inks {
			for j := range i {
				amounts[i] *= 1 + ses.faults.Drift*ses.wear.trap[i][j]*min(put[j], 1)
			}
		}
	}
	if ses.stage == Pressed {
		s.transferred(amounts, at.dose)
	}
}
