package protocol

import (
	"bytes"
	"strconv"
)

// Nearly all bytes of a reading with traces are packed samples, and a decoder looks at each of them to
// find the end of the text and once more to copy it. They are lifted out first, and the rest is read as
// any message is.

// liftedLeast is from how many bytes on a text is worth lifting.
const liftedLeast = 1 << 10

// decodeLifted reads a reading whose samples can be lifted out. It gives nil where they cannot, and where
// anything is wrong: the message is then read as it stands, which says what it is and where.
func decodeLifted(data []byte) *Reading {
	if len(data) > MaxMessage {
		return nil
	}
	rest, texts := liftF32(data)
	if len(texts) == 0 {
		return nil
	}
	var r Reading
	if decode(rest, SchemaReading, &r) != nil {
		return nil
	}
	// All that was lifted must be back, each text in its own trace.
	n := 0
	for i := range r.Traces {
		t := &r.Traces[i]
		if t.F32 == "" {
			continue
		}
		if n == len(texts) || t.F32 != strconv.Itoa(n) {
			return nil
		}
		t.F32 = string(texts[n])
		n++
	}
	if n != len(texts) {
		return nil
	}
	r.ID = plainID(r.ID)
	if r.Validate() != nil {
		return nil
	}
	return &r
}

// liftF32 takes the texts of all members called f32 out of a message, and leaves the number of each in
// its place. It gives none where one of them is short, or where an escape may hide the end of a text.
func liftF32(data []byte) (rest []byte, texts [][]byte) {
	if len(data) < liftedLeast || !bytes.Contains(data, []byte(`f32"`)) || bytes.IndexByte(data, '\\') >= 0 {
		return nil, nil
	}
	rest = make([]byte, 0, min(len(data), 32<<10))
	from := 0    // of what is not in rest yet
	key := false // the text before was the member's name
	for i := 0; ; {
		open := bytes.IndexByte(data[i:], '"')
		if open < 0 {
			break
		}
		key = key && string(bytes.TrimSpace(data[i:i+open])) == ":"
		i += open + 1
		n := bytes.IndexByte(data[i:], '"')
		if n < 0 {
			return nil, nil // cut off: no message
		}
		text := data[i : i+n]
		switch {
		case key && n < liftedLeast:
			return nil, nil
		case key:
			rest = strconv.AppendInt(append(rest, data[from:i]...), int64(len(texts)), 10)
			texts = append(texts, text)
			from = i + n
		}
		key = !key && string(text) == "f32"
		i += n + 1
	}
	return append(rest, data[from:]...), texts
}
