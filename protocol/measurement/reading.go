package measurement

import (
	"math"

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
		p.Spectra = thinned(f.Spectra)
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

// minStepNM is the smallest distance of bands that a reading carries: the
// smallest for which weights of ASTM E2022 are made here.
const minStepNM = 5

// thinned takes every so many bands of spectra that are finer than needed.
// Reflectance of dyes on paper or cloth is smooth; a band in 5 nm tells it.
func thinned(s *protocol.Spectra) *protocol.Spectra {
	if s.StepNM >= minStepNM || len(s.Values) == 0 {
		return s
	}
	every := thinning(s)
	out := &protocol.Spectra{StartNM: s.StartNM, StepNM: s.StepNM * float64(every), Values: make(protocol.Matrix, len(s.Values))}
	for i, row := range s.Values {
		for k := 0; k < len(row); k += every {
			out.Values[i] = append(out.Values[i], row[k])
		}
	}
	return out
}

func thinning(s *protocol.Spectra) int { return int(math.Ceil(minStepNM/s.StepNM - 1e-9)) }
