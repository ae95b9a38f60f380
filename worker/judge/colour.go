package judge

import (
	"math"
	"slices"
	"time"

	"swathkeeper/measure/cause"
	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
)

// colourOf writes what drift found in the words of the protocol.
func colourOf(r *drift.Result) *protocol.Colour {
	c := &protocol.Colour{
		Patches: r.Patches, MeanDE00: round4(r.MeanDE00), MedianDE00: round4(r.MedianDE00), P95DE00: round4(r.P95DE00), MaxDE00: round4(r.MaxDE00),
		WorstPatch: r.WorstPatch, WhiteDE00: round4(r.WhiteDE00), GreyDE00: round4(r.GreyDE00), Unexplained: round4(r.Unexplained),
	}
	for _, ch := range r.Channels {
		c.Channels = append(c.Channels, protocol.ColourChannel{
			Channel: ch.Channel, StrengthPercent: round4(ch.StrengthPercent), StrengthSE: round4(ch.StrengthSE), StrengthLimit: round4(ch.StrengthLimit),
			TonePoints: round4(ch.ToneLeft), ToneSE: round4(ch.ToneSE), ToneLimit: round4(ch.ToneLimit),
			HueDeg: round4(ch.HueDeg), HueSE: round4(ch.HueSE), HueLimit: round4(ch.HueLimit), Slow: round4(share(ch.EWMA, ch.EWMALimit)),
			BentPoints: round4(ch.TonePoints), BentSE: round4(ch.BentSE), BentLimit: round4(ch.BentLimit),
			SinceReadings: ch.Since, HardlyPrints: ch.HardlyPrints,
		})
	}
	for _, f := range r.Values {
		switch f.Kind {
		case drift.KindStrength, drift.KindTone, drift.KindHue:
			continue // told by channel above
		}
		c.Factors = append(c.Factors, protocol.Factor{Name: f.Name, Unit: factorUnits[f.Kind], Value: round4(f.Value), SE: round4(f.SE), Limit: round4(f.Limit), Slow: round4(share(f.EWMA, f.EWMALimit))})
	}
	for _, h := range r.House {
		c.House = append(c.House, protocol.HouseColour{Name: h.Name, Patch: h.Patch, DE00: round4(h.DE00), Tolerance: h.Tolerance})
	}
	for _, o := range r.Outliers {
		c.Outliers = append(c.Outliers, o.Patch)
	}
	for _, t := range r.Tests {
		c.Tests = append(c.Tests, protocol.Test{Name: t.Name, Value: round4(t.Statistic), Limit: round4(t.Limit)})
	}
	return c
}

var factorUnits = map[string]string{
	drift.KindCast: "Lab units", drift.KindWhite: "Lab units", drift.KindLoad: "percent", drift.KindFlare: "percent",
}

func share(v, limit float64) float64 {
	if limit == 0 {
		return 0
	}
	return v / limit
}

// decide names the causes and sets the outcome: the worst level among the findings. sure holds the
// channels whose lines need no second reading.
func decide(in Input, v *protocol.Verdict, e cause.Evidence, sure map[string]bool) {
	r := e.Drift
	for _, f := range cause.Decide(e) {
		if why := lineWhy(v, &f); why != "" {
			f.Why = why
		}
		out := protocol.Finding{
			Advice: f.Advice, Channel: f.Channel, Level: f.Level, Likelihood: round4(f.Likelihood), Why: f.Why,
			Rival: f.Rival, SplittingCheck: f.SplittingCheck, Overwhelming: overwhelming(&f, in.Model, r, sure),
		}
		for _, m := range f.Moves {
			out.Moves = append(out.Moves, protocol.Move{Channel: m.Channel, Percent: round4(m.Percent), TonePoints: round4(m.TonePoints), ExpectedDE00: round4(m.ExpectedDE00)})
		}
		v.Findings = append(v.Findings, out)
		v.Outcome = worse(v.Outcome, f.Level)
	}
}

