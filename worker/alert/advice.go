package alert

import (
	"strings"

	"swathkeeper/protocol"
)

// Plan is what goes with an advice: what the cause is called, what to do about it, in order, and
// what could hurt while doing it. "%" in a text stands for the channel, in words. Where printer and
// channel are known, a command in a step names them, so that it can be typed as it stands.
//
// Steps begin with the cheapest check. Cautions are general words: the maker's manual, the safety
// data sheets and local rules decide, and every caution that goes with dangerous work says so.
type Plan struct {
	Cause    string
	Short    string // what it is, in a few words, where it is the other possibility; "" where it never is
	Steps    []string
	Cautions []string
}

const (
	cautionClean = "Keep hands, hair and sleeves out: the carriage moves without warning. Gloves and eye protection with ink or cleaning fluid. Follow the maker's manual, data sheets and local rules."
	cautionTank  = "Every clean uses ink and fills the waste tank: check its level first, clean once, then measure. Use only fluids the maker allows; do not mix them."
	cautionHead  = "Park the head and switch off by the printer's own switch before reaching in, isolating it where the manual says so; never pull the plug with the head uncapped."
	cautionInk   = "Gloves and eye protection with ink; the carriage moves without warning. Follow the maker's manual, the ink's safety data sheet and local rules, also for waste."
	cautionPress = "The platen is near 200 °C and closes hard: burns, crushed hands, fumes. Let it cool, air the room, keep guards on. Follow the maker's manual and local rules."
	cautionPower = "Electrical work on a press is for qualified people."
	cautionFeed  = "Rollers and carriage move without warning: keep fingers, hair and sleeves out, and stop the printer by its own switch first. Follow the maker's manual and local rules."
	cautionMedia = "If you press a piece to check: the platen is near 200 °C and closes hard, and fabric gives off fumes. Air the room; follow the maker's manual and local rules."
	cautionPrint = "The carriage moves without warning while printing, and a platen stays near 200 °C: follow the makers' manuals and local rules."
)

var plans = map[string]Plan{
	protocol.AdviceClean: {
		Cause: "% nozzles missing or weak",
		Short: "blocked nozzles",
		Steps: []string{
			"Print the printer's own nozzle pattern; if % has gaps, run one normal clean, then print and read a chart.",
			"Log it: `swathkeeper journal add clean`. The next reading tells whether it helped.",
			"Still there after the second clean: stop cleaning and let the head rest.",
		},
		Cautions: []string{cautionClean, cautionTank, cautionHead},
	},
	protocol.AdviceInk: {
		Cause: "% ink not as usual",
		Short: "the ink",
		Steps: []string{
			"Look at % first: ink level, date and lot, and whether it was stirred as its maker says.",
			"Print and read a second chart; a transfer read before the press tells the ink from the press.",
			"Log a change: `swathkeeper journal add ink`.",
		},
		Cautions: []string{cautionInk},
	},
	protocol.AdviceRefit: {
		Cause: "colour shifted, with no single fault behind it",
		Short: "a general shift of colour",
		Steps: []string{
			"Check that settings, ink, media and press are as they were when colours were right; only then make a new profile.",
			"Log it: `swathkeeper journal add profile`. Print and read a chart after it.",
			"Keep the old profile until the new one has proved itself.",
		},
		Cautions: []string{cautionPrint},
	},
	protocol.AdvicePress: {
		Cause: "heat press not as usual",
		Short: "the heat press",
		Steps: []string{
			"Compare the press's set temperature, time and pressure with your usual ones.",
			"Press a second print of the same job and read it; check the platen's real temperature as its manual describes.",
			"Log what you changed: `swathkeeper journal add press`.",
		},
		Cautions: []string{cautionPress, cautionPower},
	},
	protocol.AdviceMedia: {
		Cause: "fabric or paper not as usual",
		Short: "the fabric or paper",
		Steps: []string{
			"Read a blank piece of this roll beside one that you know is good, the same side up.",
			"If the roll is new and good, log it (`swathkeeper journal add media`) and learn a new baseline for it.",
		},
		Cautions: []string{cautionMedia},
	},
	protocol.AdviceFeed: {
		Cause: "paper feed too long or too short",
		Short: "the paper feed",
		Steps: []string{
			"Run the printer's own feed adjustment for this paper, then print and read a chart.",
			"Look for dirt on the rollers, a tight roll or a paper guide that binds.",
			"Log it: `swathkeeper journal add service`.",
		},
		Cautions: []string{cautionFeed},
	},
	protocol.AdviceSettings: {
		Cause: "print settings not as usual",
		Short: "other settings",
		Steps: []string{
			"Compare the job's preset, quality, ink limit and colour settings with your usual ones.",
			"Put them right, print and read a chart.",
		},
		Cautions: []string{cautionPrint},
	},
	protocol.AdviceRemeasure: {
		Cause: "a reading in doubt",
		Short: "the reading itself",
		Steps: []string{
			"Calibrate or wipe the instrument, let the piece cool and dry, and read the same chart again.",
			"Then print a second chart and read that.",
		},
		Cautions: []string{"Fresh from the press the goods, and the platen near 200 °C, burn: let them cool. Follow the makers' manuals and local rules."},
	},
	protocol.AdviceSilent: {
		Cause: "no readings",
		Steps: []string{
			"See whether a chart was printed and read; then whether the station's computer, instrument and network are on.",
			"On the station: `swathkeeper doctor`.",
			"Nothing to read for a while? Close this: `swathkeeper alert close`.",
		},
	},
}

