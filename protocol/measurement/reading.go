package measurement

import (
	"bytes"
	"encoding/json"
	"fmt"
	"time"

	"swathkeeper/protocol"
)

// Patches are the patches as a reading carries them: the spectra where there
// are any, else Lab, else XYZ, else scanner values. It refuses what is not
// for D50 and 2 degrees, or lies beyond what a reading may hold.
func (f *File) Patches() (*protocol.Patches, error) {
	p := &protocol.Patches{ID: f.ID, Device: f.Device}
	if f.Len() > protocol.MaxPatches {
		return nil, &Error{File: f.Name, Problem: "too many patches for a reading", Hint: "a reading holds at most 5000"}
	}
	switch {
	case f.Spectra != nil && f.SpectraFault == "":
		p.Spectra = f.Spectra
	case f.Fault != "" && (f.Lab != nil || f.XYZ != nil):
		return nil, &Error{File: f.Name, Problem: f.Fault, Hint: "a reading needs Lab or XYZ for D50 and 2 degrees, or spectra; save the file so"}
	case f.SpectraFault != "" && f.Lab == nil && f.XYZ == nil:
		return nil, &Error{File: f.Name, Problem: f.SpectraFault}
	case f.Lab != nil:
		p.Lab = f.Lab
	case f.XYZ != nil:
		p.XYZ = f.XYZ
	case f.RGB != nil:
		p.RGB, p.Encoding = f.RGB, f.RGBEncoding
	default:
		return nil, &Error{File: f.Name, Problem: "no colours", Hint: "Lab, XYZ, spectra or scanner values are needed"}
	}
	return p, nil
}

// Instrument is what the header says of the instrument, in the terms of a
// reading; of the kind given, since no header says it.
func (f *File) Instrument(kind string) protocol.Instrument {
	c := f.Condition
	in := protocol.Instrument{Kind: kind, Model: cut(c.Instrument), Serial: cut(c.Serial), Mode: c.Mode}
	switch c.Backing {
	case "white", "black", "self":
		in.Backing = c.Backing
	}
	return in
}

// cut shortens free text to what a reading carries.
func cut(s string) string {
	if len(s) <= protocol.MaxText {
		return s
	}
	end := 0
	for i := range s {
		if i > protocol.MaxText {
			break
		}
		end = i
	}
	return s[:end]
}

// Fill is what a reading says and no measurement file can.
type Fill struct {
	ID      string    // UUID of the reading
	TakenAt time.Time // where the file has no date
	Site    string
	Printer string
	Station string
	Chart   string
	Edition string
	Media   string
	Preset  string
	Stage   string
	Path    string
	Kind    string // of the instrument; empty is a spectrophotometer
	Print   string // number of the print
	Note    string
}

// ToReading is the file as a reading: its patches and what its header says of
// the instrument, and the rest from fill. The reading has passed all checks
// that need no chart layout.
func (f *File) ToReading(fill Fill) (*protocol.Reading, error) {
	if f.Reading != nil {
		return f.Reading, nil
	}
	patches, err := f.Patches()
	if err != nil {
		return nil, err
	}
	if fill.Kind == "" {
		fill.Kind = protocol.KindSpectrophotometer
	}
	r := &protocol.Reading{
		Schema: protocol.SchemaReading, ID: fill.ID, TakenAt: fill.TakenAt,
		Site: fill.Site, Printer: fill.Printer, Station: fill.Station, Chart: fill.Chart, Edition: fill.Edition,
		Condition:  protocol.Condition{Media: fill.Media, Preset: fill.Preset, Stage: fill.Stage, Path: fill.Path},
		Instrument: f.Instrument(fill.Kind), Patches: patches, Note: fill.Note,
	}
	if fill.Print != "" {
		r.Print = &protocol.Print{Number: fill.Print}
	}
	if f.Created != nil {
		r.TakenAt = *f.Created
	}
	// The one place that checks a reading reads JSON; what it reads is what
	// travels.
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(r); err != nil {
		return nil, fmt.Errorf("%s: %w", f.Name, err)
	}
	checked, err := protocol.DecodeReading(b.Bytes())
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.Name, err)
	}
	return checked, nil
}
