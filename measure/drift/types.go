package drift

import "swathkeeper/measure/colour"

// What the device values of a chart mean.
const (
	DrivenInk = "ink" // tints per ink in percent, 0..100
	DrivenRGB = "rgb" // values asked of the driver, 0..255; a channel's tint is 1 - value/255
)

// Chart is the printed target as far as drift needs it: what was asked of the printer, patch
// by patch. All slices but Channels run over the patches in the chart's order.
type Chart struct {
	// Channels names the columns of Device. For DrivenRGB they are the complements that the
	// driver is asked for, for example C, M, Y.
	Channels []string `json:"channels"`
	// Driven is DrivenInk or DrivenRGB.
	Driven string `json:"driven"`
	// IDs are the patch names; each occurs once.
	IDs []string `json:"ids"`
	// Device holds one row of len(Channels) values for each patch.
	Device [][]float64 `json:"device"`
	// Row and Col are 1-based places on the sheet; nil, or 0 for a patch, when unknown.
	Row []int `json:"row,omitempty"`
	Col []int `json:"col,omitempty"`
	// House names the colours that the shop sells by; nil, or "" for other patches.
	House []string `json:"house,omitempty"`
}

// Spectra is a block of reflectance factors, one row for each patch.
type Spectra struct {
	StartNM float64     `json:"start_nm"`
	StepNM  float64     `json:"step_nm"`
	Values  [][]float64 `json:"values"`
}

// Sample is one reading of a chart, in the chart's patch order.
type Sample struct {
	// Lab is D50, 2 degrees; one entry a patch.
	Lab []colour.Lab `json:"lab"`
	// Missing marks patches that were not read; nil when all were.
	Missing []bool `json:"missing,omitempty"`
	// Spectra is optional. Learn takes better signatures from it; the colours judged are Lab.
	Spectra *Spectra `json:"spectra,omitempty"`
	// Day is the local date on which the reading was taken, as in "2026-03-04". Readings of
	// one day share that day's state of the printer and count accordingly.
	Day string `json:"day"`
}

// Grades of a baseline, by what its limits can be trusted with.
const (
	Tentative   = "tentative"   // fewer than 5 readings: no statistical alarm, stop limits only
	Provisional = "provisional" // 5 to 9 readings, or more of them on fewer than 3 days
	Full        = "full"        // at least 10 readings on at least 3 days
)

// Levels of a result.
const (
	LevelNone = ""
	LevelNote = "note"
	LevelAct  = "act"
	LevelStop = "stop"
)

// Kinds of factors.
const (
	KindStrength = "strength" // percent change of a channel's tints
	KindTone     = "tone"     // change of a channel's 50 % tint in points, left after strength
	KindHue      = "hue"      // a channel's ink another colour: its hue, in Lab units at the solid
	KindCast     = "cast"     // the same, square to the hue
	KindDepth    = "depth"    // the same, along strength but unlike a change of the tints
	KindWhite    = "white"    // paper white, in Lab units of L*, a*, b*
	KindLoad     = "load"     // percent change of all tints at 200 % ink, growing with the load
	KindFlare    = "flare"    // stray light in percent of white, lifting the darks
)

// inkKinds are those of one ink becoming another colour.
var inkKinds = [3]string{KindHue, KindCast, KindDepth}

func (f Factor) isInk() bool { return f.Kind == KindHue || f.Kind == KindCast || f.Kind == KindDepth }

// Factor is one common cause of change, with its spread from reading to reading.
type Factor struct {
	// Name is the kind, and after a colon the channel or axis, as in "strength:C".
	Name    string `json:"name"`
	Kind    string `json:"kind"`
	Channel string `json:"channel,omitempty"`
	// Index is the place of the channel in the chart, or of the axis in L*, a*, b*; 0 for load
	// and flare.
	Index int `json:"index"`
	// SD is the spread from one reading to another that limits are built on, in the factor's
	// unit, after pooling over channels and the floor.
	SD float64 `json:"sd"`
	// OwnSD is the spread of this factor alone, before pooling and floor.
	OwnSD float64 `json:"own_sd"`
	// DF is the degrees of freedom of SD.
	DF float64 `json:"df"`
	// SE is the standard error of the factor in one reading, from patch noise alone.
	SE float64 `json:"se"`
	// Effective is the number of independent readings that the mean of this factor is worth.
	Effective float64 `json:"effective"`
	// Rho is the correlation of one day with the next, 0 when days are independent.
	Rho float64 `json:"rho,omitempty"`
	// AloneSD is the spread of what is watched: for a channel's strength, of the strength less
	// its usual share of what the other channels did (Baseline.Shared); for others it is SD.
	AloneSD float64 `json:"alone_sd"`
	// Leans says how much of each channel's strength (in percent) one unit of this factor looks
	// like; that part is counted as strength and taken out of the signature.
	Leans []float64 `json:"leans,omitempty"`
}

