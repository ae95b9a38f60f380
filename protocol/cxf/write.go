package cxf

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"swathkeeper/protocol/measurement"
)

// Write writes a file as a CxF3 document: one object for each patch, and one
// colour specification. Numbers are written with as many digits as they need
// to be read back the same. now is the creation date where the file has none;
// the schema wants one.
func Write(w io.Writer, f *measurement.File, now time.Time) error {
	if f.Len() == 0 {
		return &measurement.Error{File: f.Name, Problem: "no patches to write"}
	}
	space := f.DeviceSpace()
	if f.Device != nil && space != "RGB" && !strings.HasPrefix(strings.Join(f.Channels, " "), "C M Y K") {
		return &measurement.Error{File: f.Name, Problem: fmt.Sprintf("device channels %s cannot be written in this format", space), Hint: "write CGATS or CSV"}
	}
	if f.Condition.White != "" && (f.Lab != nil || f.XYZ != nil) {
		return &measurement.Error{File: f.Name, Problem: "values relative to the " + f.Condition.White + " cannot be written in this format", Hint: "write CGATS or CSV"}
	}
	for i, id := range f.ID {
		if !writable(id) || f.Names != nil && !writable(f.Names[i]) {
			return &measurement.Error{File: f.Name, Problem: fmt.Sprintf("the id or name of patch %s cannot be written in this format, it has a character that XML does not know", measurement.Quote(id)), Hint: "write CGATS or JSON, or rename the patch"}
		}
		if strings.TrimSpace(id) != id || strings.ContainsAny(id, "\r\n\t") {
			return &measurement.Error{File: f.Name, Problem: fmt.Sprintf("patch %s cannot be written in this format, its blanks would change", measurement.Quote(id)), Hint: "rename the patch"}
		}
	}
	created := now
	if f.Created != nil {
		created = *f.Created
	}
	date := created.Format(time.RFC3339)
	originator := f.Originator
	if originator == "" {
		originator = "swathkeeper"
	}
	var b bytes.Buffer
	p := printer{&b}
	b.WriteString(xml.Header + `<cc:CxF xmlns:cc="` + Namespace + `">` + "\n<cc:FileInformation>")
	p.text("Creator", originator)
	p.text("CreationDate", date)
	if f.Descriptor != "" {
		p.text("Description", f.Descriptor)
	}
	b.WriteString("</cc:FileInformation>\n<cc:Resources>\n<cc:ObjectCollection>\n")
	for i, id := range f.ID {
		b.WriteString(`<cc:Object ObjectType="Target" Name="`)
		p.escape(id)
		fmt.Fprintf(&b, `" Id="o%d">`, i+1)
		p.text("CreationDate", date)
		if f.Lab != nil || f.XYZ != nil || f.Spectra != nil {
			b.WriteString("<cc:ColorValues>")
			if s := f.Spectra; s != nil {
				b.WriteString(`<cc:ReflectanceSpectrum ColorSpecification="s1" StartWL="` + number(s.StartNM) + `">`)
				for k, v := range s.Values[i] {
					if k > 0 {
						b.WriteByte(' ')
					}
					b.WriteString(number(v))
				}
				b.WriteString("</cc:ReflectanceSpectrum>")
			}
			if f.XYZ != nil {
				p.numbers("ColorCIEXYZ", []string{"X", "Y", "Z"}, f.XYZ[i][:])
			}
			if f.Lab != nil {
				p.numbers("ColorCIELab", []string{"L", "A", "B"}, f.Lab[i][:])
			}
			b.WriteString("</cc:ColorValues>")
		}
		if f.Device != nil {
			b.WriteString("<cc:DeviceColorValues>")
			p.device(f.Channels, f.Device[i])
			b.WriteString("</cc:DeviceColorValues>")
		}
		if f.Names != nil {
			b.WriteString(`<cc:TagCollection Name="SAMPLE"><cc:Tag Name="SAMPLE_NAME" Value="`)
			p.escape(f.Names[i])
			b.WriteString(`"/></cc:TagCollection>`)
		}
		b.WriteString("</cc:Object>\n")
	}
	b.WriteString("</cc:ObjectCollection>\n<cc:ColorSpecificationCollection>\n")
	p.spec(f)
	b.WriteString("</cc:ColorSpecificationCollection>\n</cc:Resources>\n</cc:CxF>\n")
	_, err := w.Write(b.Bytes())
	return err
}

