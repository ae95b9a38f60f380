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
	out := make([]float64, len(t.F32)/16*3+3)
	n := unpackPlain(out, t.F32)
	return unpackRest(out[:n], t.F32[n/3*16:])
}

// unpackPlain gives the samples of the groups of 16 characters, three samples each, up to the first group
// in which anything is unusual, and how many they are. The last group is left, since it may be padded.
func unpackPlain(out []float64, text string) (n int) {
	for ; len(text) > 16; text = text[16:] {
		c := text[:16]
		// Four groups of 24 bits, in the order of the bytes.
		q0 := sextets[0][c[0]] | sextets[1][c[1]] | sextets[2][c[2]] | sextets[3][c[3]]
		q1 := sextets[0][c[4]] | sextets[1][c[5]] | sextets[2][c[6]] | sextets[3][c[7]]
		q2 := sextets[0][c[8]] | sextets[1][c[9]] | sextets[2][c[10]] | sextets[3][c[11]]
		q3 := sextets[0][c[12]] | sextets[1][c[13]] | sextets[2][c[14]] | sextets[3][c[15]]
		x, y, z := q0|q1<<24, q1>>8|q2<<16, q2>>16|q3<<8
		if (q0|q1|q2|q3)&noSextet != 0 || !finite(x) || !finite(y) || !finite(z) {
			return n
		}
		o := out[n : n+3]
		o[0], o[1], o[2] = float64(math.Float32frombits(x)), float64(math.Float32frombits(y)), float64(math.Float32frombits(z))
		n += 3
	}
	return n
}

// sextets are the characters of base64 (RFC 4648, section 4) as the first to the fourth of a group: their
// six bits, where these belong in three bytes of which the first is the lowest.
var sextets = func() (t [4][256]uint32) {
	const alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
	for k := range t {
		for c := range t[k] {
			t[k][c] = noSextet
		}
	}
	for v := range uint32(len(alphabet)) {
		c := alphabet[v]
		t[0][c] = v << 2
		t[1][c] = v>>4 | v&15<<12
		t[2][c] = v>>2<<8 | v&3<<22
		t[3][c] = v << 16
	}
	return t
}()

// noSextet marks a character that is none of base64.
const noSextet = 1 << 31

// finite reports whether the bits of a float32 are neither infinite nor no number.
func finite(bits uint32) bool { return bits&0x7f80_0000 != 0x7f80_0000 }

// unpackRest adds the samples of the rest of a text, and says what is wrong with it.
func unpackRest(out []float64, text string) ([]float64, *Refusal) {
	const group = 4096 // bytes of base64 at a time, a multiple of 16 so that they end between samples
	var buf [group / 4 * 3]byte
	if strings.IndexByte(text, '\n') >= 0 || strings.IndexByte(text, '\r') >= 0 { // which the decoder would skip
		return nil, notBase64()
	}
	for len(text) > 0 {
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
			if !finite(bits) {
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
