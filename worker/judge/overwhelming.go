package judge

import (
	"math"

	"swathkeeper/measure/banding"
	"swathkeeper/measure/cause"
	"swathkeeper/measure/drift"
)

// An alert waits for a second reading, because one print may be the odd one out. What is told at the
// first must be far beyond what chance or an odd patch can do, and bad enough that a night's work
// would be lost by waiting. The factors are choices, not published figures.
const (
	// sureScore is how many times its limit a line's statistic must be; chance passes the limit itself
	// in one reading of some hundreds.
	sureScore = 2.5
	// sureRepeats is how often a line must repeat: no scratch or fold does.
	sureRepeats = 10
	// sureStops is how many times the stop limit a colour must be beyond.
	sureStops = 2.0
	// sureLikelihood and sureUnexplained say that the cause is named beyond doubt and accounts for
	// what was measured; a wrong sheet or a slipped instrument does not look like any cause.
	sureLikelihood  = 0.9
	sureUnexplained = 0.3
)

// sureLines gives the channels ("" for the feed's seams) that have a line which needs no second
// reading: people will see it, it repeats all along the strip, and it is far beyond its limit.
func sureLines(r *banding.Result) map[string]bool {
	sure := map[string]bool{}
	for _, ch := range r.Channels {
		for i := range ch.Lines {
			l := &ch.Lines[i]
			if l.Standing || !l.Stop || l.Repeats < sureRepeats || l.Limit <= 0 || l.Score < sureScore*l.Limit {
				continue
			}
			name := ch.Channel
			if name == banding.AllChannels || l.Kind == banding.Feed {
				name = ""
			}
			sure[name] = true
		}
	}
	return sure
}

// overwhelming reports whether a finding needs no second reading. m may be nil when r is.
func overwhelming(f *cause.Finding, m *Model, r *drift.Result, sure map[string]bool) bool {
	if f.Level != cause.Stop {
		return false
	}
	switch f.Advice {
	case cause.CleanHead, cause.CheckFeed:
		return sure[f.Channel]
	case cause.CheckInk, cause.CheckPress, cause.CheckMedia, cause.CheckSettings:
	default:
		return false // what asks to be read again, or for three agreeing charts, does not go without
	}
	if r == nil || !r.Significant || f.Likelihood < sureLikelihood || r.Unexplained > sureUnexplained {
		return false
	}
	t := m.Baseline.Colour.Options.Tolerances
	factor := sureStops * t.StopFactor
	if f.Advice != cause.CheckInk && r.MeanDE00 < t.StopFactor*t.MeanDE00 {
		// One pressing, one sheet of goods or one job may be the odd one; an ink is in all of them.
		return false
	}
	for _, e := range r.Exceeded {
		// One house colour, or the worst twentieth of the patches, may be a few odd patches.
		if e.What != "house" && e.What != "p95" && e.Stop && e.Limit > 0 && math.Abs(e.Value) > factor*e.Limit {
			return true
		}
	}
	return false
}
