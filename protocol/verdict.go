package protocol

import (
	"encoding/json"
	"time"

	"github.com/google/uuid"
)

// Outcomes of a verdict, and levels of a finding (note, act, stop).
const (
	Steady    = "steady"
	LevelNote = "note" // real, but within the shop's tolerance: history only
	LevelAct  = "act"  // beyond tolerance: chat
	LevelStop = "stop" // beyond the stop limit: chat, and hold production
	Learning  = "learning"
	Unusable  = "unusable"
)

// What a finding advises.
const (
	AdviceClean     = "clean_head"
	AdviceRefit     = "refit_profile"
	AdviceInk       = "check_ink"
	AdvicePress     = "check_press"
	AdviceMedia     = "check_media"
	AdviceFeed      = "check_feed"
	AdviceSettings  = "check_settings"
	AdviceRemeasure = "remeasure"
	AdviceSilent    = "station_silent"
)

// Advices are all of them.
func Advices() []string {
	return []string{
		AdviceClean, AdviceRefit, AdviceInk, AdvicePress, AdviceMedia, AdviceFeed, AdviceSettings, AdviceRemeasure, AdviceSilent,
	}
}

// Grades of a baseline.
const (
	GradeNone        = "none"
	GradeTentative   = "tentative"   // fewer than 5 readings: no statistical alarm
	GradeProvisional = "provisional" // 5 to 9: wide limits
	GradeFull        = "full"        // 10 or more over at least 3 dates
)

// Verdict is what the worker decided about one reading.
type Verdict struct {
	Schema     string    `json:"schema"`
	ID         string    `json:"id"`          // version 5 UUID computed from the reading's id
	Reading    string    `json:"reading"`     // id of the reading
	ReadingSeq uint64    `json:"reading_seq"` // stream sequence; 0 outside a bus
	At         time.Time `json:"at"`          // the reading's taken_at
	Site       string    `json:"site"`
	Printer    string    `json:"printer"`
	Series     string    `json:"series"`
	Chart      string    `json:"chart,omitzero"`
	Edition    string    `json:"edition,omitzero"`
	Condition  Condition `json:"condition"`
	Print      string    `json:"print,omitzero"`   // the chart's printed number
	Station    string    `json:"station,omitzero"` // who sent it
	Lots       *Lots     `json:"lots,omitzero"`
	Press      *Press    `json:"press,omitzero"`

	Outcome  string      `json:"outcome"` // steady, note, act, stop, learning or unusable
	Baseline BaselineRef `json:"baseline"`
	Findings []Finding   `json:"findings,omitempty"` // most likely cause first
	Warnings []string    `json:"warnings,omitempty"`
	Late     bool        `json:"late,omitzero"` // older than the newest one judged of its series

	Colour  *Colour  `json:"colour,omitzero"`
	Banding *Banding `json:"banding,omitzero"`

	// State is the detector state after this reading; it is opaque to everybody but the judge.
	State json.RawMessage `json:"state,omitzero"`
}

// BaselineRef names the baseline a verdict was made against.
type BaselineRef struct {
	Grade string `json:"grade"` // none, tentative, provisional or full
	ID    string `json:"id,omitzero"`
	Count int    `json:"count"` // readings it was learned from
}

// Finding is one cause the reading speaks for.
type Finding struct {
	Advice         string  `json:"advice"`
	Channel        string  `json:"channel,omitzero"`
	Level          string  `json:"level"`          // note, act or stop
	Likelihood     float64 `json:"likelihood"`     // 0..1 among the causes considered
	Why            string  `json:"why"`            // one sentence
	Rival          string  `json:"rival,omitzero"` // the advice of the next best cause, when close
	SplittingCheck string  `json:"splitting_check,omitzero"`
	// Overwhelming says that the evidence needs no second reading.
	Overwhelming bool   `json:"overwhelming,omitzero"`
	Moves        []Move `json:"moves,omitempty"`
}

// Move is how far a channel would have to go to bring the chart back.
type Move struct {
	Channel      string  `json:"channel"`
	Percent      float64 `json:"percent"`              // of the channel's tints, + is more ink
	ExpectedDE00 float64 `json:"expected_de00"`        // chart mean after all moves
	PercentSE    float64 `json:"percent_se,omitzero"`  // standard error of Percent
	TonePoints   float64 `json:"tone_points,omitzero"` // change wanted at the 50 % tint
}

// Colour is the whole-chart colour part of a verdict; differences are CIEDE2000 of this reading
// against the baseline's mean.
type Colour struct {
	Patches    int     `json:"patches"` // how many were compared
	MeanDE00   float64 `json:"mean_de00"`
	MedianDE00 float64 `json:"median_de00"`
	P95DE00    float64 `json:"p95_de00"`
	MaxDE00    float64 `json:"max_de00"`
	WorstPatch string  `json:"worst_patch"`
	// WhiteDE00 is that of the paper-white patches, GreyDE00 that of the near-neutral ones in a*, b*
	// alone; left out when no such patch was read.
	WhiteDE00 float64 `json:"white_de00,omitzero"`
	GreyDE00  float64 `json:"grey_de00,omitzero"`
	// Unexplained is the share of the change that the known causes do not account for, 0..1.
	Unexplained float64         `json:"unexplained"`
	Channels    []ColourChannel `json:"channels,omitempty"`
	Factors     []Factor        `json:"factors,omitempty"`  // paper white, press load and further common factors
	House       []HouseColour   `json:"house,omitempty"`    // the shop's named colours
	Outliers    []string        `json:"outliers,omitempty"` // patches left out of the fit, such as a scratch
	Tests       []Test          `json:"tests,omitempty"`
	// PatchDE00 is the difference of every patch of the layout, in the layout's order; -1 where a
	// patch was not read. It is kept where the reading is beyond tolerance, for pictures.
	PatchDE00 []float64 `json:"patch_de00,omitempty"`
}

