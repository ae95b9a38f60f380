package protocol

import "time"

// Stages of a chart when it was read.
const (
	StageTransfer = "transfer" // on the paper, before the press
	StagePressed  = "pressed"  // on the goods
	StageDirect   = "direct"   // printed on the goods, no press
)

// Paths by which a chart was printed.
const (
	PathDevice  = "device"  // straight device values, without colour management
	PathManaged = "managed" // through the shop's profile
)

// Kinds of instrument.
const (
	KindSpectrophotometer = "spectrophotometer"
	KindScanner           = "scanner"
	KindColorimeter       = "colorimeter"
	KindDensitometer      = "densitometer"
)

// Reading is one chart, read once: patches, traces or both, and the condition it was printed under.
type Reading struct {
	Schema  string    `json:"schema"`
	ID      string    `json:"id"`       // UUID; version 7 when a station makes it
	TakenAt time.Time `json:"taken_at"` // when the instrument read the chart, with the shop's offset
	Site    string    `json:"site"`
	Printer string    `json:"printer"`
	Station string    `json:"station,omitzero"`
	Chart   string    `json:"chart"`            // id of the chart layout
	Edition string    `json:"edition,omitzero"` // edition of the chart layout

	Condition  Condition  `json:"condition"`
	Instrument Instrument `json:"instrument"`
	Print      *Print     `json:"print,omitzero"`
	Press      *Press     `json:"press,omitzero"`
	Room       *Room      `json:"room,omitzero"`
	Lots       *Lots      `json:"lots,omitzero"`

	Patches         *Patches    `json:"patches,omitzero"`
	TraceInstrument *Instrument `json:"trace_instrument,omitzero"` // when another than that of the patches
	Traces          []Trace     `json:"traces,omitempty"`
	Scan            *Scan       `json:"scan,omitzero"`
	Note            string      `json:"note,omitzero"` // free text, at most 500 characters
}

// Condition is what was printed on what, and at which stage it was read.
type Condition struct {
	Media  string `json:"media"`
	Preset string `json:"preset"`
	Stage  string `json:"stage"`         // transfer, pressed or direct
	Path   string `json:"path,omitzero"` // device (default) or managed
}

// Instrument is what read the chart.
type Instrument struct {
	Kind         string     `json:"kind"`
	Model        string     `json:"model,omitzero"`
	Serial       string     `json:"serial,omitzero"`
	Mode         string     `json:"mode,omitzero"` // measuring condition of ISO 13655: M0, M1, M2 or M3
	CalibratedAt *time.Time `json:"calibrated_at,omitzero"`
	Backing      string     `json:"backing,omitzero"` // white, black or self (a pile of the same goods)
}

// Print tells which sheet was read. The same number read twice is the same print.
type Print struct {
	Number     string     `json:"number,omitzero"`
	PrintedAt  *time.Time `json:"printed_at,omitzero"`
	PressedAt  *time.Time `json:"pressed_at,omitzero"`
	Replicates int        `json:"replicates,omitzero"` // how many readings were averaged; 0 means 1
}

// Press is what the heat press was set to.
type Press struct {
	Celsius  float64 `json:"celsius,omitzero"`
	Seconds  float64 `json:"seconds,omitzero"`
	Pressure string  `json:"pressure,omitzero"` // in the shop's own words
}

// Room is the air around the printer.
type Room struct {
	Celsius         float64 `json:"celsius,omitzero"`
	HumidityPercent float64 `json:"humidity_percent,omitzero"`
}

// Lots names what was loaded: ink lots by channel, and the roll of media.
type Lots struct {
	Ink   map[string]string `json:"ink,omitempty"`
	Media string            `json:"media,omitzero"`
}

// Patches holds exactly one of Lab, XYZ, Spectra and RGB, one row a patch in the order of ID.
type Patches struct {
	ID       []string `json:"id"`
	Lab      Triples  `json:"lab,omitempty"`     // CIE L*a*b*, D50, 2 degree observer
	XYZ      Triples  `json:"xyz,omitempty"`     // D50, 2 degree observer, perfect white Y = 100
	RGB      Triples  `json:"rgb,omitempty"`     // scanner values 0..1
	Encoding string   `json:"encoding,omitzero"` // of RGB: linear or srgb
	Spectra  *Spectra `json:"spectra,omitzero"`
	// Device repeats the chart's own values, one row a patch; they must then agree with the layout.
	Device Matrix `json:"device,omitempty"`
}

// Spectra holds reflectance factors, 0..2, one row a patch.
type Spectra struct {
	StartNM float64 `json:"start_nm"`
	StepNM  float64 `json:"step_nm"`
	Values  Matrix  `json:"values"`
}

// Units of a trace.
const (
	UnitDensity   = "density"   // optical density in the channel's complementary filter, paper included
	UnitLightness = "lightness" // L*
)

// Trace is a profile along the paper feed, averaged across one strip.
type Trace struct {
	Strip       string  `json:"strip"`
	Channel     string  `json:"channel,omitzero"` // absent only for a white strip, which has no ink
	TintPercent float64 `json:"tint_percent,omitzero"`
	StartMM     float64 `json:"start_mm"` // chart feed coordinate of the centre of the first sample
	PitchUM     float64 `json:"pitch_um"` // distance of samples
	Unit        string  `json:"unit"`     // density or lightness
	Values      Numbers `json:"values,omitempty"`
	// F32 carries the samples as base64 of little-endian float32, in place of Values.
	F32 string `json:"f32,omitzero"`

	// samples are those of sampled, which F32 was when it was checked.
	samples []float64
	sampled string
}

// Scan names the picture behind a reading in the object store.
type Scan struct {
	Object string  `json:"object"` // SHA-256, hex
	Bytes  int64   `json:"bytes,omitzero"`
	DPI    float64 `json:"dpi,omitzero"`
}
