package protocol

import (
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"math"
	"strings"
)

// f32Coding refuses missing padding and stray bits after the last sample.
var f32Coding = base64.StdEncoding.Strict()

func notBase64() *Refusal {
	return refuse(CodeBadValue, "f32", "is not base64 with padding and without line breaks")
}

// Samples gives the samples of a trace from whichever form it carries. They are the trace's own: not
// to be written to. The error is a *Refusal without a path in front of its field.
func (t *Trace) Samples() ([]float64, error) {
	switch {
	case t.F32 == "":
		return t.Values, nil
	case t.samples != nil && t.sampled == t.F32:
		return t.samples, nil
	}
	out, r := t.unpack()
	if r != nil {
		return nil, r
	}
	return out, nil
}

// unpack gives the samples in F32, which must all be finite.
func (t *Trace) unpack() ([]float64, *Refusal) {
	const group = 4096 // bytes of base64 at a time, a multiple of 16 so that they end between samples
	var buf [group / 4 * 3]byte
	if strings.IndexByte(t.F32, '\n') >= 0 || strings.IndexByte(t.F32, '\r') >= 0 { // which the decoder would skip
		return nil, notBase64()
	}
	out := make([]float64, 0, len(t.F32)/16*3+3)
	for text := t.F32; len(text) > 0; {
		part := text[:min(group, len(text))]
		text = text[len(part):]
		n, err := f32Coding.Decode(buf[:], []byte(part))
		if err != nil || (len(text) > 0 && n != len(buf)) {
			return nil, notBase64()
		}
		if n%4 != 0 {
			return nil, refuse(CodeBadValue, "f32", fmt.Sprintf("holds %d bytes, not a multiple of 4", 4*len(out)+n))
		}
		for k := 0; k < n; k += 4 {
			bits := binary.LittleEndian.Uint32(buf[k:])
			if bits&0x7f80_0000 == 0x7f80_0000 { // infinite, or not a number
				return nil, refuse(CodeNotFinite, "f32", fmt.Sprintf("sample %d is not finite", len(out)))
			}
			out = append(out, float64(math.Float32frombits(bits)))
		}
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
