package cxf

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"swathkeeper/protocol"
	"swathkeeper/protocol/measurement"
)

// resolve makes a file of the objects and specifications.
func (r *reader) resolve() (*measurement.File, error) {
	f := &measurement.File{Name: r.name, Originator: r.creator, Descriptor: r.about, CreatedText: r.created, Header: r.header}
	patches := r.measured()
	if len(patches) == 0 && r.o.Layout && len(r.objects) > 0 {
		if err := r.layout(f); err != nil {
			return nil, err
		}
		return f, nil
	}
	if len(patches) == 0 {
		return nil, r.noColour()
	}
	// The kind that most patches have counts; the others come along when
	// every one of these has them.
	var chosen [kinds][]int // value of each patch, -1 for none
	var count [kinds]int
	for k := range kinds {
		at, err := r.choose(f, patches, k)
		if err != nil {
			return nil, err
		}
		chosen[k] = at
		for _, i := range at {
			if i >= 0 {
				count[k]++
			}
		}
	}
	main := spectrum
	for k := range kinds {
		if count[k] > count[main] {
			main = k
		}
	}
	if count[main] == 0 {
		return nil, r.failAt(0, "check that the chart was measured before it was saved", "no patch with values")
	}
	kept := patches[:0:0]
	var values [kinds][]value
	var left []string
	for p, o := range patches {
		if chosen[main][p] < 0 {
			left = append(left, o.name)
			continue
		}
		kept = append(kept, o)
		for k := range kinds {
			if i := chosen[k][p]; i >= 0 {
				values[k] = append(values[k], o.values[i])
			}
		}
	}
	if len(left) > 0 {
		f.Warnf("%d of %d patches left out, they have no %v: %s", len(left), len(patches), main, few(left))
	}
	if len(kept) > measurement.MaxPatches {
		return nil, r.failAt(0, "split the file", "%d patches, at most %d are read", len(kept), measurement.MaxPatches)
	}
	for k := range kinds {
		if n := len(values[k]); n > 0 && n < len(kept) {
			f.Warnf("only %d of %d patches have %v; these are not taken", n, len(kept), k)
			values[k] = nil
		}
	}
	if err := r.nameThem(f, kept); err != nil {
		return nil, err
	}
	if err := r.spectra(f, values[spectrum]); err != nil {
		return nil, err
	}
	f.Lab, f.XYZ = r.triples(values[labKind]), r.triples(values[xyzKind])
	if err := r.devices(f, kept); err != nil {
		return nil, err
	}
	if err := r.condition(f, values); err != nil {
		return nil, err
	}
	for name := range r.ignored {
		f.Ignored = append(f.Ignored, name)
	}
	sort.Strings(f.Ignored)
	f.Settle(r.o)
	if err := f.Check("factor", r.o); err != nil {
		return nil, err
	}
	return f, nil
}

// noColour is the error for a document without colours that are read.
func (r *reader) noColour() error {
	var have []string
	for name := range r.ignored {
		have = append(have, name)
	}
	sort.Strings(have)
	hint := "objects with a reflectance spectrum, Lab, XYZ or xyY are read"
	if len(have) > 0 {
		hint += "; it has " + few(have)
	}
	if r.ignored["ColorDensity"] {
		hint += "; densities tell of inks but are no colour"
	}
	return r.failAt(0, hint, "no measured colours in the document")
}

// layout takes the device values of objects without colours.
func (r *reader) layout(f *measurement.File) error {
	if len(r.objects) > measurement.MaxPatches {
		return r.failAt(0, "split the file", "%d patches, at most %d are read", len(r.objects), measurement.MaxPatches)
	}
	if err := r.nameThem(f, r.objects); err != nil {
		return err
	}
	if err := r.devices(f, r.objects); err != nil {
		return err
	}
	f.Settle(r.o)
	return f.Check("", r.o)
}