// generalPlan serves an advice that this version does not know.
var generalPlan = Plan{
	Cause:    "something not as usual",
	Steps:    []string{"Print and read a second chart before you change anything."},
	Cautions: []string{cautionPrint},
}

// PlanFor gives the plan of an advice, with the channel put into words.
func PlanFor(advice, channel string) Plan {
	p, ok := plans[advice]
	if !ok {
		p = generalPlan
	}
	name := ChannelName(channel)
	if name == "" {
		name = map[string]string{protocol.AdviceClean: "some", protocol.AdviceInk: "the"}[advice]
	}
	put := func(texts []string) []string {
		out := make([]string, len(texts))
		for i, s := range texts {
			if channel == "" {
				s = strings.NewReplacer("if % has gaps", "if it has gaps", "Look at % first", "Look at the inks first").Replace(s)
			}
			out[i] = strings.ReplaceAll(s, "%", name)
		}
		return out
	}
	return Plan{Cause: strings.ReplaceAll(p.Cause, "%", name), Short: p.Short, Steps: put(p.Steps), Cautions: put(p.Cautions)}
}

// PlanOf gives the plan of an open alert.
func PlanOf(a protocol.Alert) Plan {
	if a.Raised == ReasonNoEffect {
		p := turnedPlan(a.Channel)
		p.Steps = addressed(p.Steps, a.Key, a.Channel)
		return p
	}
	p := PlanFor(a.Advice, a.Channel)
	p.Steps = addressed(questioning(a.Raised, p.Steps), a.Key, a.Channel)
	return p
}

// addressed completes the commands in steps with the printer, the ink and the alert that they are
// about, so that they can be typed as they stand.
func addressed(steps []string, key, channel string) []string {
	parts := strings.Split(key, "/")
	if len(parts) != 4 {
		return steps
	}
	printer := " --printer " + parts[1]
	ink := printer
	if channel != "" {
		ink += " --channel " + channel
	}
	of := map[string]string{
		"journal add clean": ink, "journal add ink": ink,
		"journal add profile": printer, "journal add press": printer, "journal add media": printer, "journal add service": printer,
		"baseline learn": printer, "baseline accept": printer, "alert close": " " + key,
	}
	out := make([]string, len(steps))
	for i, s := range steps {
		for command, rest := range of {
			s = strings.ReplaceAll(s, "`swathkeeper "+command+"`", "`swathkeeper "+command+rest+"`")
		}
		out[i] = s
	}
	return out
}

