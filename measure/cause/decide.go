package cause

import (
	"cmp"
	"sort"

	"swathkeeper/measure/drift"
)

// agreeingCharts is how many charts in a row must show the same leftover before a profile is
// worth refitting. (A published workflow rule of thumb asks for three as well.)
const agreeingCharts = 3

// closeOdds: a rival is named when it is at least this likely compared with the first cause
// (a difference of 3 in log likelihood).
const closeOdds = 0.05

// clearChange is the log likelihood, over that of an ordinary reading, from which the chart as a
// whole has changed whatever single tests say.
const clearChange = 6.0

// poorFit is the unexplained share above which no known cause accounts for a change.
const poorFit = 0.5

// Decide names the causes that the evidence points to, most likely first; none when the
// reading is as usual. The order of the questions is that of the trade: is the reading itself
// sound, is it the instrument or the white, are there lines, is it one ink's strength, the press
// or the preset, an ink's colour; and only what persists through three agreeing charts is left
// to the profile.
func Decide(e Evidence) []Finding {
	out := lineFindings(&e)
	if e.Drift == nil || e.Drift.Level == drift.LevelNone {
		return out
	}
	sections := map[string]bool{}
	for _, l := range e.Lines {
		if l.Section || l.Kind == "section" {
			sections[l.Channel] = true
		}
	}
	for _, f := range rowFindings(&e) {
		if sections[f.Channel] {
			continue
		}
		sections[f.Channel] = true
		out = append(out, f)
	}
	f, ok := colourFinding(&e, len(sections) > 0)
	if !ok {
		return out
	}
	if f.Advice == CheckInk && sections[f.Channel] && weakens(&e, f.Channel) {
		// The weak section thins its ink's patches too: one cause, not two.
		for i := range out {
			if out[i].Advice == CleanHead && out[i].Channel == f.Channel {
				out[i].Level = worse(out[i].Level, f.Level)
				out[i].House = f.House
				out[i].Rival, out[i].RivalChannel = CheckInk, f.Channel
				out[i].SplittingCheck = splitting(CleanHead, CheckInk)
			}
		}
		return out
	}
	if len(out) > 0 && f.Advice == RefitProfile {
		// A profile fitted while the head is at fault would hide the fault.
		return out
	}
	return append(append(out, f), alsoInk(&e, &f, sections)...)
}

// alsoInk is the ink that is at fault besides the first finding: the other one where two are, and one whose
// strength is beyond its tolerance alone while goods, press or instrument come first. Neither of the two causes
// explains the other.
func alsoInk(e *Evidence, first *Finding, sections map[string]bool) []Finding {
	channel, likelihood := first.also, first.Likelihood
	switch first.Advice {
	case CheckInk:
	case CheckMedia, CheckPress, Remeasure:
		channel, _ = oneAlone(e.Drift)
		if first.Advice == Remeasure && !value(e.Drift, "strength:"+channel).Beyond {
			return nil // the reading itself is in doubt
		}
		likelihood = min(0.5, likelihood)
	default:
		return nil
	}
	if channel == "" || channel == first.Channel || sections[channel] || tiedTo(e.Drift, channel) != "" {
		return nil
	}
	c := candidate{advice: CheckInk, channel: channel, pattern: drift.PatternInkWeak}
	if first.also != "" {
		c.pattern = drift.PatternTwoInks // with goods that moved every solid has another hue
	}
	return []Finding{{Advice: CheckInk, Channel: channel, Level: e.Drift.Level, Likelihood: likelihood, Why: why(e, c), House: first.House, Moves: moves(e, c)}}
}

func weakens(e *Evidence, channel string) bool {
	return channelOf(e.Drift.Channels, channel).StrengthPercent < 0
}

// channelOf is one channel of several; the zero Channel where it is not among them.
func channelOf(of []drift.Channel, name string) drift.Channel {
	for _, c := range of {
		if c.Channel == name {
			return c
		}
	}
	return drift.Channel{}
}

var ranks = map[string]int{Note: 1, Act: 2, Stop: 3}

func worse(a, b string) string {
	if ranks[b] > ranks[a] {
		return b
	}
	return a
}