func few(names []string) string {
	out := names
	if len(out) > 5 {
		out = append(out[:5:5], fmt.Sprintf("and %d more", len(names)-5))
	}
	for i, n := range out {
		out[i] = n[:min(len(n), 40)]
	}
	return strings.Join(out, ", ")
}

// measured are the objects with measured colours.
func (r *reader) measured() []object {
	var out []object
	for _, o := range r.objects {
		if len(o.values) > 0 {
			out = append(out, o)
		}
	}
	return out
}

// modeOf is the measuring condition of a value, by its specification.
func (r *reader) modeOf(v value) string {
	s := r.specs[v.spec]
	if s == nil {
		return ""
	}
	if len(s.condition.Source) > 1 && s.condition.Source[0] == 'M' && s.condition.Source[1] >= '0' && s.condition.Source[1] <= '3' {
		return s.condition.Source[:2]
	}
	return ""
}

// choose takes the value of one kind of each patch: the only one, or the one
// of the measuring condition that was asked for. Of Lab or XYZ for several
// whites that for D50 and 2 degrees counts; values that the document computed
// from others (LCh beside Lab, xyY beside XYZ) do not, nor does a spectrum
// that stands twice. -1 stands for none.
func (r *reader) choose(f *measurement.File, patches []object, k kind) ([]int, error) {
	out := make([]int, len(patches))
	said := false
	for p, o := range patches {
		out[p] = -1
		for i, v := range o.values {
			if v.kind != k || v.missing {
				continue
			}
			mode := r.modeOf(v)
			if r.o.Mode != "" && mode != "" && mode != r.o.Mode {
				continue
			}
			if out[p] < 0 {
				out[p] = i
				continue
			}
			first := o.values[out[p]]
			usual, usualFirst := r.usual(v), r.usual(first)
			switch {
			case r.modeOf(first) != mode:
			case v.derived && !first.derived && (v.spec == first.spec || usualFirst):
				continue
			case first.derived && !v.derived && (v.spec == first.spec || usual):
				out[p] = i
				continue
			case k == spectrum && r.same(v, first):
				continue
			case k != spectrum && usual != usualFirst:
				if usual {
					out[p] = i
				}
				if !said {
					f.Warnf("%v for several illuminants or observers; that for D50 and 2 degrees is taken", k)
					said = true
				}
				continue
			}
			if one := r.modeOf(first); one != "" && mode != "" && one != mode {
				return nil, r.failAt(v.line, "choose one with --mode, or save one condition a file", "patch %s has two %v: %s and %s", measurement.Quote(o.name), k, one, mode)
			}
			return nil, r.failAt(v.line, "save one measurement of a patch a file", "patch %s has two %v, of specifications %s and %s",
				measurement.Quote(o.name), k, measurement.Quote(first.spec), measurement.Quote(v.spec))
		}
	}
	return out, nil
}

// usual tells whether a value is for D50 and 2 degrees.
func (r *reader) usual(v value) bool {
	s := r.specs[v.spec]
	return s != nil && s.condition.Illuminant == "D50" && strings.HasPrefix(s.condition.Observer, "2")
}

// same tells whether two spectra are one, under two specifications.
func (r *reader) same(v, w value) bool {
	s, t := r.specs[v.spec], r.specs[w.spec]
	return s != nil && t != nil && s.step == t.step && (v.start == w.start || math.IsNaN(v.start) && math.IsNaN(w.start) && s.start == t.start) &&
		slices.Equal(r.numbers[v.from:v.to], r.numbers[w.from:w.to])
}