// Group is a kind of factor tested as a whole: many small changes at once, as a press or a preset
// makes them, show there before any single channel is beyond its own limit.
type Group struct {
	Kind string `json:"kind"`
	// Columns is the number of independent columns that the group is worth: channels that move
	// together count for fewer.
	Columns float64 `json:"columns"`
	DF      float64 `json:"df"`
}

// PastReading is what a baseline keeps of each reading it was learned from.
type PastReading struct {
	Day     string    `json:"day"`
	Factors []float64 `json:"factors"` // in the order of Baseline.Factors
	Misfit  float64   `json:"misfit"`  // mean squared residual, in units of patch noise
	Missing int       `json:"missing"` // patches not read
	// Bare is the median change of the unprinted patches in L*, a*, b*; nil when none was read.
	Bare   []float64 `json:"bare,omitempty"`
	MeanDE float64   `json:"mean_de00"` // against the baseline mean
}

// Baseline is a known-good state of one series, as learned from its readings.
type Baseline struct {
	Version int    `json:"version"`
	Chart   Chart  `json:"chart"`
	Grade   string `json:"grade"`
	// Count is the number of readings, Days the number of local dates they were taken on.
	Count int `json:"count"`
	Days  int `json:"days"`
	// Effective is the number of independent readings that the mean is worth: readings of one
	// day, or days that follow each other closely, are worth less than their number.
	Effective float64 `json:"effective"`
	// Mean is the robust mean L*, a*, b* of each patch.
	Mean [][3]float64 `json:"mean"`
	// Noise is the patch noise of one reading: the covariance of (L*, a*, b*) that is left
	// after the common factors, pooled over the patches (rows LL, LA, LB, AA, AB, BB), and for
	// each patch the factor by which its variance differs from the pooled one.
	Noise      [6]float64 `json:"noise"`
	NoiseScale []float32  `json:"noise_scale"`
	Factors    []Factor   `json:"factors"`
	// Shared is how much of the other channels' mean strength one channel usually shares: the
	// press moves all inks together, and a single weak ink stands out better without that.
	Shared float64 `json:"shared"`
	// Groups are the kinds whose factors are also tested together.
	Groups []Group `json:"groups,omitempty"`
	// Signatures holds the change of every patch for one unit of every factor, as
	// little-endian float32 in the order factor, patch, (L*, a*, b*).
	Signatures []byte `json:"signatures_f32"`
	// Curves holds for each strength factor the second derivative, in the same order.
	Curves []byte `json:"curves_f32,omitempty"`
	// Solids holds the colour of each channel's full tint alone on the paper, as the chart's
	// patches predict it.
	Solids [][3]float64 `json:"solids"`
	// Paper is the colour of the unprinted sheet.
	Paper [3]float64 `json:"paper"`
	// MisfitSD is the spread of ln(misfit) from reading to reading, MisfitLn its mean.
	MisfitLn float64       `json:"misfit_ln"`
	MisfitSD float64       `json:"misfit_sd"`
	Past     []PastReading `json:"past"`
	// Space tells where the signatures came from: "lab" or "spectra".
	Space string `json:"space"`
	// Blind names what this chart cannot tell: a channel that it never prints, or two factors
	// that it cannot tell apart.
	Blind    []string  `json:"blind,omitempty"`
	Warnings []Warning `json:"warnings,omitempty"`
	// Options are those that Learn was given, with defaults filled in.
	Options Options `json:"options"`
}

// Warning is a doubt that goes with a result. Code is a fixed word for programs, Text one
// sentence for people.
type Warning struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

