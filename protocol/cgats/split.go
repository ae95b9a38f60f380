package cgats

import (
	"bytes"
	"fmt"
	"unicode/utf8"

	"swathkeeper/protocol/measurement"
)

type cell = measurement.Cell

// blank tells whether a byte separates tokens.
func blank(c byte) bool { return c == ' ' || c == '\t' || c == '\v' || c == '\f' || c == 0x1A }

// fault is a fault within a line, for the caller to place in its file.
func fault(line []byte, at, number int, problem, hint string) error {
	return &measurement.Error{Line: number, Column: utf8.RuneCount(line[:at]) + 1, Problem: problem, Hint: hint}
}

// byBlanks cuts a line at runs of blanks and tabs. Text in double quotes is
// one token with whatever it holds; so is text in single quotes when the
// closing one ends a token. A # at the start of a token begins a comment.
func byBlanks(line []byte, number int, out []cell) ([]cell, error) {
	for i := 0; ; {
		for i < len(line) && blank(line[i]) {
			i++
		}
		if i >= len(line) || line[i] == '#' {
			return out, nil
		}
		if len(out) > measurement.MaxFields {
			return out, fault(line, i, number, fmt.Sprintf("more than %d values in one line", measurement.MaxFields), "end each patch with a line end")
		}
		start := i
		if c := line[i]; c == '"' || c == '\'' {
			text, next, err := quoted(line, i, number, false)
			if err != nil {
				return out, err
			}
			if next > 0 {
				out = append(out, cell{Text: text, Line: number, Column: start + 1})
				i = next
				continue
			}
		}
		for i < len(line) && !blank(line[i]) {
			i++
		}
		out = append(out, cell{Text: line[start:i], Line: number, Column: start + 1})
	}
}

// quoted reads a quoted text that starts at i; next is 0 when a single quote
// is only an apostrophe. With tabs, only a tab may follow.
func quoted(line []byte, i, number int, tabs bool) (text []byte, next int, err error) {
	quote := line[i]
	for from := i + 1; ; {
		n := bytes.IndexByte(line[from:], quote)
		if n < 0 {
			if quote == '\'' {
				return nil, 0, nil
			}
			return nil, 0, fault(line, i, number, "a quote without its end", "close it in the same line")
		}
		end := from + n
		after := end + 1
		if after >= len(line) || blank(line[after]) {
			return line[i+1 : end], after, nil
		}
		if quote == '\'' {
			from = after
			continue
		}
		return nil, 0, fault(line, after, number, "text right after a closing quote", "the format knows no quote within quotes; put a blank between two values")
	}
}

// byTabs cuts a line at every single tab, so that a value may hold blanks and
// may be empty. Blanks around a value do not count.
func byTabs(line []byte, number int, out []cell) ([]cell, error) {
	for i := 0; ; {
		for i < len(line) && line[i] == ' ' {
			i++
		}
		if len(out) > measurement.MaxFields {
			return out, fault(line, min(i, len(line)), number, fmt.Sprintf("more than %d values in one line", measurement.MaxFields), "end each patch with a line end")
		}
		start := i
		if i < len(line) && line[i] == '#' {
			return out, nil
		}
		var text []byte
		next := 0
		if i < len(line) && (line[i] == '"' || line[i] == '\'') {
			var err error
			if text, next, err = quoted(line, i, number, true); err != nil {
				return out, err
			}
			if next > 0 {
				rest := line[next:]
				if n := bytes.IndexByte(rest, '\t'); n >= 0 {
					rest = rest[:n]
				}
				if r := bytes.TrimLeft(rest, " "); len(r) > 0 && r[0] != '#' {
					next = 0 // "a" "b" between two tabs is one value with blanks
				}
			}
		}
		comment := false
		if next == 0 {
			next = len(line)
			if n := bytes.IndexByte(line[start:], '\t'); n >= 0 {
				next = start + n
			}
			text = line[start:next]
			if n := bytes.Index(text, []byte(" #")); n >= 0 {
				text, comment = text[:n], true
			}
			text = bytes.TrimRight(text, " ")
		} else {
			rest := line[next:]
			n := bytes.IndexByte(rest, '\t')
			if h := bytes.IndexByte(rest, '#'); h >= 0 && (n < 0 || h < n) {
				comment = true
			}
			if n < 0 {
				next = len(line)
			} else {
				next += n
			}
		}
		out = append(out, cell{Text: text, Line: number, Column: start + 1})
		if comment || next >= len(line) {
			return out, nil
		}
		i = next + 1
	}
}

// withoutEmptyEnd drops empty values at the end, which trailing tabs make, as
// long as more than want are left.
func withoutEmptyEnd(cells []cell, want int) []cell {
	for len(cells) > want && len(cells[len(cells)-1].Text) == 0 {
		cells = cells[:len(cells)-1]
	}
	return cells
}