// lineFindings turns lines into advice, one a channel: the head for one ink's lines, the paper
// feed for seams in all inks.
func lineFindings(e *Evidence) []Finding {
	var out []Finding
	for _, l := range e.Lines {
		f := Finding{Advice: CleanHead, Channel: l.Channel, Level: l.Level, Likelihood: l.Likelihood, Why: lineWhy(l)}
		if l.Kind == "feed" || l.Channel == "" {
			f.Advice, f.Channel = CheckFeed, ""
		}
		merged := false
		for i := range out {
			if out[i].Advice == f.Advice && out[i].Channel == f.Channel {
				if ranks[f.Level] > ranks[out[i].Level] {
					out[i].Why = f.Why
				}
				out[i].Level = worse(out[i].Level, f.Level)
				out[i].Likelihood = max(out[i].Likelihood, f.Likelihood)
				merged = true
			}
		}
		if !merged {
			out = append(out, f)
		}
	}
	sort.SliceStable(out, func(a, b int) bool {
		if ranks[out[a].Level] != ranks[out[b].Level] {
			return ranks[out[a].Level] > ranks[out[b].Level]
		}
		return out[a].Likelihood > out[b].Likelihood
	})
	return out
}

// rowFindings are rows of patches that one ink prints weaker than on the rest of the sheet: a
// weak group of nozzles, seen without a trace.
func rowFindings(e *Evidence) []Finding {
	var out []Finding
	for _, r := range e.Drift.Rows {
		if r.Percent < 0 {
			out = append(out, Finding{Advice: CleanHead, Channel: r.Channel, Level: e.Drift.Level, Likelihood: 0.85, Why: rowWhy(r),
				Rival: Remeasure, SplittingCheck: splitting(CleanHead, Remeasure), House: housesOf(e.Drift)})
		}
	}
	return out
}

// colourFinding is the likeliest cause of what the whole chart shows.
// What a weak section of a head has left unexplained is explained by it.
func colourFinding(e *Evidence, section bool) (Finding, bool) {
	r := e.Drift
	if f, ok := houseFinding(e); ok {
		return f, true
	}
	ranked := weigh(e)
	explained := len(ranked) > 0 && r.Patterns[0].LogLikelihood > 0 && r.Unexplained < poorFit
	if !explained {
		if section {
			return Finding{}, false
		}
		if f, ok := onlyInk(e); ok {
			return f, true
		}
		return Finding{Advice: Remeasure, Level: r.Level, Likelihood: 0.6, Why: unexplainedWhy(r), House: housesOf(r),
			Rival: RefitProfile, SplittingCheck: splitting(Remeasure, RefitProfile)}, true
	}
	top := ranked[0]
	f := Finding{also: top.also, Advice: top.advice, Channel: top.channel, Level: r.Level, Likelihood: min(0.98, top.weight), House: housesOf(r)}
	f.Why = why(e, top)
	if len(ranked) > 1 && ranked[1].channel == top.also && top.also != "" {
		ranked = append(ranked[:1], ranked[2:]...) // told by itself
	}
	if len(ranked) > 1 && ranked[1].weight > closeOdds*top.weight {
		f.Rival, f.RivalChannel = ranked[1].advice, ranked[1].channel
		f.SplittingCheck = splitting(f.Advice, f.Rival)
	}
	if other := tiedTo(r, f.Channel); f.Advice == CheckInk && other != "" {
		f.Likelihood = min(f.Likelihood, 0.5)
		f.Rival, f.RivalChannel = CheckInk, other
		f.SplittingCheck = "look at both inks, or print a tint of each alone: this chart prints the two together"
		f.Why += "; but this chart cannot tell it from " + ink(e, other)
		return f, true // no moves: they would be made on the wrong ink half the time
	}
	if f.Rival == "" {
		rival(e, &f, top)
	}
	otherSide(e, &f, top)
	agreeing := agreeingOf(e)
	alone, onlyOne := oneAlone(r)
	switch {
	case top.advice == RefitProfile && exceeds(r, "white", ""):
		// A profile made over goods or an instrument that are not as usual is wrong for all others.
		f.Advice, f.Rival, f.RivalChannel = CheckMedia, Remeasure, ""
		f.Likelihood = min(f.Likelihood, 0.6)
		f.Why = whiteFirstWhy(e)
		f.SplittingCheck = splitting(CheckMedia, Remeasure)
	case top.advice == RefitProfile && onlyOne && far(r, alone) && othersKeepColour(r, 1, alone):
		// Nor over one ink that is at fault while the others are as they were, but for one that may have got into it.
		top = candidate{advice: CheckInk, channel: alone, pattern: drift.PatternTwoInks}
		f.Advice, f.Channel, f.Rival, f.RivalChannel = CheckInk, alone, RefitProfile, ""
		f.Likelihood = min(f.Likelihood, 0.6)
		f.Why, f.Moves = why(e, top), moves(e, top)
		f.SplittingCheck = splitting(CheckInk, RefitProfile)
	case top.advice == RefitProfile && agreeing < agreeingCharts:
		f.Advice, f.Rival, f.RivalChannel = Remeasure, RefitProfile, ""
		f.Why = waitWhy(r, agreeing)
		f.SplittingCheck = splitting(Remeasure, RefitProfile)
	case top.advice == RefitProfile || top.advice == CheckInk:
		f.Moves = moves(e, top)
	}
	return f, true
}