// Channel is what one channel did. For a chart driven by rgb it is a side of the driver's
// colour space, not one ink.
type Channel struct {
	Channel string `json:"channel"`
	// Tied names another channel that this chart prints so much alike that nobody can tell which of the
	// two has changed.
	Tied string `json:"tied,omitempty"`
	// StrengthPercent is the change of the channel's chart tints, in percent of each, that
	// would give the measured colours; negative is weaker, -100 no ink at all.
	StrengthPercent float64 `json:"strength_percent"`
	StrengthSE      float64 `json:"strength_percent_se"`
	StrengthLimit   float64 `json:"strength_percent_limit"`
	// TonePoints is by how many points at 50 % the channel's tone curve is bent, its solid standing
	// still: what the tolerance is for, with BentSE and BentLimit. A bent curve prints more in the mean, and StrengthPercent holds that too; ToneLeft is what
	// strength leaves over, so that a 50 % tint prints as one of 50 (1 + StrengthPercent/100) +
	// ToneLeft did. ToneSE and ToneLimit are those of ToneLeft.
	TonePoints float64 `json:"tone_bent_points"`
	BentSE     float64 `json:"tone_bent_points_se"`
	BentLimit  float64 `json:"tone_bent_points_limit"`
	ToneLeft   float64 `json:"tone_points"`
	ToneSE     float64 `json:"tone_points_se"`
	ToneLimit  float64 `json:"tone_points_limit"`
	// HueDeg is the CIE h_ab of the solid, reading minus baseline. It is 0 with HueDefined
	// false for a channel whose solid is nearly neutral or is not on the chart.
	HueDeg     float64 `json:"hue_deg"`
	HueSE      float64 `json:"hue_deg_se"`
	HueLimit   float64 `json:"hue_deg_limit"`
	HueDefined bool    `json:"hue_defined"`
	// HardlyPrints: so little of the ink is on the chart that it seems to be out, or its head to be
	// off. Neither its tone nor its colour is judged then, and no move makes up for it.
	HardlyPrints bool `json:"hardly_prints,omitempty"`
	// CastDE is the size of the ink colour change (hue and purity, strength taken out) at the
	// solid, in Lab units.
	CastDE float64 `json:"cast_de"`
	// Control chart values of the strength: the exponentially weighted mean, its limit, and
	// for how many readings the cumulative sum has been running.
	EWMA      float64 `json:"strength_ewma"`
	EWMALimit float64 `json:"strength_ewma_limit"`
	// LatelyPercent is the weighted mean of StrengthPercent; EWMA is that of what is watched of it.
	LatelyPercent float64 `json:"strength_lately_percent"`
	Since         int     `json:"since_readings"`
}

// Value is one factor of a reading against its limits.
type Value struct {
	Name    string  `json:"name"`
	Kind    string  `json:"kind"`
	Channel string  `json:"channel,omitempty"`
	Value   float64 `json:"value"`
	SE      float64 `json:"se"`
	// Alone is what is tested: Value, for a channel's strength less what it usually shares with
	// the other channels.
	Alone float64 `json:"alone"`
	// Limit is the statistical limit on Alone for this one reading (0 when the baseline is
	// tentative); Z is Alone in standard errors of prediction.
	Limit float64 `json:"limit"`
	Z     float64 `json:"z"`
	// Recent is the mean of Value over the last two or three days when those of Alone are beyond their
	// own limit together, 0 when they are not; RecentDays says how many days.
	Recent     float64 `json:"recent,omitempty"`
	RecentDays int     `json:"recent_days,omitempty"`
	// EWMA is the exponentially weighted mean of Alone over the last readings, with its limit; Lately is
	// that of Value, and Value itself where that does not stand by it.
	EWMA      float64 `json:"ewma"`
	EWMALimit float64 `json:"ewma_limit"`
	Lately    float64 `json:"lately"`
	// CusumHigh and CusumLow are the two cumulative sums in units of SD; Since counts the
	// readings since the larger of them last stood at zero.
	CusumHigh float64 `json:"cusum_high"`
	CusumLow  float64 `json:"cusum_low"`
	Since     int     `json:"since_readings"`
	// Beyond says that Alone, Recent or EWMA is outside its limit.
	Beyond bool `json:"beyond"`

	before float64 // the weighted mean up to the day before
	charts charts
}

