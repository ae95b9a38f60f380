package detail

import (
	"fmt"
	"strings"

	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
	"swathkeeper/worker/alert"
)

// trackWords say what a figure is, as a printer would.
var trackWords = map[string]string{
	"mean":     "whole chart: mean colour difference",
	"strength": "strength",
	"tone":     "tone curve at 50 %",
	// Of readings of before the curve was told by itself: no tolerance is for this.
	"tone_left": "mid-tone left after strength",
	"hue":       "hue of the solid",
	"cast":      "ink colour off its hue",
	"depth":     "depth of the solid",
	"load":      "loss where much ink lies",
	"flare":     "dark colours lifted",
	"lines":     "clearness of lines",
}

// whiteWords are the three ways in which paper or fabric white can change.
var whiteWords = map[string]string{"L": "white of the fabric: lightness", "a": "white of the fabric: red or green", "b": "white of the fabric: yellow or blue"}

func trackName(kind, channel string) string {
	if kind == "white" {
		if w := whiteWords[channel]; w != "" {
			return w
		}
	}
	word := trackWords[kind]
	if word == "" {
		word = strings.ReplaceAll(kind, "_", " ")
	}
	switch {
	case channel == "":
		return word
	case kind == "lines" && channel == "all":
		return "seams across all inks"
	case kind == "lines":
		return alert.ChannelName(channel) + ": lines"
	}
	return alert.ChannelName(channel) + ": " + word
}

// Tone is what became of a channel's mid-tone.
type Tone struct {
	Kind             string // tone: how far the curve is bent; tone_left: only what strength leaves over is known
	Value, SE, Limit float64
}

// ToneOf gives the mid-tone of a channel as the shop's tolerance is for it, and false where the chart does
// not show it.
func ToneOf(ch *protocol.ColourChannel) (Tone, bool) {
	if ch.BentSE > 0 || ch.BentPoints != 0 {
		return Tone{"tone", ch.BentPoints, ch.BentSE, ch.BentLimit}, true
	}
	return Tone{"tone_left", ch.TonePoints, ch.ToneSE, ch.ToneLimit}, ch.ToneSE > 0 || ch.TonePoints != 0
}

// ToneWords names it.
func ToneWords(t Tone) string { return trackWords[t.Kind] }

// HardlyPrints says what is left of a channel that hardly prints.
func HardlyPrints(channel string) string {
	return alert.ChannelName(channel) + " hardly prints: its ink seems to be out or its head to be off; its tone curve and its hue are not judged"
}

// splitFactor takes the channel or axis off a factor's name.
func splitFactor(name string) (kind, channel string) {
	kind, channel, _ = strings.Cut(name, ":")
	return kind, channel
}

// factorUnit is the unit of a common factor, as a printer reads it.
func factorUnit(kind, unit string) string {
	switch {
	case unit == "percent":
		return "%"
	case unit == "" && kind == drift.KindDepth:
		return "Lab units"
	}
	return unit
}

// Units says what the units of control charts are that are no printer's own.
const Units = "Lab units: steps of colour, of which about 1 is seen side by side. Times noise: how far the clearest line stands out from the grain of the strips."

// AdviceWords put an advice into words, with its channel.
func AdviceWords(advice, channel string) string {
	s := strings.ReplaceAll(advice, "_", " ")
	if channel != "" {
		s += ", " + alert.ChannelName(channel)
	}
	return s
}

// Count names a number of things: 1 reading, 2 readings.
func Count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// lineWords say what a line is.
var lineWords = map[string]string{
	"dropout": "a nozzle that does not fire", "weak": "a weak nozzle", "deflected": "a nozzle that fires askew",
	"section": "a weak group of nozzles", "feed": "a seam of the paper feed",
}

// Channel names a channel in words.
func Channel(channel string) string { return alert.ChannelName(channel) }

// Condition says how a chart was printed.
func Condition(c protocol.Condition) string { return conditionWords(c) }

// conditionWords say how a chart was printed.
func conditionWords(c protocol.Condition) string {
	s := c.Media + ", preset " + c.Preset + ", "
	switch c.Stage {
	case protocol.StageTransfer:
		s += "read on the transfer, before the press"
	case protocol.StagePressed:
		s += "read on the goods, after the press"
	default:
		s += "printed directly"
	}
	if c.Path == protocol.PathManaged {
		s += ", through the profile"
	}
	return s
}

// gradeWords say how far a baseline can be trusted.
var gradeWords = map[string]string{
	protocol.GradeNone: "no baseline", protocol.GradeTentative: "a tentative baseline (fewer than 5 readings: only tolerances speak)",
	protocol.GradeProvisional: "a provisional baseline (5 to 9 readings: wide limits)", protocol.GradeFull: "a full baseline",
}
