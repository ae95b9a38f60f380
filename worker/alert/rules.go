package alert

import (
	"slices"
	"strings"

	"swathkeeper/protocol"
)

// Reasons of changes.
const (
	ReasonConfirmed    = "confirmed"        // enough readings of one series show it
	ReasonSupported    = "supported"        // two series show it
	ReasonOverwhelming = "overwhelming"     // the evidence needs no second reading
	ReasonDiffer       = "causes_differ"    // enough readings show that colours are off, and name different causes
	ReasonNewInk       = "after_new_ink"    // began after the ink was changed: the baseline is questioned
	ReasonNewMedia     = "after_new_media"  // began after the media were changed: the baseline is questioned
	ReasonNoEffect     = "cleans_no_effect" // cleaning did not help: the advice turns
	ReasonUnusable     = "unusable"         // readings from which nothing may be concluded
	ReasonSilent       = "silent"           // an expected station does not report

	ReasonStopLevel = "stop_level"  // passed the stop limit
	ReasonBelowStop = "below_stop"  // no longer past the stop limit
	ReasonGrown     = "grown"       // larger by a step
	ReasonShrunk    = "shrunk"      // smaller by a step
	ReasonWorseBy   = "worse_after" // worse after what the operator did
	ReasonNoChange  = "no_change"   // what the operator did changed nothing

	ReasonStillOpen = "still_open" // nothing new for the reminder time
	ReasonHoldEnded = "hold_ended" // a hold ran out

	ReasonSteady     = "steady"           // readings without it
	ReasonWithin     = "within_tolerance" // readings in which it no longer matters
	ReasonOtherCause = "other_cause"      // readings point elsewhere
	ReasonReadable   = "readable"         // a proper reading came in
	ReasonHeard      = "heard"            // the station reported

	ReasonByHand      = "by_hand"      // a person held or closed it
	ReasonRefitted    = "refitted"     // the profile was refitted; the chart cannot show it
	ReasonNewBaseline = "new_baseline" // a new known-good state is being learned
	ReasonExplained   = "explained"    // an open, stronger cause explains it
)

// Key names a cause on a printer: site/printer/advice/channel-or-series. Profile, media and
// remeasure belong to a series; what belongs neither to a channel nor to a series ends in "-".
func Key(site, printer, advice, channel, series string) string {
	last := channel
	if ofSeries(advice) {
		last = series
	}
	if last == "" {
		last = protocol.NoSeries
	}
	return strings.Join([]string{site, printer, advice, last}, "/")
}

func ofSeries(advice string) bool {
	switch advice {
	case protocol.AdviceRefit, protocol.AdviceMedia, protocol.AdviceRemeasure:
		return true
	}
	return false
}

// rank orders levels; what is no level ranks 0.
func rank(level string) int {
	switch level {
	case protocol.LevelNote:
		return 1
	case protocol.LevelAct:
		return 2
	case protocol.LevelStop:
		return 3
	}
	return 0
}

// strength orders causes: the stronger is told, and may explain the weaker. It follows the order
// in which causes are decided (settings and media move everything; then lines; then the press,
// which looks like a mix of weak inks; then one ink; what is left over last).
func strength(advice string) int {
	return slices.Index([]string{
		protocol.AdviceRemeasure, protocol.AdviceRefit, protocol.AdviceInk, protocol.AdvicePress,
		protocol.AdviceFeed, protocol.AdviceClean, protocol.AdviceMedia, protocol.AdviceSettings,
	}, advice)
}

// explains reports whether the open cause strong accounts for what weak shows, so that telling
// both would send people looking for two faults.
func (t *turn) explains(strong, weak *Cause) bool {
	if strong == weak || strong.Advice == protocol.AdviceSilent || weak.Advice == protocol.AdviceSilent ||
		weak.Raised == ReasonUnusable || strength(strong.Advice) <= strength(weak.Advice) {
		return false
	}
	if weak.Advice != protocol.AdviceRefit && rank(strong.Level) < rank(weak.Level) {
		return false
	}
	switch weak.Advice {
	case protocol.AdviceRefit:
		return true // never refit while an earlier cause is open
	case protocol.AdviceRemeasure:
		return strong.sharesSeries(weak)
	case protocol.AdviceInk:
		switch strong.Advice {
		case protocol.AdviceSettings:
			return strong.sharesSeries(weak)
		case protocol.AdvicePress:
			// The press cannot weaken what was already weak on the paper.
			return !slices.ContainsFunc(weak.Shown, func(s string) bool { return !t.pressed(s) })
		case protocol.AdviceClean:
			return strong.Channel == weak.Channel
		}
	case protocol.AdvicePress, protocol.AdviceMedia:
		return strong.Advice == protocol.AdviceSettings && strong.sharesSeries(weak)
	}
	return false
}