// ColourChannel says what changed on one channel. Channels that the chart does not show are not
// listed, and neither are a tone and a hue (0 with a standard error of 0) that it does not show.
type ColourChannel struct {
	Channel         string  `json:"channel"`
	StrengthPercent float64 `json:"strength_percent"` // negative = weaker
	StrengthSE      float64 `json:"strength_percent_se"`
	StrengthLimit   float64 `json:"strength_percent_limit"` // statistical limit, both sides
	TonePoints      float64 `json:"tone_points,omitzero"`   // of the 50 % tint, left after strength
	ToneSE          float64 `json:"tone_points_se,omitzero"`
	ToneLimit       float64 `json:"tone_points_limit,omitzero"`
	// BentPoints is by how many points at 50 % the tone curve is bent, its solid standing still: what the
	// tolerance of the mid-tone is for. Strength holds a part of it, so the two do not add up.
	BentPoints float64 `json:"tone_bent_points,omitzero"`
	BentSE     float64 `json:"tone_bent_points_se,omitzero"`
	BentLimit  float64 `json:"tone_bent_points_limit,omitzero"`
	HueDeg     float64 `json:"hue_deg,omitzero"`
	HueSE      float64 `json:"hue_deg_se,omitzero"`
	HueLimit   float64 `json:"hue_deg_limit,omitzero"`
	// Slow is the control-chart value of the strength in units of its own limit: 1 is at the limit.
	Slow float64 `json:"slow,omitzero"`
	// SinceReadings is about how many readings ago the strength began to change, this one counted; 0:
	// it has not. One or two is what noise does as well.
	SinceReadings int `json:"since_readings,omitzero"`
	// HardlyPrints: so little of the channel is on the chart that its ink seems to be out or its head to
	// be off. Its tone and its hue are not judged then, and not listed.
	HardlyPrints bool `json:"hardly_prints,omitzero"`
}

// Factor is one further common factor of the chart.
type Factor struct {
	Name  string  `json:"name"`
	Unit  string  `json:"unit"`
	Value float64 `json:"value"`
	SE    float64 `json:"se"`
	Limit float64 `json:"limit"`
	Slow  float64 `json:"slow,omitzero"`
}

// HouseColour is one of the shop's named colours.
type HouseColour struct {
	Name      string  `json:"name"`
	Patch     string  `json:"patch"`
	DE00      float64 `json:"de00"`
	Tolerance float64 `json:"tolerance"`
}

// Test is one statistic against its limit.
type Test struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Limit float64 `json:"limit"`
}

// Banding is the lines part of a verdict.
type Banding struct {
	Channels []BandingChannel `json:"channels"`
	Marks    []StripMark      `json:"marks,omitempty"`
	Rows     []RowFinding     `json:"rows,omitempty"` // of the patch grid
}

// RowFinding is a group of neighbouring nozzles that print weaker or stronger than the rest of their
// ink, as seen in rows of the patch grid.
type RowFinding struct {
	Channel         string  `json:"channel"`
	FirstRow        int     `json:"first_row"` // from 1, inclusive
	LastRow         int     `json:"last_row"`
	FromMM          float64 `json:"from_mm,omitzero"` // feed coordinates of the rows' centres, when known
	ToMM            float64 `json:"to_mm,omitzero"`
	StrengthPercent float64 `json:"strength_percent"` // of the ink in these rows, negative = weaker
	StrengthSE      float64 `json:"strength_percent_se"`
	Score           float64 `json:"score"`
	Limit           float64 `json:"limit"`
}

// BandingChannel is the search for lines on one channel's strips.
type BandingChannel struct {
	Channel string  `json:"channel"`
	Score   float64 `json:"score"`
	Limit   float64 `json:"limit"`
	Lines   []Line  `json:"lines,omitempty"`
	// Profile is the folded profile of the channel, for pictures: one step period from feed coordinate
	// 0 on, in the trace's unit; negative = lighter than around it.
	Profile []float64 `json:"profile,omitempty"`
}

// Line is one line or seam found.
type Line struct {
	Kind         string  `json:"kind"` // dropout, weak, deflected, section or feed
	AtMM         float64 `json:"at_mm"`
	AtSE         float64 `json:"at_mm_se"`
	Contrast     float64 `json:"contrast"` // peak, in the trace's unit; negative = lighter than around it
	ContrastDE00 float64 `json:"contrast_de00"`
	WidthUM      float64 `json:"width_um,omitzero"`
	Repeats      int     `json:"repeats"`
	PeriodMM     float64 `json:"period_mm,omitzero"`
	Nozzles      []int   `json:"nozzle_candidates,omitempty"`
	Visible      bool    `json:"visible,omitzero"`  // a person would see it at the shop's viewing distance
	Standing     bool    `json:"standing,omitzero"` // the baseline shows it too: known, not new
}

// StripMark is a mark on one strip only: dirt or fabric, not a nozzle.
type StripMark struct {
	Strip    string  `json:"strip"`
	AtMM     float64 `json:"at_mm"`
	Contrast float64 `json:"contrast"`
}

func (v *Verdict) schemaName() string { return v.Schema }

// DerivedID gives the version 5 UUID of what the worker makes of an input, so that doing the work
// twice gives the same id.
func DerivedID(input, what string) string {
	space, err := uuid.Parse(input)
	if err != nil {
		space = uuid.NewSHA1(uuid.NameSpaceOID, []byte(input))
	}
	return uuid.NewSHA1(space, []byte(what)).String()
}
