package cxf

import (
	"bytes"
	"math"
	"sort"
	"strings"

	"swathkeeper/protocol/measurement"
)

// object reads one Object.
func (r *reader) object(e element) error {
	if e.local != "Object" {
		return r.skip()
	}
	if len(r.objects) >= maxObjects {
		return r.fail("split the file", "more than %d objects", maxObjects)
	}
	o := object{line: r.line()}
	for _, a := range []struct {
		name string
		into *string
	}{{"Id", &o.id}, {"Name", &o.name}, {"ObjectType", &o.class}} {
		v, err := e.attr(a.name)
		if err != nil {
			return err
		}
		*a.into = strings.TrimSpace(v)
	}
	if len(o.name) > 200 || len(o.id) > 200 || len(o.class) > 200 {
		return r.fail("at most 200 bytes", "an object with a name, id or type of more than 200 bytes")
	}
	err := r.children(func(e element) error {
		switch e.local {
		case "CreationDate":
			text, err := r.text()
			if r.created == "" {
				r.created = string(text)
			}
			return err
		case "ColorValues":
			return r.children(func(e element) error { return r.colour(&o, e) })
		case "DeviceColorValues":
			return r.children(func(e element) error { return r.device(&o, e) })
		case "TagCollection":
			return r.children(func(e element) error {
				name, err := e.attr("Name")
				if err == nil && e.local == "Tag" && strings.EqualFold(name, "SAMPLE_NAME") {
					o.sample, err = e.attr("Value")
				}
				if err != nil {
					return err
				}
				return r.skip()
			})
		}
		return r.skip()
	})
	if err != nil {
		return err
	}
	if len(o.values) > 0 || o.to > o.from {
		r.objects = append(r.objects, o)
	}
	return nil
}

// colour reads one colour value of an object.
func (r *reader) colour(o *object, e element) error {
	line := r.line()
	v := value{start: math.NaN(), from: len(r.numbers), line: line}
	var err error
	if v.spec, err = r.specName(e); err != nil {
		return err
	}
	switch e.local {
	case "ReflectanceSpectrum":
		v.kind = spectrum
		if v.start, err = r.length(e, "StartWL"); err != nil {
			return err
		}
		text, err := r.text()
		if err != nil {
			return err
		}
		for word := range bytes.FieldsSeq(text) {
			if len(r.numbers)-v.from >= measurement.MaxFields {
				return r.failAt(line, "", "a spectrum of more than %d bands", measurement.MaxFields)
			}
			x, missing, err := r.parse(word, "ReflectanceSpectrum")
			if err != nil {
				return err
			}
			v.missing = v.missing || missing
			r.numbers = append(r.numbers, x)
		}
		v.missing = v.missing || len(r.numbers) == v.from
	case "CustomSpectrum":
		v.kind = spectrum
		if err := r.custom(&v); err != nil {
			return err
		}
	case "ColorCIELab":
		v.kind = labKind
		err = r.triple(&v, "L", "A", "B")
	case "ColorCIELCh":
		v.kind, v.derived = labKind, true
		if err = r.triple(&v, "L", "C", "H"); err == nil {
			c := r.numbers[v.from : v.from+3]
			sin, cos := math.Sincos(c[2] * math.Pi / 180)
			c[1], c[2] = c[1]*cos, c[1]*sin
		}
	case "ColorCIEXYZ":
		v.kind = xyzKind
		err = r.triple(&v, "X", "Y", "Z")
	case "ColorCIExyY":
		v.kind, v.derived = xyzKind, true
		if err = r.triple(&v, "x", "y", "Y"); err == nil && !v.missing {
			c := r.numbers[v.from : v.from+3]
			xyz, ok := measurement.FromXYY([3]float64(c))
			if !ok {
				return r.failAt(line, "x and y lie between 0 and 1, and x + y is 1 at most", "no chromaticities: x %.4g, y %.4g", xyz[0], xyz[1])
			}
			copy(c, xyz[:])
		}
	default:
		r.ignore(e.local)
		return r.skip()
	}
	if err != nil {
		return err
	}
	v.to = len(r.numbers)
	o.values = append(o.values, v)
	return nil
}

