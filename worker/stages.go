package worker

import (
	"maps"
	"slices"

	"swathkeeper/measure/cause"
	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
)

// otherStage is what the printer's prints showed at the other stage, before or after the press, about when a
// reading was taken: weak on both is the printer, weak only on the goods is the press.
func (k *keeper) otherStage(p *printer, r *protocol.Reading) *cause.OtherStage {
	number := ""
	if r.Print != nil {
		number = r.Print.Number
	}
	s, stage, same := p.state.Alert.OtherStage(r.Condition.Stage, number, r.TakenAt, k.alert)
	if s == nil {
		return nil
	}
	out := &cause.OtherStage{Stage: stage, SamePrint: same, Significant: s.Real}
	for _, name := range slices.Sorted(maps.Keys(s.Strength)) {
		out.Strength = append(out.Strength, drift.Channel{Channel: name, StrengthPercent: s.Strength[name]})
	}
	return out
}
