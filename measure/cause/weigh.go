package cause

import (
	"math"
	"slices"
	"sort"

	"swathkeeper/measure/drift"
)

// candidate is one way of change and the advice it leads to.
type candidate struct {
	advice  string
	channel string
	also    string // the other channel, where two are at fault
	pattern string
	size    float64
	weight  float64 // log weight, then probability
}

// trust tempers the log likelihoods of the patterns. They take the signatures at their word;
// real printers depart from them, so a difference counts for half.
const trust = 0.5

// Log weights that facts add: what is known to have changed is a likelier cause than what is
// not. A factor of twenty, common sense, no source.
const (
	factWeight  = 3.0
	doubtWeight = 1.5
)

// weigh turns the patterns of a reading into advice with probabilities, most likely first.
func weigh(e *Evidence) []candidate {
	var all []candidate
	for _, p := range e.Drift.Patterns {
		c := candidate{pattern: p.Name, channel: p.Channel, also: p.Also, size: p.Size, weight: trust * p.LogLikelihood}
		c.advice = adviceOf(p.Name)
		if !told(e.Drift, &c) && !retold(e.Drift, &c) {
			continue // its sentence would not be true of this reading
		}
		if c.advice == CheckPress && (e.Stage == StageTransfer || e.Stage == StageDirect) {
			continue // no press has touched this print
		}
		if c.pattern == drift.PatternTwoInks {
			c.weight -= factWeight // two faults at once are rarer than one: a second beside the first in one case of twenty
		}
		c.weight += facts(e, &c) + stages(e, &c)
		all = append(all, c)
	}
	if len(all) == 0 {
		return nil
	}
	// One advice may stand for several patterns. That makes it no likelier before anything is read.
	for i := range all {
		same := 0
		for _, c := range all {
			if c.advice == all[i].advice && c.channel == all[i].channel {
				same++
			}
		}
		all[i].weight -= math.Log(float64(same))
	}
	sort.SliceStable(all, func(a, b int) bool { return all[a].weight > all[b].weight })
	top := all[0].weight
	var sum float64
	for i := range all {
		all[i].weight = math.Exp(all[i].weight - top)
		sum += all[i].weight
	}
	// The patterns of one advice are added up, under the likeliest.
	var merged []candidate
	for _, c := range all {
		c.weight /= sum
		k := slices.IndexFunc(merged, func(m candidate) bool { return m.advice == c.advice && m.channel == c.channel })
		if k < 0 {
			merged = append(merged, c)
		} else {
			merged[k].weight += c.weight
		}
	}
	sort.SliceStable(merged, func(a, b int) bool { return merged[a].weight > merged[b].weight })
	return merged
}

// overStronger is how much stronger, in percent, all inks may be on the mean in an over-pressed print:
// no more than what is not known of the mean.
const overStronger = 2.0

// othersUp is how far up, in percent, the mean of the other inks may seem where all are said to be down.
const othersUp = 1.0

// whiteMoved is the change of the unprinted goods, dE00, below which they are as they were: twice what one reading
// of a white differs from the next by. Common practice, no source.
const whiteMoved = 0.5

// told says whether the figures of the reading bear the story that a cause would be told by. The
// likelihoods weigh all factors together and may prefer a cause for its small print.
func told(r *drift.Result, c *candidate) bool {
	switch c.pattern {
	case drift.PatternInkWeak, drift.PatternInkStrong:
		var own, most float64
		for _, ch := range r.Channels {
			v := shown(r, ch)
			most = max(most, math.Abs(v))
			if ch.Channel == c.channel {
				own = v
			}
		}
		return (own < 0) == (c.pattern == drift.PatternInkWeak) && math.Abs(own) >= most/2 && !notAlone(r, c.channel) && !allAlike(r)
	case drift.PatternTwoInks:
		return exceeds(r, "strength", c.channel) && exceeds(r, "strength", c.also) && othersKeepColour(r, 1, c.channel, c.also) &&
			value(r, "strength:"+c.channel).Beyond && value(r, "strength:"+c.also).Beyond // each more than chance by itself
	case drift.PatternInkColour:
		// Weaker ink alone turns the solid a little too.
		return (exceeds(r, "hue", c.channel) || !exceeds(r, "strength", c.channel)) && !allAlike(r)
	case drift.PatternPressUnder:
		return downTogether(r) && !beyond(r, 1)
	case drift.PatternPressOver:
		// Heat past the point where all dye has gone over yellows the goods and takes dye off again.
		var sum float64
		for _, ch := range r.Channels {
			sum += shown(r, ch)
		}
		_, alone := oneAlone(r)
		return yellower(r) && sum <= overStronger*float64(len(r.Channels)) && !alone
	case drift.PatternPreset:
		return tonesTogether(r) || upTogether(r)
	case drift.PatternScale:
		v := value(r, "white:L")
		return math.Abs(v.Value) >= max(whiteSeen, 2*v.SE)
	case drift.PatternMixed:
		// Where all went up alike they did not each go their own way, unless one of them turned besides.
		return !upTogether(r) || turned(r) != ""
	case drift.PatternMedia:
		return !r.HasWhite || r.WhiteDE00 >= whiteMoved
	case drift.PatternFlare:
		// Dirt that the instrument's own reference would not show is no story: a press that takes less dye
		// across lightens darks a little as stray light does.
		return factor(r, "flare") >= flareSeen
	}
	return true
}