// specName is the specification that a value names. There are few, so that
// each is kept once.
func (r *reader) specName(e element) (string, error) {
	name, err := e.attr("ColorSpecification")
	if err != nil {
		return "", err
	}
	if len(name) > 200 {
		return "", r.fail("at most 200 bytes", "the name of a colour specification of %d bytes", len(name))
	}
	return name, nil
}

func (r *reader) ignore(what string) {
	if r.ignored == nil {
		r.ignored = map[string]bool{}
	}
	if len(r.ignored) < 50 {
		r.ignored[what[:min(len(what), 60)]] = true
	}
}

// triple reads three child elements with a number each.
func (r *reader) triple(v *value, names ...string) error {
	var got [3]float64
	var have [3]bool
	parent := r.line()
	err := r.children(func(e element) error {
		for i, n := range names {
			if e.local != n {
				continue
			}
			if have[i] {
				return r.fail("", "%s stands twice in one colour", n)
			}
			x, missing, err := r.number(n)
			got[i], have[i] = x, true
			v.missing = v.missing || missing
			return err
		}
		return r.skip()
	})
	if err != nil {
		return err
	}
	for i, n := range names {
		if !have[i] {
			return r.failAt(parent, "", "a colour without its %s", n)
		}
	}
	r.numbers = append(r.numbers, got[:]...)
	return nil
}

// custom reads a spectrum of points with a wavelength each; the points must
// make an even grid.
func (r *reader) custom(v *value) error {
	type point struct{ nm, r float64 }
	var points []point
	err := r.children(func(e element) error {
		if e.local != "SpectralPoint" {
			return r.skip()
		}
		if len(points) >= measurement.MaxFields {
			return r.fail("", "a spectrum of more than %d bands", measurement.MaxFields)
		}
		nm, err := r.length(e, "WL")
		if err != nil {
			return err
		}
		if math.IsNaN(nm) {
			return r.fail("", "a spectral point without its wavelength, WL")
		}
		x, missing, err := r.number("SpectralPoint")
		v.missing = v.missing || missing
		points = append(points, point{nm, x})
		return err
	})
	if err != nil {
		return err
	}
	sort.SliceStable(points, func(i, j int) bool { return points[i].nm < points[j].nm })
	nm := make([]float64, len(points))
	for i, p := range points {
		nm[i] = p.nm
		r.numbers = append(r.numbers, p.r)
	}
	start, step, err := measurement.Grid(nm)
	if err != nil {
		if e, ok := err.(*measurement.Error); ok {
			e.File, e.Line = r.name, v.line
		}
		return err
	}
	v.start, v.step = start, step
	return nil
}

// device reads one device value of an object; the first that is understood
// counts.
func (r *reader) device(o *object, e element) error {
	if o.to > o.from {
		return r.skip()
	}
	names := []string{"Cyan", "Magenta", "Yellow", "Black"}
	channels := []string{"C", "M", "Y", "K"}
	times := 1.0
	switch e.local {
	case "ColorCMYK", "ColorCMYKPlusN":
	case "ColorRGB":
		names, channels = []string{"R", "G", "B"}, []string{"R", "G", "B"}
		text, err := e.attr("MaxRange")
		if err != nil {
			return err
		}
		if text != "" {
			top, missing, err := r.parse([]byte(text), "MaxRange")
			if err != nil {
				return err
			}
			if missing || top <= 0 {
				return r.fail("255 when it is left out", "MaxRange is %s", measurement.Quote(text))
			}
			times = 255 / top
		}
	default:
		r.ignore(e.local)
		return r.skip()
	}
	line := r.line()
	got := make([]float64, len(names))
	have := make([]bool, len(names))
	err := r.children(func(e element) error {
		for i, n := range names {
			if e.local != n || i >= len(have) {
				continue
			}
			x, missing, err := r.number(n)
			got[i], have[i] = x*times, !missing
			return err
		}
		if e.local == "SpotColor" {
			name, x, err := r.spot(e)
			if err != nil {
				return err
			}
			if len(got) >= 16 {
				return r.fail("", "more than 16 device channels")
			}
			channels, got, have = append(channels, name), append(got, x), append(have, true)
			return nil
		}
		return r.skip()
	})
	if err != nil {
		return err
	}
	for i, ok := range have {
		if !ok {
			return r.failAt(line, "", "device values without channel %s", channels[i])
		}
	}
	o.channels, o.from = channels, len(r.numbers)
	r.numbers = append(r.numbers, got...)
	o.to = len(r.numbers)
	return nil
}