// Test is one of the few tests that share the reading's false-alarm budget.
type Test struct {
	Name        string  `json:"name"`
	Statistic   float64 `json:"statistic"`
	Limit       float64 `json:"limit"`
	P           float64 `json:"p"`
	Significant bool    `json:"significant"`
	// Slow marks a test of the exponentially weighted means.
	Slow bool `json:"slow,omitempty"`
}

// Outlier is a patch that does not follow the rest of the chart: a scratch, a smear, dirt, or
// a mistaken reading.
type Outlier struct {
	Patch string  `json:"patch"`
	DE00  float64 `json:"de00"`
	// Distance is how far it lies from what the factors predict, in units of its noise.
	Distance float64 `json:"distance"`
}

// HouseColour is one named colour against its own tolerance.
type HouseColour struct {
	Name        string  `json:"name"`
	Patch       string  `json:"patch"`
	DE00        float64 `json:"de00"`
	Tolerance   float64 `json:"tolerance"`
	Beyond      bool    `json:"beyond"`
	Significant bool    `json:"significant"`
	// Doubtful: one patch alone shows it, against the rest of the chart and the colour's other
	// patches, and for the first time. A scratch does the same; a second reading decides.
	Doubtful bool    `json:"doubtful,omitempty"`
	P        float64 `json:"p"`
}

// RowChange is one channel weaker or stronger in some rows of the sheet than on the whole.
type RowChange struct {
	Channel string  `json:"channel"`
	FromRow int     `json:"from_row"`
	ToRow   int     `json:"to_row"`
	Percent float64 `json:"percent"`
	SE      float64 `json:"se"`
	Z       float64 `json:"z"`
}

// Exceeded is a tolerance that the reading is beyond.
type Exceeded struct {
	// What is strength, tone, hue, load, white, grey, mean, p95 or house.
	What    string  `json:"what"`
	Channel string  `json:"channel,omitempty"`
	Value   float64 `json:"value"`
	Limit   float64 `json:"limit"`
	Stop    bool    `json:"stop"` // beyond the stop limit too
}

// Move is a correction that would bring a channel back.
type Move struct {
	Channel string `json:"channel"`
	// Percent is how much more (positive) or less of the channel's tints to ask for.
	Percent float64 `json:"percent"`
	// TonePoints is the further change of its 50 % tint, in points.
	TonePoints float64 `json:"tone_points"`
}

// Pattern is one way of change that causes are known by, with how well it explains the reading.
type Pattern struct {
	Name    string `json:"name"`
	Channel string `json:"channel,omitempty"`
	// Also is the other channel of PatternTwoInks, the one that changed less.
	Also string `json:"also,omitempty"`
	// LogLikelihood is the natural logarithm of the marginal likelihood, relative to that of
	// an ordinary reading.
	LogLikelihood float64 `json:"log_likelihood"`
	// Size is the fitted amount in the pattern's own unit, with sign.
	Size float64 `json:"size"`
}