// writable tells whether XML 1.0 has every character of a text.
func writable(s string) bool {
	for _, r := range s {
		if r < ' ' && r != '\t' && r != '\n' && r != '\r' || r == utf8.RuneError || r == 0xFFFE || r == 0xFFFF {
			return false
		}
	}
	return true
}

// printer writes elements with the prefix cc.
type printer struct{ b *bytes.Buffer }

func (p printer) escape(s string) { _ = xml.EscapeText(p.b, []byte(s)) } // a buffer does not fail

func (p printer) text(name, value string) {
	p.b.WriteString("<cc:" + name + ">")
	p.escape(value)
	p.b.WriteString("</cc:" + name + ">")
}

func (p printer) numbers(name string, parts []string, values []float64) {
	p.b.WriteString("<cc:" + name + ` ColorSpecification="s1">`)
	for i, part := range parts {
		p.text(part, number(values[i]))
	}
	p.b.WriteString("</cc:" + name + ">")
}

func (p printer) device(channels []string, values []float64) {
	inks := []string{"Cyan", "Magenta", "Yellow", "Black"}
	switch {
	case len(channels) == 3:
		p.numbers("ColorRGB", []string{"R", "G", "B"}, values)
	case len(channels) == 4:
		p.numbers("ColorCMYK", inks, values)
	default:
		p.b.WriteString(`<cc:ColorCMYKPlusN ColorSpecification="s1">`)
		for i, v := range values {
			if i < 4 {
				p.text(inks[i], number(v))
				continue
			}
			p.b.WriteString("<cc:SpotColor>")
			p.text("Name", channels[i])
			p.text("Percentage", number(v))
			p.b.WriteString("</cc:SpotColor>")
		}
		p.b.WriteString("</cc:ColorCMYKPlusN>")
	}
}

// spec writes what is known of the condition.
func (p printer) spec(f *measurement.File) {
	c := f.Condition
	b := p.b
	b.WriteString(`<cc:ColorSpecification Id="s1">`)
	if f.Lab != nil || f.XYZ != nil {
		b.WriteString("<cc:TristimulusSpec>")
		if c.Illuminant != "" {
			p.text("Illuminant", c.Illuminant)
		}
		if c.Observer != "" {
			name := c.Observer
			if name == "2" || name == "10" {
				name += "_Degree"
			}
			p.text("Observer", name)
		}
		p.text("Method", "unknown")
		b.WriteString("</cc:TristimulusSpec>")
	}
	b.WriteString("<cc:MeasurementSpec>")
	if f.Spectra != nil {
		p.text("MeasurementType", "Spectrum_Reflectance")
	} else {
		p.text("MeasurementType", "Colorimetric_Reflectance")
	}
	light, sight, ok := strings.Cut(c.Geometry, "/")
	if _, err := strconv.Atoi(light); ok && err == nil {
		b.WriteString("<cc:GeometryChoice><cc:SingleAngle><cc:SingleAngleConfiguration>Annular</cc:SingleAngleConfiguration>")
		p.text("IlluminationAngle", light)
		p.text("MeasurementAngle", sight)
		b.WriteString("</cc:SingleAngle></cc:GeometryChoice>")
	} else {
		b.WriteString("<cc:GeometryChoice><cc:UnknownGeometry/></cc:GeometryChoice>")
	}
	if s := f.Spectra; s != nil {
		b.WriteString(`<cc:WavelengthRange StartWL="` + number(s.StartNM) + `" Increment="` + number(s.StepNM) + `"/>`)
	}
	if c.Backing != "" {
		p.text("Backing", c.Backing)
	}
	b.WriteString("<cc:Device>")
	if c.Instrument != "" {
		p.text("Model", c.Instrument)
	}
	if c.Serial != "" {
		p.text("SerialNumber", c.Serial)
	}
	if c.Filter != "" {
		p.text("DeviceFilter", c.Filter)
	}
	// The names of the standard; the modes are those of ISO 13655.
	if name, ok := map[string]string{"M0": "M0_Incandescent", "M1": "M1_Daylight", "M2": "M2_UVExcluded", "M3": "M3_Polarized"}[c.Mode]; ok {
		p.text("DeviceIllumination", name)
	}
	b.WriteString("</cc:Device></cc:MeasurementSpec></cc:ColorSpecification>\n")
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
