package protocol

import (
	"bytes"
	"fmt"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Messages are read by the decoder that became Go's json/v2, not by encoding/json, for two reasons.
// It is strict where encoding/json guesses: names are compared with their case, a name that stands
// twice and text that is not UTF-8 are errors, and errors say where they are. And it is faster; the
// benchmarks in this package show by how much.

// DecodeReading reads one reading and checks all that can be checked without its chart layout and
// without a clock. The error is always a *Refusal.
func DecodeReading(data []byte) (*Reading, error) {
	if r := decodeLifted(data); r != nil {
		return r, nil
	}
	var r Reading
	if err := decode(data, SchemaReading, &r); err != nil {
		return nil, err
	}
	r.ID = plainID(r.ID)
	if err := r.Validate(); err != nil {
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
	n.ID = plainID(n.ID)
	if err := n.Validate(); err != nil {
		return nil, err
	}
	return &n, nil
}

// DecodeRecord reads one record, as the worker wrote it. The error is always a *Refusal.
func DecodeRecord(data []byte) (*Record, error) {
	var r Record
	if err := decode(data, SchemaRecord, &r); err != nil {
		return nil, err
	}
	return &r, nil
}

// DecodeVerdict reads one verdict, as the worker or the command line wrote it. The error is always
// a *Refusal.
func DecodeVerdict(data []byte) (*Verdict, error) {
	var v Verdict
	if err := decode(data, SchemaVerdict, &v); err != nil {
		return nil, err
	}
	return &v, nil
}

// DecodeBaseline reads one baseline, as the worker stored it. The error is always a *Refusal. A
// baseline lies in the object store, where MaxMessage does not hold; its limit is MaxBaseline.
func DecodeBaseline(data []byte) (*Baseline, error) {
	var b Baseline
	if err := decodeUpTo(MaxBaseline, data, SchemaBaseline, &b); err != nil {
		return nil, err
	}
	if err := b.Validate(); err != nil {
		return nil, err
	}
	return &b, nil
}

// message is what every message type has.
type message interface{ schemaName() string }

// decode reads JSON into v, whose schema must be want.
func decode(data []byte, want string, v message) error {
	return decodeUpTo(MaxMessage, data, want, v)
}

func decodeUpTo(most int, data []byte, want string, v message) error {
	if len(data) > most {
		return tooLarge(len(data), most)
	}
	opts := json.DefaultOptionsV2()
	// A null is absent data that a program wrote down: to take it for zero or for "not given" would
	// be a guess. Looking for the word first keeps the check off the usual, null-free road.
	if mayHoldNull(data) {
		opts = refuseNull
	}
	if err := json.Unmarshal(data, v, opts); err != nil {
		return explain(data, want, err)
	}
	if r := checkSchema(v.schemaName(), want); r != nil {
		return r
	}
	return nil
}

// mayHoldNull says whether the word may stand in a message as a value. A search for it stops at every n
// of the packed samples, a thousand times in a reading with traces, so these are passed over: outside
// its texts, a message without true, false and null has no n.
func mayHoldNull(data []byte) bool {
	const long = 32 << 10
	if len(data) < long || bytes.IndexByte(data, '\\') >= 0 { // an escape may hide the end of a text
		return bytes.Contains(data, []byte("null"))
	}
	for {
		plain, text, more := bytes.Cut(data, []byte{'"'})
		if bytes.IndexByte(plain, 'n') >= 0 {
			return true
		}
		if !more {
			return false
		}
		if _, data, more = bytes.Cut(text, []byte{'"'}); !more {
			return false // cut off: no message
		}
	}
}

var refuseNull = json.WithUnmarshalers(json.UnmarshalFromFunc(func(dec *jsontext.Decoder, v any) error {
	if dec.PeekKind() != jsontext.KindNull {
		return errUnsupported
	}
	if _, err := dec.ReadToken(); err != nil {
		return err
	}
	return refuse(CodeBadType, fieldPath(dec.StackPointer()), "null is not a value; leave the field out when there is none")
}))

// checkSchema says whether a message that calls itself got can be read as want.
func checkSchema(got, want string) *Refusal {
	switch got {
	case want:
		return nil
	case "":
		return refuse(CodeMissing, "schema", fmt.Sprintf("give %q", want))
	}
	name, _, _ := strings.Cut(want, "/")
	if other, version, ok := strings.Cut(got, "/"); ok && other == name {
		return refuse(CodeBadSchema, "schema", fmt.Sprintf("version %s is not known here; this worker reads %q", clip(version, 20), want))
	}
	return refuse(CodeBadSchema, "schema", fmt.Sprintf("%q is not %q", clip(got, 60), want))
}

// Encode gives the JSON of a message and refuses one that the bus would not take. The same value
// always gives the same bytes.
func Encode(v any) ([]byte, error) {
	b, err := encode(v)
	if err != nil {
		return nil, err
	}
	if err := CheckSize(len(b)); err != nil {
		return nil, err
	}
	return b, nil
}

func encode(v any) ([]byte, error) {
	// Text that is not UTF-8 can only come from outside, such as the subject of a refused message;
	// it must not keep the refusal from being recorded, so it is written with U+FFFD in its place.
	// No type here can give a name twice, and looking for it takes a fifth of the time.
	b, err := json.Marshal(v, json.Deterministic(true), jsontext.AllowInvalidUTF8(true), jsontext.AllowDuplicateNames(true))
	if err != nil {
		return nil, fmt.Errorf("encode %T: %w", v, err)
	}
	return b, nil
}

// CheckSize refuses a message of n bytes that is over MaxMessage.
func CheckSize(n int) error {
	if n > MaxMessage {
		return tooLarge(n, MaxMessage)
	}
	return nil
}

func tooLarge(n, most int) *Refusal {
	return refuse(CodeTooLarge, "", fmt.Sprintf("the message has %d bytes, the limit is %d (%d KB); send fewer traces in it, or traces as f32", n, most, most/1000))
}