// questioning puts before an advice's steps what a change of ink or media puts in question.
func questioning(raised string, steps []string) []string {
	switch raised {
	case ReasonNewInk:
		return append([]string{"It began with the new ink and the baseline is older: if the goods look right, learn a new baseline; if not, check the ink's lot and channel. Leave the head alone."}, steps...)
	case ReasonNewMedia:
		return append([]string{"It began with the new media and the baseline is older: if the goods look right, learn a new baseline; if not, compare with the old roll. Leave the head alone."}, steps...)
	}
	return steps
}

// turnedPlan replaces cleaning after it had no effect.
func turnedPlan(channel string) Plan {
	name := or(ChannelName(channel), "the head")
	ink := name
	if channel == "" {
		ink = "every ink"
	}
	return Plan{
		Cause: name + " lines that cleaning does not clear",
		Steps: []string{
			"Stop cleaning. Let " + name + " rest capped for some hours, then print and read a chart.",
			"Still there: check " + ink + "'s level, its damper and its line for air, as the manual describes.",
			"Still there: call service. Log what was done: `swathkeeper journal add service`.",
		},
		Cautions: []string{cautionInk, cautionHead},
	}
}

// advise gives the steps and cautions that go with a change.
func (t *turn) advise(c *Cause, kind, reason string) (steps, cautions []string) {
	switch kind {
	case protocol.ChangeCleared:
		switch reason {
		case ReasonHeard, ReasonReadable:
			return []string{"Nothing to do; readings are judged again."}, nil
		case ReasonOtherCause:
			return []string{"See the other alert of this printer; nothing more to do for this one."}, nil
		}
		if t.anotherOpen(c) {
			return []string{"Look over what was printed while it lasted before it is sold. This printer has another alert open: follow that one."}, nil
		}
		return []string{"Carry on. Look over what was printed while it lasted before it is sold."}, nil
	case protocol.ChangeAbsorbed:
		return []string{"Follow the alert that explains it; nothing more to do for this one."}, nil
	case protocol.ChangeHeld:
		if c.Level == protocol.LevelStop {
			return []string{"Nothing is sent about it until then, though it is beyond the stop limit: hold production all the same."}, nil
		}
		return []string{"Nothing is sent about it until then, unless it passes the stop limit."}, nil
	case protocol.ChangeClosed:
		switch reason {
		case ReasonRefitted:
			return []string{
				"These charts are printed without the profile, so they still differ: learn a new baseline with the next good charts (`swathkeeper baseline learn`).",
			}, []string{cautionPrint}
		case ReasonNewBaseline:
			return []string{"Print and read charts over some days, then: `swathkeeper baseline accept`."}, []string{cautionPrint}
		}
		return []string{"If the next readings still show it, it is raised again."}, nil
	}
	p := PlanFor(c.Advice, c.Channel)
	if c.Raised == ReasonNoEffect {
		p = turnedPlan(c.Channel)
	}
	steps = questioning(c.Raised, p.Steps)
	if c.Check != "" {
		// What splits two causes is cheaper than acting on the wrong one.
		steps = append([]string{sentence(c.Check)}, steps...)
	}
	if reason == ReasonNoChange && c.Advice == protocol.AdviceClean {
		steps = append([]string{"Clean once more at most, then print and read a chart; if that does not help either, stop cleaning."}, steps[1:]...)
	}
	return steps, p.Cautions
}

// anotherOpen reports whether the printer has another alert about its goods open.
func (t *turn) anotherOpen(c *Cause) bool {
	for _, d := range t.Causes {
		if d != c && d.Open && t.clearing(d) == "" && d.Advice != protocol.AdviceSilent && d.Raised != ReasonUnusable {
			return true
		}
	}
	return false
}

// ChannelName puts a channel into words; a channel it does not know stays as it is.
func ChannelName(channel string) string {
	names := map[string]string{
		"C": "cyan", "M": "magenta", "Y": "yellow", "K": "black",
		"LC": "light cyan", "LM": "light magenta", "LK": "light black", "LLK": "lightest black",
		"R": "red", "G": "green", "B": "blue", "O": "orange", "V": "violet", "W": "white",
		"FY": "fluorescent yellow", "FP": "fluorescent pink",
	}
	if n, ok := names[strings.ToUpper(channel)]; ok {
		return n
	}
	return channel
}
