package cause

import (
	"fmt"
	"math"
	"strings"

	"swathkeeper/measure/drift"
)

var inkNames = map[string]string{
	"C": "cyan", "M": "magenta", "Y": "yellow", "K": "black", "LC": "light cyan", "LM": "light magenta", "LK": "light black",
	"c": "light cyan", "m": "light magenta", "k": "light black", "O": "orange", "R": "red", "G": "green", "B": "blue", "V": "violet",
}

// ink names a channel in words; for an rgb-driven chart it is a side of the colour space, for no
// single ink stands behind it.
func ink(e *Evidence, channel string) string {
	name, ok := inkNames[channel]
	if !ok {
		name = channel
	}
	if e != nil && e.Driven == drift.DrivenRGB {
		return "the " + name + " side"
	}
	return name
}

// why is the sentence of the likeliest cause, with its numbers.
func why(e *Evidence, c candidate) string {
	r := e.Drift
	var s string
	switch c.pattern {
	case drift.PatternInkWeak, drift.PatternInkStrong:
		s = strengthWhy(e, c)
	case drift.PatternTwoInks:
		if s = strengthWhy(e, c); exceeds(r, "hue", c.channel) {
			s = colourWhy(e, c)
		}
	case drift.PatternInkColour:
		s = colourWhy(e, c)
	case drift.PatternPressUnder:
		_, high := span(r, func(ch drift.Channel) float64 { return shown(r, ch) })
		most := ""
		if l := value(r, "load"); l.Value < -2*l.SE && l.Value < 0 {
			most = ", and most where most ink lies"
		}
		s = fmt.Sprintf("the inks are down in the mean (%s)%s: as when the press is too cold, too short or too light", changes(e), most)
		if high < -0.5 {
			s = fmt.Sprintf("all inks are down together, %s%s: as when the press is too cold, too short or too light", range_(r), most)
		}
	case drift.PatternPressOver:
		s = fmt.Sprintf("the white went yellow (b* %+.1f) and the inks moved together (%s): as when the press is too hot or too long", factor(r, "white:b"), range_(r))
	case drift.PatternMedia:
		inks := "the inks did not"
		if low, high := span(r, func(ch drift.Channel) float64 { return shown(r, ch) }); max(-low, high) >= 1.5 {
			inks = "the inks by " + range_(r)
		}
		s = fmt.Sprintf("the unprinted goods moved by %.1f dE00 (L* %+.1f, b* %+.1f) and %s: as with another lot or side of the goods", r.WhiteDE00, factor(r, "white:L"), factor(r, "white:b"), inks)
	case drift.PatternPreset:
		s = fmt.Sprintf("the mid-tones moved together (%s) and the solids hardly: as with another preset, profile or ink limit", rangePoints(r))
		if !tonesTogether(r) {
			s = fmt.Sprintf("all inks are up together, %s: as with another preset or ink limit, or when the press took more dye across than usual", range_(r))
		}
	case drift.PatternFlare:
		s = fmt.Sprintf("the darks read lighter by %.1f %% of white while the white reads as before: stray light or dirt in the instrument", factor(r, "flare"))
	case drift.PatternScale:
		s = fmt.Sprintf("everything, the white too, reads %s by one and the same factor (white L* %+.1f): the instrument's calibration or lamp", lighter(factor(r, "white:L")), factor(r, "white:L"))
	default:
		s = fmt.Sprintf("%s: no single cause fits, and %d charts in a row agree", ways(e), agreeingOf(e))
	}
	return s + tail(r)
}

func strengthWhy(e *Evidence, c candidate) string {
	r := e.Drift
	var ch drift.Channel
	for _, x := range r.Channels {
		if x.Channel == c.channel {
			ch = x
		}
	}
	word := "weak"
	v := shown(r, ch)
	if v > 0 {
		word = "strong"
	}
	rest := "the rest is as on the good days"
	if n := others(r, c.channel); n != "" {
		rest = "also off: " + n
	} else if small := within(r, c.channel); small != "" {
		rest = small
	}
	s := fmt.Sprintf("%s prints %.1f %% %s; %s", ink(e, c.channel), math.Abs(v), word, rest)
	if ch.HardlyPrints {
		return fmt.Sprintf("%s hardly prints at all (%.0f %% of its tints are missing): the ink is out, or its line, damper or head is off; %s", ink(e, c.channel), math.Abs(v), rest)
	}
	if ch.Since >= 3 {
		s += fmt.Sprintf("; it began about %d readings ago", ch.Since)
	}
	return s
}