// whiteSeen is the change of an axis of the unprinted goods, in Lab units, from which they have moved:
// what one reading of a white differs from the next by. Common practice, no source.
const whiteSeen = 0.3

// retold tells an ink's weakness or strength where the likelihoods took it for another colour: the ink is
// the one to look at either way.
func retold(r *drift.Result, c *candidate) bool {
	if c.pattern != drift.PatternInkColour {
		return false
	}
	for _, pattern := range []string{drift.PatternInkWeak, drift.PatternInkStrong} {
		if c.pattern = pattern; told(r, c) {
			return true
		}
	}
	return false
}

// yellower says whether the unprinted goods are, beyond the error of this reading.
func yellower(r *drift.Result) bool {
	v := value(r, "white:b")
	return v.Value >= max(whiteSeen, 2*v.SE)
}

// alike is the least share of the largest change that a channel must show to have moved with it.
const (
	downAlike = 0.15 // a press takes much less from the lightest inks
	upAlike   = 0.5
)

// downTogether says whether the strengths are down, and not those of one channel alone: more than half
// of the others are so too, and on the mean none goes up instead.
func downTogether(r *drift.Result) bool {
	var sum, least float64
	for _, ch := range r.Channels {
		v := shown(r, ch)
		sum += v
		least = min(least, v)
	}
	with := 0
	for _, ch := range r.Channels {
		if v := shown(r, ch); v < 0 && v <= downAlike*least {
			with++
		}
	}
	others := len(r.Channels) - 1
	return sum < 0 && sum-least <= othersUp*float64(others) && 2*(with-1) >= others
}

// aloneShare is the most that every other ink may have changed, as a share of one that changed alone.
const aloneShare = 1.0 / 3

// oneAlone is the one channel whose strength is beyond its tolerance while the others are nearly as they were.
func oneAlone(r *drift.Result) (channel string, ok bool) {
	var own float64
	for _, x := range r.Exceeded {
		if x.What != "strength" {
			continue
		}
		if channel != "" {
			return "", false
		}
		channel = x.Channel
	}
	for _, ch := range r.Channels {
		if ch.Channel == channel {
			own = math.Abs(shown(r, ch))
		}
	}
	for _, ch := range r.Channels {
		if ch.Channel != channel && math.Abs(shown(r, ch)) > aloneShare*own {
			return "", false
		}
	}
	return channel, channel != "" && len(r.Channels) > 1
}

// farBeyond is how many times its tolerance an ink's strength must be to forbid a refit by itself.
const farBeyond = 1.5

// far says whether a channel's strength is far beyond its tolerance.
func far(r *drift.Result, channel string) bool {
	return slices.ContainsFunc(r.Exceeded, func(x drift.Exceeded) bool {
		return x.What == "strength" && x.Channel == channel && math.Abs(x.Value) >= farBeyond*x.Limit
	})
}

// othersKeepColour says whether no other channel than these is beyond a tolerance of its tone or its hue, and
// at most so many seem another colour.
func othersKeepColour(r *drift.Result, most int, channels ...string) bool {
	colours := 0
	for _, x := range r.Exceeded {
		if slices.Contains(channels, x.Channel) {
			continue
		}
		switch x.What {
		case "tone", "hue":
			return false
		case "ink_colour":
			colours++
		}
	}
	return colours <= most
}

// notAlone says whether, on charts that agree, another ink is beyond its tolerance too and moved by half as
// much as this one or more. What is wrong with one ink leaves the others as they were; a single reading
// holds a day's wander of every ink, the mean of readings that agree does not.
func notAlone(r *drift.Result, channel string) bool {
	if r.Agreeing < agreeingCharts {
		return false
	}
	own := math.Abs(agreed(r, channel))
	return slices.ContainsFunc(r.Channels, func(ch drift.Channel) bool {
		return ch.Channel != channel && exceeds(r, "strength", ch.Channel) && math.Abs(agreed(r, ch.Channel)) >= own/2
	})
}

// agreed is a channel's change of strength in the mean of the readings that agree, of which the patterns tell.
func agreed(r *drift.Result, channel string) float64 {
	for _, p := range r.Patterns {
		if p.Channel == channel && (p.Name == drift.PatternInkWeak || p.Name == drift.PatternInkStrong) {
			return p.Size
		}
	}
	return 0
}

