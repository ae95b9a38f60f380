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
	Station string    `json:"station,omitempty"`
	Chart   string    `json:"chart"`             // id of the chart layout
	Edition string    `json:"edition,omitempty"` // edition of the chart layout

	Condition  Condition  `json:"condition"`
	Instrument Instrument `json:"instrument"`
	Print      *Print     `json:"print,omitempty"`
	Press      *Press     `json:"press,omitempty"`
	Room       *Room      `json:"room,omitempty"`
	Lots       *Lots      `json:"lots,omitempty"`

	Patches         *Patches    `json:"patches,omitempty"`
	TraceInstrument *Instrument `json:"trace_instrument,omitempty"` // when another than that of the patches
	Traces          []Trace     `json:"traces,omitempty"`
	Scan            *Scan       `json:"scan,omitempty"`
	Note            string      `json:"note,omitempty"` // free text, at most 500 characters
}

// Condition is what was printed on what, and at which stage it was read.
type Condition struct {
	Media  string `json:"media"`
	Preset string `json:"preset"`
	Stage  string `json:"stage"`          // transfer, pressed or direct
	Path   string `json:"path,omitempty"` // device (default) or managed
}

// Instrument is what read the chart.
type Instrument struct {
	Kind         string     `json:"kind"`
	Model        string     `json:"model,omitempty"`
	Serial       string     `json:"serial,omitempty"`
	Mode         string     `json:"mode,omitempty"` // measuring condition of ISO 13655: M0, M1, M2 or M3
	CalibratedAt *time.Time `json:"calibrated_at,omitempty"`
	Backing      string     `json:"backing,omitempty"` // white or black
}

// Print tells which sheet was read. The same number read twice is the same print.
type Print struct {
	Number     string     `json:"number,omitempty"`
	PrintedAt  *time.Time `json:"printed_at,omitempty"`
	PressedAt  *time.Time `json:"pressed_at,omitempty"`
	Replicates int        `json:"replicates,omitempty"` // how many readings were averaged; 0 means 1
}

// Press is what the heat press was set to.
type Press struct {
	Celsius  float64 `json:"celsius,omitempty"`
	Seconds  float64 `json:"seconds,omitempty"`
	Pressure string  `json:"pressure,omitempty"` // in the shop's own words
}

// Room is the air around the printer.
type Room struct {
	Celsius         float64 `json:"celsius,omitempty"`
	HumidityPercent float64 `json:"humidity_percent,omitempty"`
}

// Lots names what was loaded: ink lots by channel, and the roll of media.
type Lots struct {
	Ink   map[string]string `json:"ink,omitempty"`
	Media string            `json:"media,omitempty"`
}

// Patches holds exactly one of Lab, XYZ, Spectra and RGB, one row a patch in the order of ID.
type Patches struct {
	ID       []string `json:"id"`
	Lab      Triples  `json:"lab,omitempty"`      // CIE L*a*b*, D50, 2 degree observer
	XYZ      Triples  `json:"xyz,omitempty"`      // D50, 2 degree observer, perfect white Y = 100
	RGB      Triples  `json:"rgb,omitempty"`      // scanner values 0..1
	Encoding string   `json:"encoding,omitempty"` // of RGB: linear or srgb
	Spectra  *Spectra `json:"spectra,omitempty"`
	// Device repeats the chart's own values, one row a patch; they must then agree with the layout.
	Device Matrix `json:"device,omitempty"`
}

// Spectra holds reflectance factors, 0..2, one row a patch.
type Spectra struct {
	StartNM float64 `json:"start_nm"`
	StepNM  float64 `json:"step_nm"`
	Values  Matrix  `json:"values"`
}

// Trace is a profile along the paper feed, averaged across one strip.
type Trace struct {
	Strip       string  `json:"strip"`
	Channel     string  `json:"channel"`
	TintPercent float64 `json:"tint_percent,omitempty"`
	StartMM     float64 `json:"start_mm"` // chart feed coordinate of the centre of the first sample
	PitchUM     float64 `json:"pitch_um"` // distance of samples
	Unit        string  `json:"unit"`     // density or lightness
	Values      Numbers `json:"values,omitempty"`
	// F32 carries the samples as base64 of little-endian float32, in place of Values.
	F32 string `json:"f32,omitempty"`
}

// Scan names the picture behind a reading in the object store.
type Scan struct {
	Object string  `json:"object"` // SHA-256, hex
	Bytes  int64   `json:"bytes,omitempty"`
	DPI    float64 `json:"dpi,omitempty"`
}