// agreeingOf is how many charts in a row show the change.
func agreeingOf(e *Evidence) int { return cmp.Or(e.Agreeing, e.Drift.Agreeing) }

// tiedTo is the channel that the chart cannot tell from this one; "" for none.
func tiedTo(r *drift.Result, channel string) string {
	return channelOf(r.Channels, channel).Tied
}

// onlyInk is for a chart whose inks account for what it shows, and where no cause is likelier than an ordinary
// day, yet one ink alone is beyond its tolerance: that ink is named, without the certainty of a cause.
func onlyInk(e *Evidence) (Finding, bool) {
	r := e.Drift
	c := candidate{advice: CheckInk}
	for _, x := range r.Exceeded {
		if x.What != "strength" {
			continue
		}
		if c.channel != "" {
			return Finding{}, false
		}
		if c.channel, c.pattern = x.Channel, drift.PatternInkWeak; x.Value > 0 {
			c.pattern = drift.PatternInkStrong
		}
	}
	if c.channel == "" || r.Unexplained >= poorFit || !told(r, &c) {
		return Finding{}, false
	}
	return Finding{Advice: CheckInk, Channel: c.channel, Level: r.Level, Likelihood: 0.5, Why: why(e, c), House: housesOf(r),
		Rival: Remeasure, SplittingCheck: splitting(CheckInk, Remeasure)}, true
}

// houseFinding is for named colours that are off while the chart as a whole is not: first the patch
// is read again; once that stands, what the job asks for that colour has changed, for the inks
// that print it print all else as before.
func houseFinding(e *Evidence) (Finding, bool) {
	r := e.Drift
	off, doubtful := false, true
	for _, h := range r.House {
		off = off || h.Significant && h.Beyond
		doubtful = doubtful && (h.Doubtful || !h.Significant)
	}
	for _, t := range r.Tests {
		off = off && !t.Significant
	}
	// With most of the chart behind it, it is the chart's cause.
	if !off || !doubtful && len(r.Patterns) > 0 && r.Patterns[0].LogLikelihood > clearChange {
		return Finding{}, false
	}
	f := Finding{Advice: Remeasure, Level: r.Level, Likelihood: 0.6, House: housesOf(r), Why: houseWhy(e, doubtful),
		Rival: CheckSettings, SplittingCheck: splitting(Remeasure, CheckSettings)}
	if !doubtful && agreeingOf(e) > 1 {
		f.Advice, f.Rival, f.SplittingCheck = CheckSettings, "", ""
	}
	return f, true
}

// flareSeen is the stray light, in percent of white, that calls for another look at the instrument whatever
// else there is: about the least that a clean instrument's own reference shows. Common practice, no source.
const flareSeen = 0.3

// rival names a second cause where the figures allow for one that the likelihoods do not tell apart.
func rival(e *Evidence, f *Finding, top candidate) {
	flare := value(e.Drift, "flare")
	switch {
	case top.advice != Remeasure && flare.Value >= flareSeen && flare.Beyond:
		f.Rival = Remeasure
	case top.pattern == drift.PatternMedia && yellower(e.Drift) && downTogether(e.Drift) && e.Stage != StageTransfer && e.Stage != StageDirect:
		f.Rival = CheckPress // too much heat yellows the goods, and takes dye off all inks
	case top.pattern == drift.PatternPreset && !tonesTogether(e.Drift) && e.Stage != StageTransfer && e.Stage != StageDirect:
		f.Rival = CheckPress
	default:
		return
	}
	f.SplittingCheck = splitting(f.Advice, f.Rival)
}

// moves are the corrections of a finding: every channel's for a refit, the ink's own for an ink.
func moves(e *Evidence, c candidate) []Move {
	r := e.Drift
	var out []Move
	for _, m := range r.Moves {
		if c.advice == CheckInk && m.Channel != c.channel {
			continue
		}
		expected := r.AfterMoves
		if c.advice == CheckInk && e.AfterMove != nil {
			expected = e.AfterMove(m.Channel)
		}
		out = append(out, Move{Move: m, ExpectedDE00: expected})
	}
	return out
}

func housesOf(r *drift.Result) []string {
	var out []string
	for _, h := range r.House {
		if h.Beyond {
			out = append(out, h.Name)
		}
	}
	return out
}
