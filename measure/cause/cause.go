// Package cause turns what a reading shows into advice: which of the known causes explains it,
// how likely, which other comes close, and the cheapest check that splits the two.
//
// It is pure: evidence in, findings out, most likely first. It measures nothing itself; the
// colour evidence comes from package drift and the line evidence from the caller.
package cause

import "swathkeeper/measure/drift"

// Advice words.
const (
	CleanHead     = "clean_head"
	RefitProfile  = "refit_profile"
	CheckInk      = "check_ink"
	CheckPress    = "check_press"
	CheckMedia    = "check_media"
	CheckFeed     = "check_feed"
	CheckSettings = "check_settings"
	Remeasure     = "remeasure"
)

// Levels of a finding.
const (
	Note = "note" // real, but within tolerance
	Act  = "act"  // beyond tolerance
	Stop = "stop" // beyond the stop limit
)

// Stages at which a chart is read.
const (
	StageTransfer = "transfer" // on the paper, before the press
	StagePressed  = "pressed"  // on the goods
	StageDirect   = "direct"   // no press
)

// Line is a summary of what was found in the line traces of one channel.
type Line struct {
	Kind    string `json:"kind"`    // dropout, weak, deflected, section or feed
	Channel string `json:"channel"` // "" for a feed seam, which all channels share
	Level   string `json:"level"`   // note, act or stop
	// Section says that a whole section of the head is weak, so that the channel's patches are
	// thinner too.
	Section bool `json:"section"`
	// Likelihood is the confidence that the line is there, 0..1.
	Likelihood float64 `json:"likelihood"`
	Count      int     `json:"count"` // lines found
}

// Facts are what is known to differ from the baseline's readings, apart from colour. The zero
// value means that nothing is known to have changed.
type Facts struct {
	PresetChanged     bool     `json:"preset_changed"`
	PressChanged      bool     `json:"press_changed"` // temperature, time or pressure
	PressCelsius      float64  `json:"press_celsius"` // change of the temperature, 0 when unknown
	PressSeconds      float64  `json:"press_seconds"` // change of the time, 0 when unknown
	MediaLotChanged   bool     `json:"media_lot_changed"`
	InkLotChanged     []string `json:"ink_lot_changed"`    // channels
	InstrumentChanged bool     `json:"instrument_changed"` // another serial number
	CalibrationOld    bool     `json:"calibration_old"`    // calibrated long before the reading
	ProfileChanged    bool     `json:"profile_changed"`
}

// OtherStage is what the same print, or the same printer lately, showed at its other stage.
type OtherStage struct {
	Stage string `json:"stage"`
	// SamePrint: the very same print was read at both stages.
	SamePrint bool `json:"same_print"`
	// Significant says whether that series is out of its own normal state.
	Significant bool `json:"significant"`
	// Strength is each channel's change there, in percent, with its limit.
	Strength []drift.Channel `json:"strength,omitempty"`
}

// Evidence is everything that bears on one reading.
type Evidence struct {
	Stage string        `json:"stage"` // transfer, pressed or direct
	Path  string        `json:"path"`  // device or managed
	Drift *drift.Result `json:"drift,omitempty"`
	// Tolerances are those the drift result was judged by.
	Driven string      `json:"driven"`
	Lines  []Line      `json:"lines,omitempty"`
	Facts  Facts       `json:"facts"`
	Other  *OtherStage `json:"other,omitempty"`
	// Agreeing is the number of charts in a row that show this change, this one included; 0
	// takes it from Drift.
	Agreeing int `json:"agreeing"`
	// AfterMove gives the mean CIEDE2000 to expect once only one channel's move is made; nil when it is
	// not known: what is expected of all moves then stands for it.
	AfterMove func(channel string) float64 `json:"-"`
}

// Finding is one advice with its reasons.
type Finding struct {
	Advice     string  `json:"advice"`
	Channel    string  `json:"channel,omitempty"`
	Level      string  `json:"level"`
	Likelihood float64 `json:"likelihood"` // 0..1
	// Why is one sentence in a printer's words, with its numbers.
	Why string `json:"why"`
	// Rival is the advice that comes close, and SplittingCheck the cheapest check between them.
	Rival          string   `json:"rival,omitempty"`
	RivalChannel   string   `json:"rival_channel,omitempty"`
	SplittingCheck string   `json:"splitting_check,omitempty"`
	Moves          []Move   `json:"moves,omitempty"`
	House          []string `json:"house,omitempty"` // house colours beyond their tolerance

	also string // another channel that is at fault as well
}

// Move is a starting correction for one channel.
type Move struct {
	drift.Move
	// ExpectedDE00 is the chart's mean CIEDE2000 to expect once all moves of the finding are made.
	ExpectedDE00 float64 `json:"expected_de00"`
}