// nameThem gives the patches their ids: the objects' names when they are unique,
// else the objects' ids.
func (r *reader) nameThem(f *measurement.File, patches []object) error {
	names, ids, samples := make([]string, len(patches)), make([]string, len(patches)), make([]string, len(patches))
	class := map[string]bool{}
	hasSample := false
	for i, o := range patches {
		names[i], ids[i], samples[i] = o.name, o.id, o.sample
		class[o.class] = true
		hasSample = hasSample || o.sample != ""
	}
	a, b := measurement.Twice(names)
	nameless := slices.Index(names, "")
	if a < 0 && nameless < 0 {
		f.ID = names
		if hasSample {
			f.Names = measurement.Given(samples)
		}
		return nil
	}
	if nameless < 0 && len(class) > 1 {
		return r.failAt(patches[b].line, "aims and measurements belong in one file each",
			"%s stands twice, as %s in line %d and as %s", measurement.Quote(names[a]), measurement.Quote(patches[a].class), patches[a].line, measurement.Quote(patches[b].class))
	}
	if i := slices.Index(ids, ""); i >= 0 {
		return r.failAt(patches[i].line, "every object needs a name of its own, or an Id", "an object without Id, where names are missing or stand twice")
	}
	if c, d := measurement.Twice(ids); c >= 0 {
		return r.failAt(patches[d].line, "ids must differ", "two objects with id %s, where names are missing or stand twice", measurement.Quote(ids[c]))
	}
	f.ID, f.Names = ids, measurement.Given(names)
	if nameless >= 0 {
		f.Warnf("objects without a name; the objects' ids serve as patch ids")
	} else {
		f.Warnf("the name %s stands twice; the objects' ids serve as patch ids", measurement.Quote(names[a]))
	}
	return nil
}

// spectra puts the spectra on one grid.
func (r *reader) spectra(f *measurement.File, values []value) error {
	if len(values) == 0 {
		return nil
	}
	out := &protocol.Spectra{Values: make([][]float64, len(values))}
	bands, said := 0, false
	for i, v := range values {
		s := r.specs[v.spec]
		if s == nil {
			if v.step == 0 {
				return r.failAt(v.line, "the increment of the bands stands there", "colour specification %s is not in the document", measurement.Quote(v.spec))
			}
			s = &spec{start: math.NaN()}
		}
		if s.kind != "" && !strings.Contains(s.kind, "Reflectance") && s.kind != "Spectrum_Custom" {
			return r.failAt(v.line, "reflectance is read", "a spectrum of type %s", measurement.Quote(s.kind))
		}
		start, step := v.start, v.step
		if step == 0 {
			if step = s.step; step == 0 {
				return r.failAt(v.line, "the wavelength range of specification "+measurement.Quote(v.spec)+" needs an Increment", "a spectrum without the distance of its bands")
			}
			switch {
			case math.IsNaN(start):
				start = s.start
			case !math.IsNaN(s.start) && s.start != start && !said:
				f.Warnf("spectra start at %g nm, their specification says %g; the spectra's own start counts", start, s.start)
				said = true
			}
			if math.IsNaN(start) {
				return r.failAt(v.line, "give StartWL", "a spectrum without its first wavelength")
			}
		}
		if step < 1 || step > 20 {
			return r.failAt(v.line, "1 to 20 nm are read", "bands %g nm apart", step)
		}
		n := v.to - v.from
		if n < 2 {
			return r.failAt(v.line, "a spectrum needs several bands", "a spectrum of %d bands", n)
		}
		if i == 0 {
			out.StartNM, out.StepNM, bands = start, step, n
		}
		if start != out.StartNM || step != out.StepNM || n != bands {
			return r.failAt(v.line, "all patches need the same bands", "a spectrum of %d bands from %g nm by %g, the ones before have %d from %g by %g",
				n, start, step, bands, out.StartNM, out.StepNM)
		}
		out.Values[i] = r.numbers[v.from:v.to:v.to]
	}
	f.Spectra = out
	return nil
}

func (r *reader) triples(values []value) protocol.Triples {
	if len(values) == 0 {
		return nil
	}
	out := make(protocol.Triples, len(values))
	for i, v := range values {
		copy(out[i][:], r.numbers[v.from:v.to])
	}
	return out
}