// spot reads a further ink: its name and percentage, as attributes or
// elements.
func (r *reader) spot(e element) (name string, percent float64, err error) {
	if name, err = e.attr("Name"); err != nil {
		return "", 0, err
	}
	value, err := e.attr("Percentage")
	if err != nil {
		return "", 0, err
	}
	text := []byte(value)
	err = r.children(func(e element) error {
		t, err := r.text()
		switch e.local {
		case "Name":
			name = string(t)
		case "Percentage":
			text = bytes.Clone(t)
		}
		return err
	})
	if err != nil {
		return "", 0, err
	}
	name = strings.TrimSpace(name)
	if name == "" || len(name) > 60 {
		return "", 0, r.fail("1 to 60 bytes", "a further ink without a usable name")
	}
	percent, missing, err := r.parse(text, "Percentage")
	if err == nil && missing {
		err = r.fail("", "ink %s without its percentage", measurement.Quote(name))
	}
	return name, percent, err
}

// spec reads one ColorSpecification.
func (r *reader) spec(e element) error {
	if e.local != "ColorSpecification" {
		return r.skip()
	}
	id, err := e.attr("Id")
	if err != nil {
		return err
	}
	if len(r.specs) >= 1000 {
		return r.fail("", "more than 1000 colour specifications")
	}
	if r.specs[id] != nil {
		return r.fail("ids must differ", "colour specification %s stands twice", measurement.Quote(id))
	}
	s := &spec{start: math.NaN()}
	r.specs[id] = s
	var geometry struct{ light, sight string }
	var walk func(e element) error
	walk = func(e element) error {
		c := &s.condition
		into := (*string)(nil)
		switch e.local {
		case "Illuminant":
			into = &c.Illuminant
		case "Observer":
			into = &c.Observer
		case "MeasurementType":
			into = &s.kind
		case "Backing":
			into = &c.Backing
		case "Model":
			into = &c.Instrument
		case "SerialNumber":
			into = &c.Serial
		case "DeviceFilter":
			into = &c.Filter
		case "DevicePolarization":
			into = &s.polarised
		case "DeviceIllumination":
			into = &c.Source
		case "IlluminationAngle":
			into = &geometry.light
		case "MeasurementAngle":
			into = &geometry.sight
		case "WavelengthRange":
			var err error
			if s.start, err = r.length(e, "StartWL"); err != nil {
				return err
			}
			step, err := r.length(e, "Increment")
			if err != nil {
				return err
			}
			if !math.IsNaN(step) {
				s.step = step
			}
			return r.skip()
		default:
			return r.children(walk)
		}
		text, err := r.text()
		*into = string(text)
		return err
	}
	if err := r.children(walk); err != nil {
		return err
	}
	if geometry.light != "" && geometry.sight != "" {
		s.condition.Geometry = strings.TrimSuffix(geometry.light, ".0") + "/" + strings.TrimSuffix(geometry.sight, ".0")
	}
	return nil
}