func (c *Cause) sharesSeries(d *Cause) bool {
	return slices.ContainsFunc(c.Shown, func(s string) bool { return slices.Contains(d.Shown, s) })
}

func (t *turn) pressed(series string) bool {
	s := t.Series[series]
	return s != nil && s.Stage == protocol.StagePressed
}

// needsPrints reports whether a second reading of the same print is no second sighting: the print,
// or its pressing, may be the odd one out.
func needsPrints(advice string) bool {
	switch advice {
	case protocol.AdvicePress, protocol.AdviceInk, protocol.AdviceRefit:
		return true
	}
	return false
}

// sizeOf gives how large a finding is, for telling worse and better: in whatever unit its cause is
// measured in, only ever compared with itself. 0 means unknown.
func sizeOf(v *protocol.Verdict, f protocol.Finding) float64 {
	switch f.Advice {
	case protocol.AdviceClean, protocol.AdviceFeed:
		return lineSize(v.Banding, f)
	case protocol.AdviceInk:
		if v.Colour == nil {
			return 0
		}
		for _, ch := range v.Colour.Channels {
			if ch.Channel == f.Channel {
				// In units of the default tolerances: 3 % of strength, 2.5 degrees of hue.
				return max(abs(ch.StrengthPercent)/3, abs(ch.HueDeg)/2.5)
			}
		}
		return 0
	}
	if v.Colour == nil {
		return 0
	}
	if f.Advice == protocol.AdviceMedia {
		return v.Colour.WhiteDE00
	}
	return v.Colour.MeanDE00
}

func lineSize(b *protocol.Banding, f protocol.Finding) float64 {
	if b == nil {
		return 0
	}
	size := 0.0
	for _, ch := range b.Channels {
		if f.Channel != "" && ch.Channel != f.Channel {
			continue
		}
		for _, l := range ch.Lines {
			if l.Standing {
				continue // known from the baseline
			}
			if (l.Kind == "feed") == (f.Advice == protocol.AdviceFeed) {
				size = max(size, abs(l.ContrastDE00))
			}
		}
	}
	return size
}

func abs(x float64) float64 { return max(x, -x) }

// reasonWords are the reasons as a line of the history tells them, where the code says too little.
var reasonWords = map[string]string{
	ReasonSupported:    "shown under two conditions",
	ReasonOverwhelming: "so plain that one reading is enough",
	ReasonDiffer:       "readings agree that it is off, and name different causes",
	ReasonNewInk:       "began after the ink was changed",
	ReasonNewMedia:     "began after the media were changed",
	ReasonNoEffect:     "cleaning did not help",
	ReasonUnusable:     "readings that nothing can be told from",
	ReasonSilent:       "no reading when one was due",
	ReasonStopLevel:    "beyond the stop limit",
	ReasonBelowStop:    "no longer beyond the stop limit",
	ReasonWorseBy:      "worse after what was done",
	ReasonNoChange:     "what was done changed nothing",
	ReasonStillOpen:    "still open: a reminder",
	ReasonHoldEnded:    "the hold has run out",
	ReasonSteady:       "readings no longer show it",
	ReasonWithin:       "within tolerance again",
	ReasonOtherCause:   "readings point to another cause",
	ReasonReadable:     "readings can be used again",
	ReasonHeard:        "a reading came in",
	ReasonByHand:       "by hand",
	ReasonRefitted:     "the profile was refitted",
	ReasonNewBaseline:  "a new baseline is being learned",
	ReasonExplained:    "explained by a stronger cause",
}

// ReasonWords is a reason in words for people; what has none is its own.
func ReasonWords(reason string) string {
	if w, ok := reasonWords[reason]; ok {
		return w
	}
	return reason
}
