package protocol

import (
	"bytes"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
)

// DecodeReading reads one reading and checks all that can be checked without its chart layout and
// without a clock. The error is always a *Refusal.
func DecodeReading(data []byte) (*Reading, error) {
	var r Reading
	if err := decode(data, SchemaReading, &r); err != nil {
		return nil, err
	}
	if err := r.validate(); err != nil {
		return nil, err
	}
	return &r, nil
}

// DecodeChart reads and checks one chart layout. The error is always a *Refusal.
func DecodeChart(data []byte) (*Chart, error) {
	var c Chart
	if err := decode(data, SchemaChart, &c); err != nil {
		return nil, err
	}
	if err := c.Validate(); err != nil {
		return nil, err
	}
	return &c, nil
}

// DecodeNote reads and checks one note. The error is always a *Refusal.
func DecodeNote(data []byte) (*Note, error) {
	var n Note
	if err := decode(data, SchemaNote, &n); err != nil {
		return nil, err
	}
	if err := n.Validate(); err != nil {
		return nil, err
	}
	return &n, nil
}

// DecodeRecord reads one record, as the worker wrote it.
func DecodeRecord(data []byte) (*Record, error) {
	var r Record
	if err := decode(data, SchemaRecord, &r); err != nil {
		return nil, err
	}
	return &r, nil
}

// decode reads JSON into v, whose schema must be want.
func decode(data []byte, want string, v interface{ schemaName() string }) error {
	if len(data) == 0 {
		return refuse(CodeBadJSON, "", "the message is empty; send one JSON object")
	}
	if err := json.Unmarshal(data, v); err != nil {
		return explain(data, err)
	}
	got := v.schemaName()
	switch {
	case got == want:
		return nil
	case got == "":
		return refuse(CodeMissing, "schema", fmt.Sprintf("give %q", want))
	}
	name, _, _ := strings.Cut(want, "/")
	if other, version, ok := strings.Cut(got, "/"); ok && other == name {
		return refuse(CodeBadSchema, "schema", fmt.Sprintf("version %s is not known here; this worker reads %q", clip(version, 20), want))
	}
	return refuse(CodeBadSchema, "schema", fmt.Sprintf("%q is not %q", clip(got, 60), want))
}

// explain turns an error of encoding/json into a refusal that names the field where it can.
func explain(data []byte, err error) *Refusal {
	var syntax *json.SyntaxError
	var typ *json.UnmarshalTypeError
	switch {
	case errors.As(err, &syntax):
		at := int(syntax.Offset)
		near := string(data[max(0, at-2):min(len(data), at+10)])
		if strings.Contains(near, "NaN") || strings.Contains(near, "Inf") {
			return refuse(CodeNotFinite, "", fmt.Sprintf("at byte %d: NaN and Infinity are not numbers; leave a patch out when it has no value", at))
		}
		return refuse(CodeBadJSON, "", fmt.Sprintf("at byte %d near %q: %s", at, strings.ToValidUTF8(near, "?"), strings.TrimPrefix(syntax.Error(), "json: ")))
	case errors.As(err, &typ):
		code := CodeBadType
		if strings.HasPrefix(typ.Value, "number ") {
			code = CodeOutOfRange
		}
		return refuse(code, typ.Field, fmt.Sprintf("holds a %s where a %s belongs", clip(typ.Value, 40), typ.Type.Kind()))
	}
	if field, cause := locate(data); field != "" {
		err, code := cause, CodeBadType
		if strings.Contains(cause.Error(), "out of range") {
			code = CodeNotFinite
		}
		return refuse(code, field, err.Error())
	}
	return refuse(CodeBadJSON, "", strings.TrimPrefix(err.Error(), "json: "))
}

// locate finds the list of numbers that does not decode; only the slow path of a refusal needs it,
// since encoding/json does not say in which field a custom decoder failed.
func locate(data []byte) (string, error) {
	var doc struct {
		Patches map[string]json.RawMessage   `json:"patches"`
		Traces  []map[string]json.RawMessage `json:"traces"`
	}
	if json.Unmarshal(data, &doc) != nil {
		return "", nil
	}
	for _, name := range []string{"lab", "xyz", "rgb"} {
		var t Triples
		if raw, ok := doc.Patches[name]; ok {
			if err := t.UnmarshalJSON(raw); err != nil {
				return "patches." + name, err
			}
		}
	}
	var m Matrix
	if raw, ok := doc.Patches["device"]; ok {
		if err := m.UnmarshalJSON(raw); err != nil {
			return "patches.device", err
		}
	}
	if raw, ok := doc.Patches["spectra"]; ok {
		var s map[string]json.RawMessage
		if json.Unmarshal(raw, &s) == nil && s["values"] != nil {
			if err := m.UnmarshalJSON(s["values"]); err != nil {
				return "patches.spectra.values", err
			}
		}
	}
	for i, t := range doc.Traces {
		var n Numbers
		if raw, ok := t["values"]; ok {
			if err := n.UnmarshalJSON(raw); err != nil {
				return fmt.Sprintf("traces[%d].values", i), err
			}
		}
	}
	return "", nil
}

// Samples gives the samples of a trace from whichever form it carries.
func (t *Trace) Samples() ([]float64, error) {
	if t.F32 == "" {
		return t.Values, nil
	}
	raw, err := base64.StdEncoding.DecodeString(t.F32)
	if err != nil {
		return nil, fmt.Errorf("f32 is not base64: %w", err)
	}
	if len(raw)%4 != 0 {
		return nil, fmt.Errorf("f32 holds %d bytes, not a multiple of 4", len(raw))
	}
	out := make([]float64, len(raw)/4)
	for i := range out {
		v := float64(math.Float32frombits(binary.LittleEndian.Uint32(raw[4*i:])))
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("f32 sample %d is not finite", i)
		}
		out[i] = v
	}
	return out, nil
}

// PackF32 gives samples in the compact form of Trace.F32.
func PackF32(v []float64) string {
	raw := make([]byte, 4*len(v))
	for i, x := range v {
		binary.LittleEndian.PutUint32(raw[4*i:], math.Float32bits(float32(x)))
	}
	return base64.StdEncoding.EncodeToString(raw)
}

// Encode gives the JSON of a message and refuses one that the bus would not take.
func Encode(v any) ([]byte, error) {
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	b := bytes.TrimRight(buf.Bytes(), "\n")
	if err := CheckSize(len(b)); err != nil {
		return nil, err
	}
	return b, nil
}

// CheckSize refuses a message of n bytes that is over MaxMessage.
func CheckSize(n int) error {
	if n > MaxMessage {
		return refuse(CodeTooLarge, "", fmt.Sprintf("the message has %d bytes, the limit is %d (900 KB); send fewer traces in it, or traces as f32", n, MaxMessage))
	}
	return nil
}