// Result is what one reading shows against the baseline.
type Result struct {
	Grade   string `json:"grade"`
	Count   int    `json:"count"`   // baseline readings
	Patches int    `json:"patches"` // patches compared
	Missing int    `json:"missing"`

	// CIEDE2000 of this reading against the baseline mean.
	MeanDE00   float64 `json:"mean_de00"`
	MedianDE00 float64 `json:"median_de00"`
	P95DE00    float64 `json:"p95_de00"` // linear interpolation
	MaxDE00    float64 `json:"max_de00"`
	WorstPatch string  `json:"worst_patch"`
	// WhiteDE00 is the mean over the unprinted patches, GreyDE00 the mean over the near-neutral
	// patches of the difference in a*, b* alone (the median, when most of them do not follow the
	// chart as a whole). HasWhite and HasGrey say whether such patches were read.
	WhiteDE00 float64 `json:"white_de00"`
	GreyDE00  float64 `json:"grey_de00"`
	HasWhite  bool    `json:"has_white"`
	HasGrey   bool    `json:"has_grey"`
	// Unexplained is the share of the change beyond patch noise that no factor explains, 0..1.
	Unexplained float64 `json:"unexplained"`
	// MeanRatio is MeanDE00 over its mean in the baseline readings.
	MeanRatio float64 `json:"mean_ratio"`

	// Channels are those that the chart can show (Baseline.Blind names the others).
	Channels []Channel     `json:"channels"`
	Values   []Value       `json:"values"`
	Tests    []Test        `json:"tests"`
	Patterns []Pattern     `json:"patterns,omitempty"` // most likely first; only when significant
	Outliers []Outlier     `json:"outliers,omitempty"`
	House    []HouseColour `json:"house,omitempty"`
	Rows     []RowChange   `json:"rows,omitempty"`
	Exceeded []Exceeded    `json:"exceeded,omitempty"`
	Moves    []Move        `json:"moves,omitempty"`
	// AfterMoves is the mean CIEDE2000 to expect once the moves are made.
	AfterMoves float64 `json:"after_moves_de00"`

	// Level answers both questions together: LevelNone when the reading is as usual, LevelNote
	// when it is different but within every tolerance, LevelAct beyond one, LevelStop beyond a
	// stop limit.
	Level string `json:"level"`
	// Significant: different from normal, within the reading's false-alarm budget. Slow: only
	// the exponentially weighted means say so.
	Significant bool `json:"significant"`
	Slow        bool `json:"slow"`
	// Sudden: the change came between the last reading and this one, not gradually.
	Sudden bool `json:"sudden"`
	// Agreeing counts the readings in a row, this one included, that are significant and show
	// the same change.
	Agreeing int `json:"agreeing"`

	Warnings []Warning `json:"warnings,omitempty"`

	whiteDoubtful bool // WhiteDE00 is that of one patch, which may be scratched
}

// State is what the judge of a series carries from reading to reading. The zero value is the
// state before the first reading after a baseline. Its size depends on the number of factors,
// never on how many readings went by.
type State struct {
	Readings int `json:"readings"`
	// Day is the date of the last reading, Today the number of readings of that day and Mean
	// their mean. Readings of one day share its state and count as one.
	Day   string    `json:"day,omitempty"`
	Today int       `json:"today,omitempty"`
	Mean  []float64 `json:"mean,omitempty"`
	// Before holds the means of the days before, the newest first: as many as the charts look
	// back. Apart marks those that nothing may be expected from: they were out of control
	// themselves, or too long ago to resemble what came after. Alarm says so of today.
	Before [][]float64 `json:"before,omitempty"`
	Apart  []bool      `json:"apart,omitempty"`
	Alarm  bool        `json:"alarm,omitempty"`
	// Seen is what the good days since the baseline showed of how single strengths wander,
	// SeenCommon of their mean.
	Seen       Seen `json:"seen,omitzero"`
	SeenCommon Seen `json:"seen_common,omitzero"`
	// EWMA is the exponentially weighted mean up to the day before Day.
	EWMA      []float64 `json:"ewma,omitempty"`
	CusumHigh []float64 `json:"cusum_high,omitempty"`
	CusumLow  []float64 `json:"cusum_low,omitempty"`
	SinceHigh []int     `json:"since_high,omitempty"`
	SinceLow  []int     `json:"since_low,omitempty"`
	// Last holds the last reading's factors; Change the mean of those that agree so far.
	Last     []float64 `json:"last,omitempty"`
	Change   []float64 `json:"change,omitempty"`
	Agreeing int       `json:"agreeing"`
	// Alike holds the mean of the last readings that changed alike, whether any of them was
	// significant by itself or not, and Likes how many they are.
	Alike []float64 `json:"alike,omitempty"`
	Likes int       `json:"likes,omitempty"`
	// House holds the house colour patches that were off by more than chance in the last reading.
	House []string `json:"house,omitempty"`
}

// UnusableError says that nothing may be concluded from a reading (or from a set of baseline
// readings). Its fields are what a verdict of outcome unusable shows.
type UnusableError struct {
	Code string // a fixed word: missing, scale, order, outliers, equal, size, not_finite, duplicate, layout, singular
	Text string // what is wrong, where
	Hint string // what to do
}

// Error implements error.
func (e *UnusableError) Error() string {
	if e.Hint == "" {
		return e.Text
	}
	return e.Text + "; " + e.Hint
}