// evidence gathers what bears on the cause of one reading.
func evidence(in Input, s *drift.Sample, r *drift.Result, st *State, lines []cause.Line) cause.Evidence {
	e := cause.Evidence{
		Stage: in.Reading.Condition.Stage, Path: in.Reading.Condition.Path, Driven: in.Chart.Driven, Drift: r, Lines: lines, Other: in.Other,
	}
	if in.Model != nil {
		e.Facts = facts(in.Model.Baseline, in.Reading)
	}
	if r != nil {
		st.Prints = agreeing(st.Prints, r, in.Reading.Print)
		e.Agreeing = len(st.Prints)
		e.AfterMove = func(channel string) float64 { return in.Model.drift.AfterMove(s, st.Drift, channel) }
	}
	return e
}

// printsKept is how many prints that agree are told apart; three are enough for any advice.
const printsKept = 6

// agreeing gives the prints in a row that show one change, this one included. The same print read again
// makes the same sighting surer and is no other one; one without a number counts as another.
func agreeing(before []string, r *drift.Result, p *protocol.Print) []string {
	if r.Agreeing == 0 {
		return nil
	}
	number := ""
	if p != nil {
		number = p.Number
	}
	if r.Agreeing == 1 {
		return []string{number}
	}
	if number != "" && slices.Contains(before, number) {
		return before
	}
	all := append(slices.Clone(before), number)
	return all[max(0, len(all)-printsKept):]
}

// calibrationAge is how long an instrument is taken to hold its calibration: a working day. Common
// practice, no source.
const calibrationAge = 24 * time.Hour

// pressSlack is how far a press setting, in degrees or seconds, may differ and still be the same: a
// measured platen is not steadier. Common practice, no source.
const pressSlack = 3

// pressChange is by how much a setting of the press changed; 0 when it did not, or when one of the two was
// not given.
func pressChange(before, now float64) float64 {
	if before == 0 || now == 0 || math.Abs(now-before) <= pressSlack {
		return 0
	}
	return now - before
}

// facts are what is known to differ between a reading and the readings of its baseline.
func facts(b *Baseline, r *protocol.Reading) cause.Facts {
	var f cause.Facts
	if b.Press != nil && r.Press != nil {
		f.PressCelsius = pressChange(b.Press.Celsius, r.Press.Celsius)
		f.PressSeconds = pressChange(b.Press.Seconds, r.Press.Seconds)
		f.PressChanged = f.PressCelsius != 0 || f.PressSeconds != 0 ||
			b.Press.Pressure != "" && r.Press.Pressure != "" && b.Press.Pressure != r.Press.Pressure
	}
	if b.Lots != nil && r.Lots != nil {
		f.MediaLotChanged = r.Lots.Media != "" && b.Lots.Media != "" && r.Lots.Media != b.Lots.Media
		for ch, lot := range r.Lots.Ink {
			if old := b.Lots.Ink[ch]; old != "" && lot != "" && old != lot {
				f.InkLotChanged = append(f.InkLotChanged, ch)
			}
		}
	}
	f.InstrumentChanged = b.Instrument.Serial != "" && r.Instrument.Serial != "" && b.Instrument.Serial != r.Instrument.Serial
	if c := r.Instrument.CalibratedAt; c != nil {
		f.CalibrationOld = r.TakenAt.Sub(*c) > calibrationAge
	}
	return f
}

// ranks orders outcomes. A finding outranks both "unusable" and "learning": a line seen is a line.
var ranks = map[string]int{"": 0, protocol.Steady: 0, protocol.Learning: 0, protocol.Unusable: 0, protocol.LevelNote: 1, protocol.LevelAct: 2, protocol.LevelStop: 3}

// worse gives the worse of two outcomes.
func worse(a, b string) string {
	if ranks[b] > ranks[a] {
		return b
	}
	return a
}