// beyond says whether an ink is beyond its tolerance on this side, 1 for stronger and -1 for weaker.
func beyond(r *drift.Result, side float64) bool {
	return slices.ContainsFunc(r.Exceeded, func(x drift.Exceeded) bool { return x.What == "strength" && x.Value*side > 0 })
}

// turned is a channel whose hue is beyond its tolerance; "" for none.
func turned(r *drift.Result) string {
	for _, x := range r.Exceeded {
		if x.What == "hue" {
			return x.Channel
		}
	}
	return ""
}

// allAlike says whether all inks are weaker, or all stronger, none by less than half of the most: no story of one ink.
func allAlike(r *drift.Result) bool {
	low, high := span(r, func(ch drift.Channel) float64 { return shown(r, ch) })
	return len(r.Channels) > 1 && (low > 0 && low >= upAlike*high || high < 0 && high <= upAlike*low) && (beyond(r, 1) || beyond(r, -1))
}

// upTogether says whether all inks are stronger, none by less than half of the most.
func upTogether(r *drift.Result) bool {
	low, _ := span(r, func(ch drift.Channel) float64 { return shown(r, ch) })
	return low > 0 && allAlike(r)
}

// Another preset changes mid-tones by at least so many points, and tints by little more than the
// mid-tones' own part of that, which is about 1.5 percent a point.
const (
	presetPoints  = 0.8
	presetPercent = 3.0
)

// tonesTogether says whether the mid-tones of most channels moved the same way, and the solids with
// them hardly.
func tonesTogether(r *drift.Result) bool {
	var sum, most, tones, strengths float64
	tone := func(ch drift.Channel) float64 { return value(r, "tone:"+ch.Channel).Value } // its strength's part too
	for _, ch := range r.Channels {
		t := tone(ch)
		sum += t
		most = max(most, math.Abs(t))
		tones += math.Abs(t)
		strengths += math.Abs(shown(r, ch))
	}
	with := 0
	for _, ch := range r.Channels {
		if t := tone(ch); t*sum > 0 && math.Abs(t) >= most/4 {
			with++
		}
	}
	return most >= presetPoints && 2*with > len(r.Channels) && strengths <= presetPercent*tones
}

// exceeds says whether the reading is beyond a tolerance of a channel.
func exceeds(r *drift.Result, what, channel string) bool {
	return slices.ContainsFunc(r.Exceeded, func(x drift.Exceeded) bool { return x.What == what && x.Channel == channel })
}

func value(r *drift.Result, name string) drift.Value {
	for _, v := range r.Values {
		if v.Name == name {
			return v
		}
	}
	return drift.Value{}
}

// shown is the change of a channel's strength that the sentences give: of the reading, or, when
// only the weighted means are out, of those.
func shown(r *drift.Result, ch drift.Channel) float64 {
	if r.Slow && math.Abs(ch.LatelyPercent) > math.Abs(ch.StrengthPercent) {
		return ch.LatelyPercent
	}
	return ch.StrengthPercent
}

func adviceOf(pattern string) string {
	switch pattern {
	case drift.PatternInkWeak, drift.PatternInkStrong, drift.PatternInkColour, drift.PatternTwoInks:
		return CheckInk
	case drift.PatternPressUnder, drift.PatternPressOver:
		return CheckPress
	case drift.PatternMedia:
		return CheckMedia
	case drift.PatternPreset:
		return CheckSettings
	case drift.PatternMixed:
		return RefitProfile
	default:
		return Remeasure
	}
}

// facts is what is known besides colour, as a log weight.
func facts(e *Evidence, c *candidate) (w float64) {
	f := &e.Facts
	when := func(ok bool, by float64) {
		if ok {
			w += by
		}
	}
	switch c.advice {
	case CheckInk:
		when(slices.Contains(f.InkLotChanged, c.channel), factWeight)
	case CheckPress:
		when(f.PressChanged, factWeight)
		colder := f.PressCelsius < 0 || f.PressSeconds < 0
		hotter := f.PressCelsius > 0 || f.PressSeconds > 0
		when(c.pattern == drift.PatternPressUnder && hotter && !colder, -factWeight)
		when(c.pattern == drift.PatternPressOver && colder && !hotter, -factWeight)
	case CheckMedia:
		when(f.MediaLotChanged, factWeight)
	case RefitProfile:
		// A profile drifts away over weeks: what came overnight is more likely one cause.
		when(e.Drift.Sudden && e.Drift.Agreeing <= 1, -doubtWeight)
	case CheckSettings:
		when(f.PresetChanged, factWeight)
		// Another preset comes from one print to the next, not creeping.
		when(!e.Drift.Sudden && e.Drift.Agreeing <= 1, -doubtWeight)
	case Remeasure:
		when(f.InstrumentChanged, factWeight)
		when(f.CalibrationOld, doubtWeight)
	}
	return w
}
