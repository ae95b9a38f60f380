package alert

import (
	"maps"
	"slices"
	"time"

	"swathkeeper/protocol"
)

// Shown is what the last usable reading of a series showed of the printer's colours. A printing condition
// read on the transfer paper and one read on the pressed goods tell together what neither can tell alone.
type Shown struct {
	Print string `json:"print,omitempty"` // the chart's printed number
	// Real says that a change of colour was found, at any level; a reading to be repeated is none.
	Real bool `json:"real,omitempty"`
	// Strength is each channel's change, in percent.
	Strength map[string]float64 `json:"strength,omitempty"`
}

// shownBy is what a verdict shows; nil where it says nothing of colour.
func shownBy(v *protocol.Verdict) *Shown {
	if v.Colour == nil || v.Condition.Stage != protocol.StageTransfer && v.Condition.Stage != protocol.StagePressed {
		return nil
	}
	out := &Shown{Print: v.Print}
	for _, f := range v.Findings {
		if ofColour(f.Advice) && f.Advice != protocol.AdviceRemeasure {
			out.Real = true
		}
	}
	if out.Real {
		out.Strength = map[string]float64{}
		for _, c := range v.Colour.Channels {
			out.Strength[c.Channel] = c.StrengthPercent
		}
	}
	return out
}

// OtherStage gives what the printer's prints showed at the other stage not long before or after a reading,
// which stage that is, and whether it is the very same print; nil when nothing is known of it. The same print,
// where it was read at both stages, counts before any other; of others the one read last.
func (s *State) OtherStage(stage, print string, at time.Time, o Options) (shown *Shown, other string, samePrint bool) {
	other = map[string]string{protocol.StagePressed: protocol.StageTransfer, protocol.StageTransfer: protocol.StagePressed}[stage]
	if other == "" {
		return nil, "", false
	}
	within := o.withDefaults().SupportWithin
	var best *Series
	same := func(c *Series) bool { return c.sheet(print) != "" && c.Shown.Print == print }
	for _, id := range slices.Sorted(maps.Keys(s.Series)) {
		c := s.Series[id]
		if c.Stage != other || c.Shown == nil || weakGrade(c.Grade) || at.Sub(c.LastAt).Abs() > within {
			continue
		}
		if best == nil || same(c) && !same(best) || same(c) == same(best) && c.LastAt.After(best.LastAt) {
			best = c
		}
	}
	if best == nil {
		return nil, "", false
	}
	return best.Shown, other, same(best)
}
