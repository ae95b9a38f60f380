// Package chart describes control charts: which patches and strips are printed, with which
// device values, where on the sheet; and draws them for a printer.
//
// It does not measure anything (that is package scan) and it does not know how a layout
// travels. Lengths are millimetres on the sheet as it comes out of the printer, x across the
// feed from the left, y along the feed from the leading edge.
package chart

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
)

// How a chart is driven: by a tint for each ink, or by RGB values that the printer's driver
// separates.
const (
	DrivenInk = "ink" // device values are tints per ink, 0..100
	DrivenRGB = "rgb" // device values are R, G, B, 0..255
)

// A Layout is a chart as printed. The zero value is not valid; see [Layout.Validate].
//
// For a mirrored chart positions are those on the transfer paper, before the press. The feed
// axis is not affected by the mirror.
type Layout struct {
	ID      string `json:"id"`      // token, names the chart
	Edition string `json:"edition"` // opaque token that changes when the layout does
	// Channels are the inks of an ink-driven chart, in the order of the device values. For an
	// RGB-driven chart they are the complements the driver is asked for, which are not single
	// inks: three, for R, G and B.
	Channels []string   `json:"channels"`
	Driven   string     `json:"driven"`                    // DrivenInk or DrivenRGB
	Mirrored bool       `json:"mirrored"`                  // drawn for a transfer: reads rightly after the press
	SizeMM   [2]float64 `json:"size_mm,omitzero"`          // width and height of the sheet; zero without geometry
	FeedAxis string     `json:"feed_axis,omitempty"`       // "y" (as drawn here) or "x"
	StepMM   float64    `json:"step_mm,omitempty"`         // paper step between passes; 0 if unknown
	PitchUM  float64    `json:"nozzle_pitch_um,omitempty"` // distance of neighbouring nozzles of one ink; 0 if unknown
	Nozzles  int        `json:"nozzles,omitempty"`         // nozzles of one ink; 0 if unknown
	Passes   int        `json:"passes,omitempty"`          // passes that make up a row; 0 if unknown
	// FirstNozzleMM is the feed position of nozzle 0 in the first pass; nil if unknown.
	FirstNozzleMM *float64 `json:"first_nozzle_mm,omitempty"`
	Marks         []Mark   `json:"marks,omitempty"`
	// Code is where the square code with chart, edition and print number stands; nil if the
	// chart has none.
	Code    *Code   `json:"code,omitempty"`
	Patches []Patch `json:"patches,omitempty"`
	Strips  []Strip `json:"strips,omitempty"`
}

// A Mark is the centre of a registration mark, a dark disc of [MarkDiameterMM] on white.
type Mark struct {
	X float64 `json:"x_mm"`
	Y float64 `json:"y_mm"`
}

// Code is the place of the square code: its corner nearest the origin and its side, without
// the quiet zone around it.
type Code struct {
	X float64 `json:"x_mm"`
	Y float64 `json:"y_mm"`
	W float64 `json:"w_mm"`
}

// A Patch is one field of uniform colour. Without geometry Row, Col and all lengths are 0.
type Patch struct {
	ID     string    `json:"id"`
	Row    int       `json:"row,omitempty"` // 1 is nearest the leading edge
	Col    int       `json:"col,omitempty"` // 1 is leftmost as printed
	X      float64   `json:"x_mm"`          // corner nearest the origin
	Y      float64   `json:"y_mm"`
	W      float64   `json:"w_mm"`
	H      float64   `json:"h_mm"`
	Device []float64 `json:"device"`          // one value for each channel, or R, G, B
	House  string    `json:"house,omitempty"` // name of a colour the shop sells by
}

// Neutral is the channel of a strip of equal R, G, B on an RGB-driven chart: drivers print it
// mostly with black ink, so that lines of that ink show too. It has no device value.
const Neutral = "K"

// A Strip is a field of one channel at one tint that runs along the feed. A strip of tint 0
// has no channel: it is the unprinted white that traces are held against.
type Strip struct {
	ID      string  `json:"id"`
	Channel string  `json:"channel,omitempty"`
	Tint    float64 `json:"tint_percent"` // 0..100
	X       float64 `json:"x_mm"`         // corner nearest the origin
	Y       float64 `json:"y_mm"`
	W       float64 `json:"w_mm"`
	H       float64 `json:"h_mm"`
}

// White reports whether the strip is unprinted.
func (s Strip) White() bool { return s.Tint == 0 }

// HasGeometry reports whether the layout says where its patches and strips lie. A layout
// without geometry is enough for drift, but not for scans or row checks.
func (l *Layout) HasGeometry() bool { return l.SizeMM[0] > 0 && l.SizeMM[1] > 0 }

// Tint gives how much of channel i a patch asks for, in percent.
func (l *Layout) Tint(p Patch, i int) float64 {
	if l.Driven == DrivenRGB {
		return (255 - p.Device[i]) / 2.55
	}
	return p.Device[i]
}

// White reports whether the patch is unprinted: no ink, or the driver's full white.
func (l *Layout) White(p Patch) bool {
	blank := 0.0
	if l.Driven == DrivenRGB {
		blank = 255
	}
	for _, v := range p.Device {
		if v != blank {
			return false
		}
	}
	return true
}

// SetEdition fills Edition from the content of the layout: a digest of everything but the
// id and the edition itself, so that two layouts of one content have one edition.
func (l *Layout) SetEdition() error {
	c := *l
	c.ID, c.Edition = "", ""
	b, err := json.Marshal(c)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(b)
	l.Edition = hex.EncodeToString(sum[:4])
	return nil
}
