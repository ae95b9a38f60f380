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

// Samples gives the samples of a trace from whichever form it carries. The error is a *Refusal
// without a path in front of its field.
func (t *Trace) Samples() ([]float64, error) {
	if t.F32 == "" {
		return t.Values, nil
	}
	out := make([]float64, 0, len(t.F32)/16*3+3)
	if err := t.eachF32(func(part []float64) { out = append(out, part...) }); err != nil {
		return nil, err
	}
	return out, nil
}

// eachF32 hands on the samples in F32 part by part, through a small buffer, so that checking them
// needs no memory.
func (t *Trace) eachF32(each func(part []float64)) *Refusal {
	const group = 1024 // bytes of base64 at a time, a multiple of 16 so that they end between samples
	var buf [group / 4 * 3]byte
	var samples [len(buf) / 4]float64
	if strings.IndexByte(t.F32, '\n') >= 0 || strings.IndexByte(t.F32, '\r') >= 0 { // which the decoder would skip
		return notBase64()
	}
	i := 0
	for text := t.F32; len(text) > 0; {
		part := text[:min(group, len(text))]
		text = text[len(part):]
		n, err := f32Coding.Decode(buf[:], []byte(part))
		if err != nil || (len(text) > 0 && n != len(buf)) {
			return notBase64()
		}
		if n%4 != 0 {
			return refuse(CodeBadValue, "f32", fmt.Sprintf("holds %d bytes, not a multiple of 4", 4*i+n))
		}
		part64 := samples[:n/4]
		for k := range part64 {
			v := float64(math.Float32frombits(binary.LittleEndian.Uint32(buf[4*k:])))
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return refuse(CodeNotFinite, "f32", fmt.Sprintf("sample %d is not finite", i+k))
			}
			part64[k] = v
		}
		each(part64)
		i += len(part64)
	}
	return nil
}

// PackF32 gives samples in the compact form of Trace.F32.
func PackF32(v []float64) string {
	raw := make([]byte, 4*len(v))
	for i, x := range v {
		binary.LittleEndian.PutUint32(raw[4*i:], math.Float32bits(float32(x)))
	}
	return base64.StdEncoding.EncodeToString(raw)
}
