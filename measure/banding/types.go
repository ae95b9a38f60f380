package banding

// Geometry is what is known of the printer's head and feed. All of it is optional: without StepMM the
// period of a repeating line is searched for, without the rest a line is placed in millimetres only.
type Geometry struct {
	// StepMM is the paper advance of one pass, in mm.
	StepMM float64 `json:"step_mm,omitempty"`
	// NozzlePitchUM is the distance between neighbouring nozzles along the feed, in micrometres.
	NozzlePitchUM float64 `json:"nozzle_pitch_um,omitempty"`
	// Nozzles is the number of nozzles of one ink.
	Nozzles int `json:"nozzles,omitempty"`
	// Passes is the number of passes that lay down one area.
	Passes int `json:"passes,omitempty"`
	// FirstNozzleMM is the feed coordinate at which nozzle 1 prints in some pass; nil when unknown.
	FirstNozzleMM *float64 `json:"first_nozzle_mm,omitempty"`
	// Channels lists the layout's channels in order; when empty they are taken from the traces.
	Channels []string `json:"channels,omitempty"`
}

// Units of a trace.
const (
	Density   = "density"   // optical density in the channel's complementary filter, paper included
	Lightness = "lightness" // CIE L*
)

// Trace is one strip of one ink sampled along the paper feed.
type Trace struct {
	Strip   string `json:"strip"`
	Channel string `json:"channel"`
	// TintPercent is the strip's tint, 0..100.
	TintPercent float64 `json:"tint_percent,omitempty"`
	// StartMM is the feed coordinate of the centre of the first sample, in mm.
	StartMM float64 `json:"start_mm"`
	// PitchUM is the distance between samples, in micrometres.
	PitchUM float64 `json:"pitch_um"`
	Unit    string  `json:"unit"`
	// Paper is the value of the unprinted material in the same unit, 0 when unknown.
	Paper float64 `json:"paper,omitempty"`
	// Values are the samples; NaN stands for a missing one.
	Values []float64 `json:"values"`
}

// AllChannels is the channel name of what all inks show together: feed seams.
const AllChannels = "all"

// Kind says what a line is.
type Kind string

// The kinds of lines.
const (
	Dropout   Kind = "dropout"   // a nozzle does not fire: light, one ink, every step
	Weak      Kind = "weak"      // a nozzle fires too little
	Deflected Kind = "deflected" // a nozzle fires sideways: a light and a dark line side by side
	Section   Kind = "section"   // a group of neighbouring nozzles prints lighter or darker
	Feed      Kind = "feed"      // a seam between feed steps, in all inks at one place
)

// Line is one line found, repeating at every feed step or single (Repeats 1).
type Line struct {
	Kind Kind `json:"kind"`
	// AtMM is the feed coordinate of the repeat nearest the middle of the strip, where it is known
	// best; the others lie PeriodMM apart. AtMMSE is its standard error.
	AtMM   float64 `json:"at_mm"`
	AtMMSE float64 `json:"at_mm_se"`
	// Contrast is the peak in the trace's unit; negative means lighter than around it, in either unit.
	Contrast   float64 `json:"contrast"`
	ContrastSE float64 `json:"contrast_se"`
	// ContrastLightness is the peak as a CIE L* difference, positive = lighter, and ContrastDE00 as a
	// CIEDE2000 colour difference, both by [InkModel] where the trace does not give them itself.
	ContrastLightness float64 `json:"contrast_lightness"`
	ContrastDE00      float64 `json:"contrast_de00"`
	// WidthUM is the full width at half depth in micrometres, 0 where it cannot be known.
	WidthUM float64 `json:"width_um,omitempty"`
	// Repeats counts the steps in which the strip shows the line.
	Repeats int `json:"repeats"`
	// PeriodMM is the distance of the repeats with its standard error; 0 for a single line.
	PeriodMM   float64 `json:"period_mm,omitempty"`
	PeriodMMSE float64 `json:"period_mm_se,omitempty"`
	// NozzleCandidates are the nozzles, counted from 1, that can have made the line: known only
	// modulo step / pitch, and only when the geometry fixes the origin.
	NozzleCandidates []int `json:"nozzle_candidates,omitempty"`
	// Loss is the share of one nozzle's ink that is missing (1 = all) with its standard error; 0 when
	// the geometry does not tell.
	Loss   float64 `json:"loss,omitempty"`
	LossSE float64 `json:"loss_se,omitempty"`
	// Visibility is the contrast over the threshold of the standard observer at the viewing
	// distance (Barten 2004); 1 is just visible in the laboratory.
	Visibility float64 `json:"visibility"`
	// Matters says that the line is beyond tolerance (act), Stop that people will see it.
	Matters bool `json:"matters,omitempty"`
	Stop    bool `json:"stop,omitempty"`
	// Score is the line's own statistic, Limit the one it had to pass.
	Score float64 `json:"score"`
	Limit float64 `json:"limit"`
	// Standing says that the baseline shows the same line: known, not new.
	Standing bool `json:"standing,omitempty"`
	// Confirmed says that at least two strips of the ink show it.
	Confirmed bool `json:"confirmed,omitempty"`
}

