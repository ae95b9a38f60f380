package protocol_test

import (
	"encoding/json"
	"errors"
	"math/rand/v2"
	"slices"
	"testing"

	"swathkeeper/protocol"
)

// A reading with packed samples is read in another way than one in whose texts an escape stands. Both give
// the same reading, or the same refusal, whatever is done to a message.
func TestReadInBothWays(t *testing.T) {
	wave := make([]float64, 500)
	for i := range wave {
		wave[i] = 0.5 + 0.001*float64(i%7)
	}
	trace := func(strip, f32 string) string {
		return `{"strip":"` + strip + `","channel":"C","tint_percent":50,"start_mm":18,"pitch_um":84.667,"unit":"density","f32":"` + f32 + `"}`
	}
	message := func(traces string) string {
		return `{"schema":"swathkeeper.reading/1","id":"0198c5a4-7b1e-7c3a-9f0e-2a6d1c4b8e11","taken_at":"2026-03-04T07:12:09+01:00",` +
			`"site":"quay","printer":"heron","chart":"c","edition":"e","condition":{"media":"m","preset":"p","stage":"pressed"},` +
			`"instrument":{"kind":"scanner"},"traces":[` + traces + `],"note":"f32"}`
	}
	long, short := protocol.PackF32(wave), protocol.PackF32(wave[:30])
	same := func(text string) (read bool) {
		t.Helper()
		plain, err := protocol.DecodeReading([]byte(text))
		// What is not known is passed over, and its escape keeps the samples where they are.
		escaped, other := protocol.DecodeReading([]byte(`{"unknown":"\\",` + text[1:]))
		var a, b *protocol.Refusal
		if errors.As(err, &a) != errors.As(other, &b) || a != nil && (a.Code != b.Code || a.Field != b.Field) {
			t.Fatalf("%v, and with an escape %v, for %s", err, other, text)
		}
		if err != nil {
			return false
		}
		x, _ := json.Marshal(plain)
		y, _ := json.Marshal(escaped)
		if string(x) != string(y) {
			t.Fatalf("read as %s, and with an escape as %s", x, y)
		}
		for i := range plain.Traces {
			x, err := plain.Traces[i].Samples()
			y, other := escaped.Traces[i].Samples()
			if err != nil || other != nil || !slices.Equal(x, y) {
				t.Fatalf("trace %d: %v, %v", i, err, other)
			}
		}
		return true
	}
	whole := message(trace("C-left", long) + "," + trace("C-right", long))
	for _, c := range []struct {
		text string
		ok   bool
	}{
		{whole, true},
		{message(trace("C-left", long) + "," + trace("C-right", short)), true},
		{message(trace("C-left", "0") + "," + trace("C-right", long)), false},
		{message(trace("C-left", long) + "," + trace("C-right", "0")), false},
		{message(trace("C-left", long[:len(long)-1])), false},
		{message(trace("f32", long)), true},
		{message(trace("C-left", long)[:20] + `","f32":"` + long + `","f32":"` + long + `"}`), false},
		{`{"unheard":{"f32":"` + long + `"},` + message(trace("C-left", long))[1:], true},
		{`{"unheard":{"f32":"` + "\xff" + long + `"},` + message(trace("C-left", long))[1:], false},
		{`{"unheard":{"f32":"` + long + `"},` + message(trace("C-left", "0"))[1:], false},
		{`{"f32" : "` + long + `",` + message(trace("C-left", long))[1:], true},
		{message(trace("C-left", long) + `,{"strip":"` + long + `"}`), false},
		{whole + " x", false},
		{whole[:len(whole)-40], false},
	} {
		if same(c.text) != c.ok {
			t.Errorf("read: %v, for %s", !c.ok, c.text)
		}
	}
	const letters = "\"{}[]:,\\ \t\x0b0nA=\x80f32"
	rng := rand.New(rand.NewPCG(32, 1))
	read := 0
	const changed = 1500
	for range changed {
		b := []byte(whole)
		for range 1 + rng.IntN(2) {
			from := 1 + rng.IntN(len(b)-1)
			if rng.IntN(4) > 0 { // mostly where no samples stand
				from = 1 + rng.IntN(400)
			}
			to := min(len(b), from+1+rng.IntN(3))
			switch rng.IntN(4) {
			case 0:
				b = slices.Delete(b, from, to)
			case 1:
				b = slices.Insert(b, from, slices.Clone(b[from:to])...)
			default:
				b[from] = letters[rng.IntN(len(letters))]
			}
		}
		if same(string(b)) {
			read++
		}
	}
	if read < changed/20 || read > changed-changed/10 {
		t.Errorf("%d of %d changed messages are read: they say little", read, changed)
	}
}