// devices takes the device values of the patches: their own, or those of an
// object without colours that has the same name.
func (r *reader) devices(f *measurement.File, patches []object) error {
	other := map[string]object{}
	for _, o := range r.objects {
		if len(o.values) == 0 && o.name != "" {
			if _, twice := other[o.name]; twice {
				o.to = o.from // two of them: neither
			}
			other[o.name] = o
		}
	}
	joined, have := 0, 0
	rows := make([][]float64, len(patches))
	for i, o := range patches {
		if o.to == o.from {
			if d, ok := other[o.name]; ok && d.to > d.from {
				o.channels, o.from, o.to = d.channels, d.from, d.to
				joined++
			}
		}
		if o.to == o.from {
			continue
		}
		if have == 0 {
			f.Channels = o.channels
		}
		if strings.Join(f.Channels, " ") != strings.Join(o.channels, " ") {
			return r.failAt(o.line, "all patches need the same device channels", "device channels %s, the patches before have %s", strings.Join(o.channels, " "), strings.Join(f.Channels, " "))
		}
		have++
		rows[i] = r.numbers[o.from:o.to:o.to]
	}
	switch {
	case have == 0:
	case have < len(patches):
		f.Channels = nil
		f.Warnf("only %d of %d patches have device values; these are not taken", have, len(patches))
	default:
		f.Device = rows
		if joined > 0 {
			f.Warnf("the device values of %d patches come from other objects of the same name", joined)
		}
	}
	return nil
}

// condition takes what the specifications say; those of one kind of value must
// agree.
func (r *reader) condition(f *measurement.File, values [kinds][]value) error {
	for k := range kinds {
		var first *spec
		var firstID string
		for _, v := range values[k] {
			s := r.specs[v.spec]
			if s == nil {
				continue
			}
			if strings.Contains(s.kind, "Transmittance") || strings.Contains(s.kind, "Emissive") {
				return r.failAt(v.line, "reflectance is read", "%v of type %s", k, measurement.Quote(s.kind))
			}
			if first == nil {
				first, firstID = s, v.spec
				continue
			}
			if s != first && (k != spectrum && (s.condition.Illuminant != first.condition.Illuminant || s.condition.Observer != first.condition.Observer) ||
				s.condition.Source != first.condition.Source || s.condition.Backing != first.condition.Backing || s.condition.Filter != first.condition.Filter) {
				return r.failAt(v.line, "choose one with --mode, or save one condition a file", "%v of two conditions, specifications %s and %s",
					k, measurement.Quote(firstID), measurement.Quote(v.spec))
			}
		}
		if first == nil {
			if len(values[k]) > 0 {
				f.Warnf("the colour specification %s of the %v is not in the document", measurement.Quote(values[k][0].spec), k)
			}
			continue
		}
		c := first.condition
		if k != spectrum { // a spectrum has neither
			f.Fact(measurement.Keyword{Name: "ILLUMINANT", Value: c.Illuminant})
			f.Fact(measurement.Keyword{Name: "OBSERVER", Value: c.Observer})
		}
		f.Fact(measurement.Keyword{Name: "INSTRUMENTATION", Value: c.Instrument})
		f.Fact(measurement.Keyword{Name: "SERIAL", Value: c.Serial})
		f.Fact(measurement.Keyword{Name: "MEASUREMENT_GEOMETRY", Value: c.Geometry})
		f.Fact(measurement.Keyword{Name: "MEASUREMENT_SOURCE", Value: c.Source})
		f.Fact(measurement.Keyword{Name: "SAMPLE_BACKING", Value: strings.ToLower(c.Backing)})
		f.Fact(measurement.Keyword{Name: "POLARIZATION", Value: first.polarised})
		if c.Filter != "" {
			f.Fact(measurement.Keyword{Name: "FILTER", Value: strings.TrimPrefix(c.Filter, "Filter_")})
		}
	}
	return nil
}
