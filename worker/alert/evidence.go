package alert

import (
	"slices"

	"swathkeeper/protocol"
)

// ofLines reports whether a cause lives on lines, be it under the ink's name after cleaning did not
// help.
func ofLines(c *Cause) bool {
	return c.Advice == protocol.AdviceClean || c.Advice == protocol.AdviceFeed || len(c.Sustain) > 0
}

// speaksFor reports whether a verdict that does not show a cause says that it is not there. A chart
// read without its strips, or with another ink's strips alone, says nothing about lines; strips
// without patches say nothing about colours.
func speaksFor(v *protocol.Verdict, c *Cause) bool {
	if ofLines(c) && c.Traces {
		return traced(v, c)
	}
	return v.Colour != nil
}

// traced reports whether the strips that could show a cause were judged.
func traced(v *protocol.Verdict, c *Cause) bool {
	if v.Banding == nil {
		return false
	}
	if c.Advice == protocol.AdviceFeed || c.Channel == "" {
		return len(v.Banding.Channels) > 0
	}
	return slices.ContainsFunc(v.Banding.Channels, func(b protocol.BandingChannel) bool { return b.Channel == c.Channel })
}

// unlined counts a reading that is not judged for colours, because a baseline is being learned or
// none is there, where its strips no longer show the lines of a cause. One that still shows them,
// though a person took it as known-good, speaks for nothing.
func (t *turn) unlined(v *protocol.Verdict) {
	for _, key := range t.keys() {
		c := t.Causes[key]
		if !ofLines(c) || !c.Traces || !slices.Contains(c.Shown, v.Series) || !traced(v, c) {
			continue
		}
		if lineSize(v.Banding, protocol.Finding{Advice: lineAdvice(c), Channel: c.Channel}) > 0 {
			continue
		}
		c.Clean++
		c.Mild++
		c.Below++
		c.GoodAt = t.now
	}
}

// lineAdvice is the advice under which a cause's lines are found.
func lineAdvice(c *Cause) string {
	if c.Advice == protocol.AdviceInk {
		return protocol.AdviceClean
	}
	return c.Advice
}
