// Package measurement is what a measurement file says, whatever format it
// came in: the patches with their colours, the condition they were measured
// under as far as the file tells, and every doubt the reader had.
//
// The readers of the formats (../cgats, ../cxf, ../table) build a File; the
// package exchange tells the formats apart. Values stand here as the file has
// them, on the scales given below; nothing is computed from one colour space
// into another, except to compare two blocks that should say the same.
package measurement

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"swathkeeper/protocol"
)

// Limits that every reader keeps. A file beyond them is refused by name, long
// before it costs memory or time.
const (
	MaxBytes   = 16 << 20 // size of one file
	MaxPatches = 20_000   // patches in one file; the usual charts have 24 to 1,617
	MaxFields  = 2_000    // values for one patch; 471 bands at 1 nm as pairs need 942
	MaxLine    = 1 << 20  // bytes in one line of text
)

// Format names a file format.
type Format string

// The formats that are read and written.
const (
	CGATS Format = "cgats" // ISO 28178 text
	CxF   Format = "cxf"   // ISO 17972-1 XML
	CSV   Format = "csv"   // comma or semicolon separated, with a header line
	TSV   Format = "tsv"   // tab separated, with a header line
	JSON  Format = "json"  // a reading of this project's protocol
)

// Condition is how the colours were measured and computed, as far as the file
// says so. An empty field means that the file does not say.
type Condition struct {
	Illuminant string // of the computation: D50, D65, A, ...
	Observer   string // 2 or 10 (degrees)
	Mode       string // M0, M1, M2 or M3 of ISO 13655
	Filter     string // as written, for instance none, polarising, uv-cut
	Backing    string // black, white, or as written
	Geometry   string // for instance 45/0
	Instrument string // free text
	Serial     string // of the instrument, free text
	Source     string // light of the measurement as written
	White      string // paper when Lab and XYZ are relative to it; else empty
}

// Keyword is one header line, as written.
type Keyword struct {
	Name, Value string
	Line        int // 0 where the format has none
}

// File is a measurement file, read. The slices that are present have one entry
// for each patch, in the order of the file.
type File struct {
	Name     string // as given by the caller, for messages
	Format   Format
	Encoding string // of the text: utf-8, utf-16le, utf-16be or windows-1252

	ID          []string          // never empty, no two alike
	Names       []string          // nil when the file has none beside the ids
	Channels    []string          // names of the device channels: C, M, Y, K
	Device      protocol.Matrix   // tints 0..100 percent; 0..255 when the channels are R, G, B
	Lab         [][3]float64      // CIE L*, a*, b*, of Condition's illuminant and observer
	XYZ         protocol.Triples  // perfect white Y = 100, likewise
	Spectra     *protocol.Spectra // reflectance factors, 1 = perfect white
	RGB         protocol.Triples  // scanner values 0..1; only a reading has them
	RGBEncoding string            // of RGB: linear or srgb

	Condition   Condition
	Created     *time.Time // nil when absent or not understood
	CreatedText string     // as written
	Originator  string     // who or what wrote the file
	Descriptor  string     // what the file says it holds
	Header      []Keyword  // every header line, as written
	Ignored     []string   // fields or parts that were not taken

	// Reading is the reading that the file is, when it came as one.
	Reading *protocol.Reading

	// Warnings are what a person should know before trusting the values, one
	// sentence each.
	Warnings []string

	// Fault, when not empty, is why Lab and XYZ may not be taken as D50 and
	// 2 degrees (spectra may: they do not depend on either).
	Fault string
	// SpectraFault, when not empty, is why the spectra may not be taken.
	SpectraFault string

	whiteBy   string // that another illuminant or observer is by free text, for the message
	twoWhites bool   // the header gives two illuminants or observers
	otherMode string // a second measuring condition of the header
	modeFault string // why no measuring condition can be told
}

// Len is the number of patches.
func (f *File) Len() int { return len(f.ID) }

// maxWarnings bounds the warnings of one file; a person reads fewer.
const maxWarnings = 100

// Warnf adds a warning, once.
func (f *File) Warnf(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if len(f.Warnings) < maxWarnings && !slices.Contains(f.Warnings, text) {
		f.Warnings = append(f.Warnings, text)
	}
}

// DeviceSpace is the device channels as one word, such as CMYK; empty when
// there are no device values.
func (f *File) DeviceSpace() string {
	for _, c := range f.Channels {
		if len(c) != 1 {
			return strings.Join(f.Channels, "+")
		}
	}
	return strings.Join(f.Channels, "")
}

// Error says what is wrong with a file, where, and what to do about it.
type Error struct {
	File    string // as given by the caller; may be empty
	Line    int    // from 1; 0 when the trouble has no line
	Column  int    // from 1, in characters; 0 when the whole line is meant
	Problem string
	Hint    string // what to do; may be empty
}

func (e *Error) Error() string {
	var b strings.Builder
	if e.File != "" {
		b.WriteString(e.File)
		b.WriteString(": ")
	}
	if e.Line > 0 {
		fmt.Fprintf(&b, "line %d", e.Line)
		if e.Column > 0 {
			fmt.Fprintf(&b, ", column %d", e.Column)
		}
		b.WriteString(": ")
	}
	b.WriteString(e.Problem)
	if e.Hint != "" {
		b.WriteString(" (" + e.Hint + ")")
	}
	return b.String()
}

// Options are what the person who reads a file may know better than the file.
type Options struct {
	// Table takes one table of several (from 1); 0 joins tables that belong
	// together and refuses a file where that is not clear.
	Table int
	// Mode (M0 to M3) chooses among measurements of the same patches; empty
	// takes the only one.
	Mode string
	// Layout takes files that have device values but no colour: lists of what
	// to print.
	Layout bool
	// Location is the time zone of a date without one; nil is UTC.
	Location *time.Location
	// SpectraXYZ computes XYZ (D50, 2 degrees, perfect white Y = 100) of
	// spectra on one grid. With it, the readers compare spectra with the
	// file's own Lab or XYZ; nil leaves that out.
	SpectraXYZ func(startNM, stepNM float64, values [][]float64) ([][3]float64, error)
}

// shorten cuts text for a message, so that a hostile file cannot fill a
// screen.
func shorten(s string) string {
	const most = 40
	n := 0
	for i := range s {
		if n == most {
			return s[:i] + "..."
		}
		n++
	}
	return s
}

// Quote is text from a file as a message shows it: short, in quotes, without
// control characters.
func Quote(s string) string { return fmt.Sprintf("%q", shorten(s)) }
