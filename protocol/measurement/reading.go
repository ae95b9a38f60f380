package measurement

import (
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