// Mark is something found that is not a fault of the head: on one strip only (dirt, a scratch, a
// fabric fault), or a single mark under all inks at once (the fabric, or a jerk of the feed).
type Mark struct {
	Strip    string  `json:"strip,omitempty"`   // empty: under all strips
	Channel  string  `json:"channel,omitempty"` // empty: under all inks
	AtMM     float64 `json:"at_mm"`
	Contrast float64 `json:"contrast"` // as Line.Contrast
	Score    float64 `json:"score"`
	Repeats  int     `json:"repeats"`
	Why      string  `json:"why"` // "one_strip", "all_inks" or "dark"
}

// ChannelResult is the judgement of one channel, or of [AllChannels].
type ChannelResult struct {
	Channel string `json:"channel"`
	// Score is the largest statistic, scaled so that it is to be compared with Limit.
	Score float64 `json:"score"`
	Limit float64 `json:"limit"`
	// Detectable is the peak contrast of a repeating line, in the trace's unit, that is found nine
	// times in ten; DetectableSingle that of a line that does not repeat.
	Detectable       float64 `json:"detectable,omitempty"`
	DetectableSingle float64 `json:"detectable_single,omitempty"`
	Unit             string  `json:"unit,omitempty"`
	Lines            []Line  `json:"lines,omitempty"`
}

// Warning is a doubt about a reading or a baseline that a person should see.
type Warning struct {
	Code    string  `json:"code"`
	Strip   string  `json:"strip,omitempty"`
	Channel string  `json:"channel,omitempty"`
	Value   float64 `json:"value,omitempty"`
	Text    string  `json:"text"`
}

// Result is the judgement of one reading's traces.
type Result struct {
	Channels []ChannelResult `json:"channels,omitempty"`
	Marks    []Mark          `json:"marks,omitempty"`
	Warnings []Warning       `json:"warnings,omitempty"`
	// WithinReading says that no baseline was used: noise and limits come from the reading itself.
	WithinReading bool `json:"within_reading,omitempty"`
	// Unusable counts traces from which nothing could be concluded.
	Unusable int `json:"unusable,omitempty"`
}

// Options are the choices of a shop. The zero value of a field means its default.
type Options struct {
	// Alpha is the chance of a false alarm per good reading, over everything that is searched for.
	// Default 1/740, half of one in 370.
	Alpha float64 `json:"alpha,omitempty"`
	// ViewingMM is the distance from which the goods are looked at, in mm. Default 400 (ISO 15311-2
	// assumes 300 to 500).
	ViewingMM float64 `json:"viewing_mm,omitempty"`
	// Luminance of the white goods in cd/m2. Default 100.
	Luminance float64 `json:"luminance,omitempty"`
	// MattersDE00 is the peak of a repeating line that matters. Default 0.3.
	MattersDE00 float64 `json:"matters_de00,omitempty"`
	// MattersLoss is the share of one nozzle's ink lost that matters. Default 0.5.
	MattersLoss float64 `json:"matters_loss,omitempty"`
	// StopVisibility is how many times the laboratory threshold means that people will complain.
	// Default 3.
	StopVisibility float64 `json:"stop_visibility,omitempty"`
	// DetrendMM is the window of the running median that takes the slow trend away. Default 10.
	DetrendMM float64 `json:"detrend_mm,omitempty"`
	// MaxLines bounds the lines reported per channel. Default 8.
	MaxLines int `json:"max_lines,omitempty"`
}

func (o Options) withDefaults() Options {
	def := func(v *float64, d float64) {
		if !(*v > 0) {
			*v = d
		}
	}
	def(&o.Alpha, 1.0/740)
	def(&o.ViewingMM, 400)
	def(&o.Luminance, 100)
	def(&o.MattersDE00, 0.3)
	def(&o.MattersLoss, 0.5)
	def(&o.StopVisibility, 3)
	def(&o.DetrendMM, 10)
	if o.MaxLines <= 0 {
		o.MaxLines = 8
	}
	return o
}