// others names channels besides one whose strength is beyond its tolerance.
func others(r *drift.Result, channel string) string {
	var names []string
	for _, x := range r.Exceeded {
		if x.What == "strength" && x.Channel != channel {
			names = append(names, fmt.Sprintf("%s by %+.1f %%", ink(nil, x.Channel), x.Value))
		}
	}
	return strings.Join(names, ", ")
}

// within tells of channels besides one that changed beyond their own limits, and less than they may.
func within(r *drift.Result, channel string) string {
	var names []string
	for _, v := range r.Values {
		if v.Kind == drift.KindStrength && v.Channel != channel && v.Beyond && math.Abs(v.Value) >= 1 {
			names = append(names, fmt.Sprintf("%s %+.1f %%", ink(nil, v.Channel), v.Value))
		}
	}
	if len(names) == 0 {
		return ""
	}
	return "within tolerance: " + strings.Join(names, ", ")
}

func colourWhy(e *Evidence, c candidate) string {
	r := e.Drift
	more := ""
	for _, ch := range r.Channels {
		if ch.Channel == c.channel && exceeds(r, "strength", c.channel) {
			more = fmt.Sprintf("; it prints %+.1f %% in strength too", shown(r, ch))
		}
	}
	if n := others(r, c.channel); n != "" {
		more += "; also off: " + n
	}
	for _, ch := range r.Channels {
		if ch.Channel == c.channel && ch.HueDefined && math.Abs(ch.HueDeg) >= max(0.5, 2*ch.HueSE) {
			return fmt.Sprintf("%s has another hue (its solid turned by %+.1f degrees) in every patch it prints: another ink or lot, or ink mixed in", ink(e, c.channel), ch.HueDeg) + more
		}
	}
	return fmt.Sprintf("%s is another colour (by %.1f Lab units at its solid) in every patch it prints: another ink or lot, or ink mixed in", ink(e, c.channel), c.size) + more
}

func rowWhy(r drift.RowChange) string {
	rows := fmt.Sprintf("row %d prints", r.FromRow)
	if r.ToRow > r.FromRow {
		rows = fmt.Sprintf("rows %d to %d print", r.FromRow, r.ToRow)
	}
	return fmt.Sprintf("%s %.0f %% weaker in %s than the rest of the sheet: a group of nozzles", rows, -r.Percent, ink(nil, r.Channel))
}

func lineWhy(l Line) string {
	switch l.Kind {
	case "feed":
		return "seams at every paper step, in all inks at one place: the paper feed"
	case "section":
		return fmt.Sprintf("a whole section of the %s head prints weak", ink(nil, l.Channel))
	case "deflected":
		return fmt.Sprintf("%s lines with a light and a dark side: nozzles of %s fire askew", count(l.Count), ink(nil, l.Channel))
	}
	return fmt.Sprintf("%s light lines in %s at every step: nozzles do not fire", count(l.Count), ink(nil, l.Channel))
}

func count(n int) string {
	if n <= 0 {
		return "fine"
	}
	return fmt.Sprint(n)
}

func waitWhy(r *drift.Result, agreeing int) string {
	return fmt.Sprintf("the chart is off by %.1f dE00 in the mean and no single cause fits (%s); %d of %d charts agree so far, so read again before the profile is blamed",
		r.MeanDE00, changes(&Evidence{Drift: r}), agreeing, agreeingCharts) + tail(r)
}

func whiteFirstWhy(e *Evidence) string {
	r := e.Drift
	return fmt.Sprintf("the unprinted goods are off by %.1f dE00 (L* %+.1f, b* %+.1f), beyond their tolerance, and %s: see to the goods, the light and the instrument first, before the profile is blamed",
		r.WhiteDE00, factor(r, "white:L"), factor(r, "white:b"), ways(e)) + tail(r)
}

// ways tells of inks that no single cause moved.
func ways(e *Evidence) string {
	if allAlike(e.Drift) {
		side, more := "down", ""
		if upTogether(e.Drift) {
			side = "up"
		}
		if channel := turned(e.Drift); channel != "" {
			more = fmt.Sprintf(" and the hue of %s turned besides", ink(e, channel))
		}
		return fmt.Sprintf("all inks are %s (%s)%s", side, changes(e), more)
	}
	return fmt.Sprintf("the inks each went their own way (%s)", changes(e))
}

