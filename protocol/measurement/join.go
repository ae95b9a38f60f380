package measurement

// Reflectance is what the field names say of the scale of the spectra:
// "factor", "percent", or nothing.
func (p *Plan) Reflectance() string {
	switch p.scale {
	case factor:
		return "factor"
	case percent:
		return "percent"
	}
	return ""
}

// Append puts the patches of another table behind those of f, when both have
// the same kinds of values; else it changes nothing and says false.
func (f *File) Append(g *File) bool {
	same := (f.Lab == nil) == (g.Lab == nil) && (f.XYZ == nil) == (g.XYZ == nil) && (f.Spectra == nil) == (g.Spectra == nil) && f.DeviceSpace() == g.DeviceSpace()
	if !same || f.Len()+g.Len() > MaxPatches {
		return false
	}
	if f.Spectra != nil && (f.Spectra.StartNM != g.Spectra.StartNM || f.Spectra.StepNM != g.Spectra.StepNM ||
		len(f.Spectra.Values[0]) != len(g.Spectra.Values[0])) {
		return false
	}
	if f.Names != nil || g.Names != nil { // a page without names has empty ones
		f.Names = append(padded(f.Names, len(f.ID)), padded(g.Names, len(g.ID))...)
	}
	f.ID = append(f.ID, g.ID...)
	f.Device = append(f.Device, g.Device...)
	f.Lab = append(f.Lab, g.Lab...)
	f.XYZ = append(f.XYZ, g.XYZ...)
	if f.Spectra != nil {
		f.Spectra.Values = append(f.Spectra.Values, g.Spectra.Values...)
	}
	f.take(g)
	return true
}

func padded(names []string, n int) []string {
	if names == nil {
		return make([]string, n)
	}
	return names
}

// take adds the header, warnings and ignored fields of another table.
func (f *File) take(g *File) {
	f.Warnings = append(f.Warnings, g.Warnings...)
	f.Ignored = append(f.Ignored, g.Ignored...)
	for _, k := range g.Header {
		f.Fact(k)
	}
}

// Merge puts the blocks of g, a table of the same patches, beside those of f;
// order[i] is where patch i of g stands in f. It says whether any moved. A
// block that f has already stays.
func (f *File) Merge(g *File, order []int) (moved bool) {
	for i, o := range order {
		moved = moved || i != o
	}
	if f.Lab == nil {
		f.Lab = arranged(g.Lab, order)
	}
	if f.XYZ == nil {
		f.XYZ = arranged(g.XYZ, order)
	}
	if f.Device == nil && g.Device != nil {
		f.Device, f.Channels = arranged(g.Device, order), g.Channels
	}
	if f.Names == nil {
		f.Names = arranged(g.Names, order)
	}
	if f.Spectra == nil && g.Spectra != nil {
		f.Spectra = g.Spectra
		f.Spectra.Values = arranged(g.Spectra.Values, order)
	}
	f.take(g)
	return moved
}

func arranged[S ~[]T, T any](rows S, order []int) S {
	if rows == nil {
		return nil
	}
	out := make(S, len(rows))
	for i, o := range order {
		out[o] = rows[i]
	}
	return out
}
