package alert

import "swathkeeper/protocol"

// tellableOnset is from how many readings on an onset is told: a shorter one is what noise does too.
// The reasons that findings give use the same.
const tellableOnset = 3

// calm notes, for each channel, a reading in which nothing spoke for a change of its strength: when
// a change is dated later, this was the last one before it.
func (s *Series) calm(v *protocol.Verdict) {
	if v.Colour == nil {
		return
	}
	for _, ch := range v.Colour.Channels {
		if ch.SinceReadings > 0 {
			continue
		}
		if s.Calm == nil {
			s.Calm = map[string]protocol.LastGood{}
		}
		s.Calm[ch.Channel] = protocol.LastGood{Reading: v.Reading, At: v.At}
	}
}

// beforeOnset gives the last reading before the change that a finding tells of began, if its
// beginning was estimated; nil when there is no such reading. What was printed after it is suspect,
// though the readings since may have been within tolerance: the message says when it began, and
// must not call goods good that were printed since.
func (s *Series) beforeOnset(v *protocol.Verdict, f protocol.Finding) (good *protocol.LastGood, known bool) {
	if v.Colour == nil || f.Advice != protocol.AdviceInk {
		return nil, false
	}
	for _, ch := range v.Colour.Channels {
		if ch.Channel != f.Channel || ch.SinceReadings < tellableOnset {
			continue
		}
		if g, ok := s.Calm[ch.Channel]; ok {
			good = &g
		}
		return good, true
	}
	return nil, false
}