func unexplainedWhy(r *drift.Result) string {
	if r.Unexplained < poorFit {
		return fmt.Sprintf("the chart is off by %.1f dE00 in the mean (%s), and no cause is likelier than an ordinary day: read the print again, flat, dry and cool",
			r.MeanDE00, changes(&Evidence{Drift: r})) + tail(r)
	}
	return fmt.Sprintf("the chart is off by %.1f dE00 in the mean, and %.0f %% of that follows no ink, press, goods or instrument: read the print again, flat, dry and cool",
		r.MeanDE00, 100*r.Unexplained) + tail(r)
}

// houseWhy tells of named colours that are off by themselves.
func houseWhy(e *Evidence, doubtful bool) string {
	r := e.Drift
	var names []string
	for _, h := range r.House {
		if h.Significant && h.Beyond {
			names = append(names, fmt.Sprintf("%s is off by %.1f dE00 at patch %s (tolerance %.1f)", h.Name, h.DE00, h.Patch, h.Tolerance))
		}
	}
	s := strings.Join(names, ", ")
	switch {
	case doubtful:
		return s + " and nothing else on the chart goes with it: look for a scratch or dirt there, and read again"
	case agreeingOf(e) > 1:
		return s + " in one reading after another, and the chart's other patches do not go with it: what the job asks for that colour has changed"
	}
	return s + " and the chart's other patches do not go with it: read again"
}

// tail adds the house colours that are beyond their tolerance.
func tail(r *drift.Result) string {
	var names []string
	for _, h := range r.House {
		if h.Beyond {
			names = append(names, fmt.Sprintf("%s by %.1f (tolerance %.1f)", h.Name, h.DE00, h.Tolerance))
		}
	}
	if len(names) == 0 {
		return ""
	}
	return "; house colours off: " + strings.Join(names, ", ")
}

func factor(r *drift.Result, name string) float64 { return value(r, name).Value }

// range_ gives the span of the strengths over the channels, in percent.
func range_(r *drift.Result) string {
	low, high := span(r, func(ch drift.Channel) float64 { return shown(r, ch) })
	return fmt.Sprintf("%s to %s %%", signed(low, 0), signed(high, 0))
}

// signed writes a change with its sign, and none for what rounds to nothing.
func signed(v float64, digits int) string {
	s := fmt.Sprintf("%+.*f", digits, v)
	if strings.Trim(s, "+-0.") == "" {
		return "0"
	}
	return s
}

func rangePoints(r *drift.Result) string {
	low, high := span(r, func(c drift.Channel) float64 { return c.TonePoints })
	return fmt.Sprintf("%s to %s points at 50 %%", signed(low, 1), signed(high, 1))
}

func span(r *drift.Result, f func(drift.Channel) float64) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, c := range r.Channels {
		low, high = min(low, f(c)), max(high, f(c))
	}
	if low > high {
		return 0, 0
	}
	return low, high
}

func changes(e *Evidence) string {
	var parts []string
	for _, c := range e.Drift.Channels {
		parts = append(parts, fmt.Sprintf("%s %s %%", ink(e, c.Channel), signed(shown(e.Drift, c), 0)))
	}
	return strings.Join(parts, ", ")
}

func lighter(v float64) string {
	if v > 0 {
		return "lighter"
	}
	return "darker"
}

// splitting is the cheapest check that tells two causes apart.
func splitting(a, b string) string {
	has := func(x, y string) bool { return a == x && b == y || a == y && b == x }
	either := func(x string) bool { return a == x || b == x }
	switch {
	case a == b && a == CheckInk:
		return "print a second copy and read it: the ink that is at fault shows again, the other does not"
	case has(CheckPress, CheckMedia):
		return "read a piece of the blank goods that was never pressed"
	case has(CheckMedia, Remeasure):
		return "read the instrument's own reference and the blank goods, then this print again"
	case either(Remeasure):
		return "read the same print again, flat, dry and cool"
	case either(CheckPress):
		return "print once more and read the transfer before it is pressed"
	case either(CheckMedia):
		return "read the blank goods of this lot and of the old one"
	case has(CleanHead, CheckInk):
		return "print the printer's own nozzle pattern: gaps mean the head, a full pattern the ink"
	case either(CheckSettings):
		return "look at the job's settings, then print a second copy with the usual preset"
	}
	return "print a second copy a few minutes later and read it"
}
