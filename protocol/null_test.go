package protocol_test

import (
	"errors"
	"strings"
	"testing"

	"swathkeeper/protocol"
)

// A null is refused wherever it stands as a value, in short messages and in long ones, which are
// looked through in another way; the word in a text is only a word.
func TestNullIsRefusedInLongMessages(t *testing.T) {
	packed := protocol.PackF32(make([]float64, 12_000)) // 64,000 characters
	long := strings.Repeat("null", 12)
	message := func(note, press, tail string) string {
		return `{"schema":"swathkeeper.reading/1","id":"0198c5a4-7b1e-7c3a-9f0e-2a6d1c4b8e11","taken_at":"2026-03-04T07:12:09+01:00",` +
			`"site":"quay","printer":"heron","chart":"c","edition":"e","condition":{"media":"m","preset":"p","stage":"pressed"},"instrument":{"kind":"scanner"},` +
			`"press":` + press + `,"note":` + note + `,"traces":[{"strip":"C-left","channel":"C","tint_percent":50,"start_mm":18,"pitch_um":84.667,"unit":"density","f32":"` +
			packed + `"}]` + tail + `}`
	}
	const press = `{"celsius":200}`
	for name, text := range map[string]string{
		"none":                  message(`"plain"`, press, ""),
		"the word in a text":    message(`"`+long+`"`, press, ""),
		"the word after a mark": message(`"a \" null \\"`, press, ""),
	} {
		if _, err := protocol.DecodeReading([]byte(text)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name, text := range map[string]string{
		"a field":                  message("null", press, ""),
		"in an object":             message(`"plain"`, `{"celsius":null}`, ""),
		"with space":               message(`"plain"`, `{"celsius": null }`, ""),
		"after all else":           message(`"plain"`, press, `,"print":null`),
		"behind an escape":         message(`"a \" b"`, press, `,"print":null`),
		"behind the word in texts": message(`"`+long+`"`, press, `,"print":null`),
	} {
		var r *protocol.Refusal
		if _, err := protocol.DecodeReading([]byte(text)); !errors.As(err, &r) || r.Code != protocol.CodeBadType || !strings.Contains(r.Hint, "null") {
			t.Errorf("%s: %v", name, err)
		}
	}
}
