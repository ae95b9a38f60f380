package protocol_test

import (
	"encoding/base64"
	"encoding/binary"
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"swathkeeper/protocol"
)

// What Samples reads, and what it refuses, is what the standard library's strict decoder makes of the
// same text, a character changed at any place included.
func TestF32AgainstStandardLibrary(t *testing.T) {
	const seldom = "=\n\r+/-_ \x00\x80\xff%Az9"
	rng := rand.New(rand.NewPCG(64, 1))
	for range 20_000 {
		raw := make([]byte, 4*(1+rng.IntN(20)))
		for i := range raw {
			raw[i] = byte(rng.Uint32())
		}
		if rng.IntN(3) > 0 { // mostly numbers
			for i := 3; i < len(raw); i += 4 {
				raw[i] &= 0x3f
			}
		}
		text := []byte(base64.StdEncoding.EncodeToString(raw))
		switch at := rng.IntN(len(text)); rng.IntN(4) {
		case 0:
			text[at] = seldom[rng.IntN(len(seldom))]
		case 1:
			text = text[:at]
		case 2:
			text[at] = byte(rng.Uint32())
		}
		want, wanted := plainF32(string(text))
		got, err := (&protocol.Trace{F32: string(text)}).Samples()
		if len(text) == 0 {
			continue // there is no F32 then
		}
		if (err == nil) != wanted {
			t.Fatalf("%q: %v, the standard library: %v", text, err, wanted)
		}
		var r *protocol.Refusal
		if err != nil && (!errors.As(err, &r) || r.Field != "f32") {
			t.Fatalf("%q: %v is no refusal of f32", text, err)
		}
		if err == nil && len(got) != len(want) {
			t.Fatalf("%q: %d samples, want %d", text, len(got), len(want))
		}
		for i := range got {
			if got[i] != want[i] {
				t.Fatalf("%q: sample %d is %g, want %g", text, i, got[i], want[i])
			}
		}
	}
}

// plainF32 reads little-endian float32 by the standard library alone.
func plainF32(text string) ([]float64, bool) {
	if strings.ContainsAny(text, "\r\n") { // the decoder skips them; here they are refused
		return nil, false
	}
	raw, err := base64.StdEncoding.Strict().DecodeString(text)
	if err != nil || len(raw)%4 != 0 {
		return nil, false
	}
	var out []float64
	for ; len(raw) > 0; raw = raw[4:] {
		v := float64(math.Float32frombits(binary.LittleEndian.Uint32(raw)))
		if math.IsInf(v, 0) || math.IsNaN(v) {
			return nil, false
		}
		out = append(out, v)
	}
	return out, true
}
