package protocol

import (
	"math"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// UnmarshalJSONFrom reads patches. It is written out because a reading is mostly this: the names
// share one allocation, and no field goes through reflection. The error names the field.
func (p *Patches) UnmarshalJSONFrom(dec *jsontext.Decoder) error {
	*p = Patches{}
	return eachField(dec, func(name string) error {
		switch name {
		case "id":
			return readNames(dec, &p.ID)
		case "lab":
			return p.Lab.UnmarshalJSONFrom(dec)
		case "xyz":
			return p.XYZ.UnmarshalJSONFrom(dec)
		case "rgb":
			return p.RGB.UnmarshalJSONFrom(dec)
		case "device":
			return p.Device.UnmarshalJSONFrom(dec)
		case "encoding":
			return json.UnmarshalDecode(dec, &p.Encoding)
		case "spectra":
			return json.UnmarshalDecode(dec, &p.Spectra)
		}
		return dec.SkipValue()
	})
}

// UnmarshalJSONFrom reads spectra; start and step must be there, since zero would be a guess.
func (s *Spectra) UnmarshalJSONFrom(dec *jsontext.Decoder) error {
	type plain Spectra
	p := plain{StartNM: math.NaN(), StepNM: math.NaN()}
	if err := json.UnmarshalDecode(dec, &p); err != nil {
		return err
	}
	*s = Spectra(p)
	return needNumbers(dec, number{"start_nm", p.StartNM}, number{"step_nm", p.StepNM})
}

// UnmarshalJSONFrom reads a trace; start and pitch must be there: a trace that began at zero in
// silence would put every line in the wrong place.
func (t *Trace) UnmarshalJSONFrom(dec *jsontext.Decoder) error {
	type plain Trace
	p := plain{StartMM: math.NaN(), PitchUM: math.NaN()}
	if err := json.UnmarshalDecode(dec, &p); err != nil {
		return err
	}
	*t = Trace(p)
	return needNumbers(dec, number{"start_mm", p.StartMM}, number{"pitch_um", p.PitchUM})
}

// UnmarshalJSONFrom reads a strip; its tint must be there.
func (s *Strip) UnmarshalJSONFrom(dec *jsontext.Decoder) error {
	type plain Strip
	p := plain{TintPercent: math.NaN()}
	if err := json.UnmarshalDecode(dec, &p); err != nil {
		return err
	}
	*s = Strip(p)
	return needNumbers(dec, number{"tint_percent", p.TintPercent})
}

// UnmarshalJSONFrom reads a mark; both coordinates must be there.
func (m *Mark) UnmarshalJSONFrom(dec *jsontext.Decoder) error {
	type plain Mark
	p := plain{math.NaN(), math.NaN()}
	if err := json.UnmarshalDecode(dec, &p); err != nil {
		return err
	}
	*m = Mark(p)
	return needNumbers(dec, number{"x_mm", p.XMM}, number{"y_mm", p.YMM})
}

// UnmarshalJSONFrom reads the place of the square code; all of it must be there.
func (c *Code) UnmarshalJSONFrom(dec *jsontext.Decoder) error {
	type plain Code
	p := plain{math.NaN(), math.NaN(), math.NaN()}
	if err := json.UnmarshalDecode(dec, &p); err != nil {
		return err
	}
	*c = Code(p)
	return needNumbers(dec, number{"x_mm", p.XMM}, number{"y_mm", p.YMM}, number{"w_mm", p.WMM})
}

type number struct {
	name string
	v    float64
}

// needNumbers refuses the object just read when one of the numbers is still NaN, as it was before.
func needNumbers(dec *jsontext.Decoder, numbers ...number) error {
	for _, n := range numbers {
		if math.IsNaN(n.v) {
			return refuse(CodeMissing, fieldPath(dec.StackPointer())+"."+n.name, "give the number; it is required")
		}
	}
	return nil
}

// eachField reads an object and calls field for each of its members, to read the value.
func eachField(dec *jsontext.Decoder, field func(name string) error) error {
	if k := dec.PeekKind(); k != jsontext.KindBeginObject {
		if err := dec.SkipValue(); err != nil {
			return err
		}
		return refuse(CodeBadType, fieldPath(dec.StackPointer()), "holds "+kindName(k)+" where an object belongs")
	}
	if _, err := dec.ReadToken(); err != nil {
		return err
	}
	for dec.PeekKind() != jsontext.KindEndObject {
		name, err := dec.ReadToken()
		if err != nil {
			return err
		}
		if err := field(name.String()); err != nil {
			return err
		}
	}
	_, err := dec.ReadToken()
	return err
}

// readNames reads a list of texts. When none holds an escape, as is usual, all are cut from one
// copy of the list.
func readNames(dec *jsontext.Decoder, names *[]string) error {
	raw, err := dec.ReadValue()
	if err != nil {
		return err
	}
	text := string(raw)
	if strings.IndexByte(text, '\\') >= 0 || text[0] != '[' {
		return readNamesSlowly(dec, raw, names)
	}
	out := make([]string, 0, strings.Count(text, `"`)/2)
	for i := 1; ; {
		switch text[i] {
		case '"':
			to := i + 1 + strings.IndexByte(text[i+1:], '"')
			out = append(out, text[i+1:to])
			i = to + 1
		case ',', ' ', '\t', '\r', '\n':
			i++
		case ']':
			*names = out
			return nil
		default:
			return readNamesSlowly(dec, raw, names)
		}
	}
}

// readNamesSlowly also knows escapes, and says which element is no text.
func readNamesSlowly(dec *jsontext.Decoder, raw jsontext.Value, names *[]string) error {
	var out []string
	err := json.Unmarshal(raw, &out, refuseNull)
	if err == nil {
		*names = out
		return nil
	}
	r := explain(raw, "", err)
	field := fieldPath(dec.StackPointer())
	if r.Field != "" {
		field += r.Field
	}
	return refuse(r.Code, field, r.Hint)
}
