package alert

import "swathkeeper/protocol"

// tellableOnset is from how many readings on an onset is told: a shorter one is what noise does too.
// The reasons that findings give use the same.
const tellableOnset = 3

// date notes, for each channel, a reading in which nothing spoke for a change of its strength, and the
// first one after it: when a change is dated later, that was its beginning.
func (s *Series) date(v *protocol.Verdict) {
	if v.Colour == nil {
		return
	}
	if s.Onsets == nil {
		s.Onsets = map[string]Onset{}
	}
	for _, ch := range v.Colour.Channels {
		o := s.Onsets[ch.Channel]
		switch {
		case ch.SinceReadings <= 0:
			o = Onset{Good: protocol.LastGood{Reading: v.Reading, At: v.At}}
		case o.Began.IsZero():
			o.Began = v.At
		}
		s.Onsets[ch.Channel] = o
	}
}

// onset gives when the change that a finding tells of began, if that was estimated. What was printed
// since the reading before is suspect, though the readings since may have been within tolerance: the
// message says when it began, and must not call goods good that were printed since.
func (s *Series) onset(v *protocol.Verdict, f protocol.Finding) *Onset {
	if v.Colour == nil || f.Advice != protocol.AdviceInk {
		return nil
	}
	for _, ch := range v.Colour.Channels {
		if ch.Channel == f.Channel && ch.SinceReadings >= tellableOnset {
			o := s.Onsets[ch.Channel]
			return &o
		}
	}
	return nil
}
