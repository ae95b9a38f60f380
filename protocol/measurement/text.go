package measurement

import (
	"bytes"
	"fmt"
	"unicode/utf16"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
)

// Decode turns a file's bytes into UTF-8 without a byte-order mark, and says
// how they were encoded: utf-8, utf-16le or utf-16be (by their mark), else
// windows-1252. A NUL, or text in UTF-16 without its mark, is refused.
func Decode(data []byte, name string) (text []byte, encoding string, err error) {
	if len(data) > MaxBytes {
		return nil, "", &Error{File: name, // it may be longer than what was given of it
			Problem: fmt.Sprintf("the file has more than %d bytes, the most that is read", MaxBytes),
			Hint:    "split it, or keep only the patches and fields that are needed"}
	}
	switch {
	case bytes.HasPrefix(data, []byte{0xEF, 0xBB, 0xBF}):
		text, encoding = data[3:], "utf-8"
	case bytes.HasPrefix(data, []byte{0xFF, 0xFE}):
		text, encoding = decodeUTF16(data[2:], 1), "utf-16le"
	case bytes.HasPrefix(data, []byte{0xFE, 0xFF}):
		text, encoding = decodeUTF16(data[2:], 0), "utf-16be"
	default:
		text, encoding = data, "utf-8"
	}
	if i := bytes.IndexByte(text, 0); i >= 0 {
		line, column := Position(text, i)
		hint := "the file is damaged, or not a text file"
		if encoding == "utf-8" && bytes.Count(text[:min(len(text), 200)], []byte{0}) > 40 {
			hint = "it looks like UTF-16 without a byte-order mark; save it as UTF-8"
		}
		return nil, "", &Error{File: name, Line: line, Column: column, Problem: "a NUL byte in the text", Hint: hint}
	}
	if !utf8.Valid(text) {
		// Not UTF-8, and no mark: what office programs of western languages
		// write. Only free text is affected; numbers and keywords are ASCII.
		if text, err = charmap.Windows1252.NewDecoder().Bytes(text); err != nil {
			return nil, "", &Error{File: name, Problem: "the text is in no encoding that is read", Hint: "save it as UTF-8"}
		}
		encoding = "windows-1252"
	}
	return text, encoding, nil
}

// decodeUTF16 reads pairs of bytes; high is the index of the high byte. A
// lone surrogate, or an odd last byte, becomes U+FFFD.
func decodeUTF16(data []byte, high int) []byte {
	out := make([]byte, 0, len(data)/2+len(data)/8+4)
	for len(data) >= 2 {
		r := rune(data[high])<<8 | rune(data[1-high])
		data = data[2:]
		if utf16.IsSurrogate(r) {
			if len(data) < 2 {
				r = utf8.RuneError
			} else {
				r = utf16.DecodeRune(r, rune(data[high])<<8|rune(data[1-high]))
				if r != utf8.RuneError {
					data = data[2:]
				}
			}
		}
		out = utf8.AppendRune(out, r)
	}
	if len(data) == 1 {
		out = utf8.AppendRune(out, utf8.RuneError)
	}
	return out
}

// Position is the line and column (from 1) of a byte of the text, with any of
// the three line ends.
func Position(text []byte, at int) (line, column int) {
	line = 1
	start := 0
	for i := 0; i < at; i++ {
		switch text[i] {
		case '\n':
			if i == 0 || text[i-1] != '\r' {
				line++
			}
			start = i + 1
		case '\r':
			line++
			start = i + 1
		}
	}
	return line, utf8.RuneCount(text[start:at]) + 1
}

// Lines walks through the lines of a text, ended by LF, CR LF or a lone CR in
// any mixture.
type Lines struct {
	text []byte
	pos  int
	line int
	lf   int // position of the next LF at or after pos; -1: not looked for
}

// NewLines walks through text from its beginning.
func NewLines(text []byte) *Lines { return &Lines{text: text, lf: -1} }

// Next is the next line without its end, valid until the text changes; false
// after the last.
func (l *Lines) Next() ([]byte, bool) {
	if l.pos >= len(l.text) {
		return nil, false
	}
	// The place of the next LF is kept: with lone CRs, looking for it at each
	// line would read the whole rest each time.
	if l.lf < l.pos {
		if i := bytes.IndexByte(l.text[l.pos:], '\n'); i >= 0 {
			l.lf = l.pos + i
		} else {
			l.lf = len(l.text)
		}
	}
	line := l.text[l.pos:l.lf]
	next := l.lf + 1
	if i := bytes.IndexByte(line, '\r'); i >= 0 {
		line = line[:i]
		next = l.pos + i + 1
		if next == l.lf {
			next++
		}
	}
	l.pos = next
	l.line++
	return line, true
}

// Line is the number of the line that Next gave last, from 1.
func (l *Lines) Line() int { return l.line }

// Ended tells whether the line that Next gave last had a line end.
func (l *Lines) Ended() bool { return l.pos <= len(l.text) }

// Mark is a place to come back to.
type Mark struct{ pos, line int }

// Mark is the place before the next line.
func (l *Lines) Mark() Mark { return Mark{l.pos, l.line} }

// Back returns to a mark.
func (l *Lines) Back(m Mark) { l.pos, l.line, l.lf = m.pos, m.line, -1 }

// Before tells whether the next line begins before a mark.
func (l *Lines) Before(m Mark) bool { return l.pos < m.pos }
