package cxf

import (
	"bytes"
	"fmt"
	"strconv"
	"unicode/utf8"

	"swathkeeper/protocol/measurement"
)

// The tokens of XML are cut here and not by encoding/xml: that makes up to 70
// bytes of garbage for each byte of a document of small elements, and knows no
// column. This one allocates nothing but what a caller asks for, and takes
// less: no document types, no entities but the five of XML and numbers. A
// test compares both on whatever the fuzzer finds.

const (
	maxAttributes = 100 // of one tag
	maxBindings   = 256 // of namespaces, at one moment
)

// token is what comes next in a document.
type token int

const (
	tokenEnd   token = iota // of the document
	tokenStart              // a start tag; an empty-element tag gives tokenStart and tokenClose
	tokenClose
	tokenText
)

// element is a start tag; it is valid until the next token.
type element struct {
	space, local string
	t            *tokens
}

type attribute struct{ name, value []byte }

// binding is a namespace prefix in force.
type binding struct {
	prefix, uri string
	depth       int
}

// tokens walks through a document.
type tokens struct {
	b         []byte
	pos       int // behind the last token
	at        int // of the last token
	text      []byte
	cdata     bool
	open      [maxDepth][]byte // names of the open elements
	depth     int
	empty     bool // the last start tag closed itself
	done      bool // the root element is closed
	elements  int
	attrs     []attribute
	bound     []binding
	scratch   []byte
	seen      map[string]string
	linePos   int // line is the number of the line that linePos stands in
	line      int
	lineStart int
}

func newTokens(text []byte) *tokens { return &tokens{b: text, line: 1} }

// place is the line and column of the last token. It only moves forward.
func (t *tokens) place() (line, column int) {
	for ; t.linePos < t.at; t.linePos++ {
		switch t.b[t.linePos] {
		case '\n':
			if t.linePos == 0 || t.b[t.linePos-1] != '\r' {
				t.line++
			}
			t.lineStart = t.linePos + 1
		case '\r':
			t.line++
			t.lineStart = t.linePos + 1
		}
	}
	return t.line, utf8.RuneCount(t.b[min(t.lineStart, t.at):t.at]) + 1
}

// fail is an error at the last token.
func (t *tokens) fail(hint, format string, args ...any) error {
	line, column := t.place()
	return &measurement.Error{Line: line, Column: column, Problem: fmt.Sprintf(format, args...), Hint: hint}
}

const damaged = "the file is damaged, cut, or not XML"

// next is the next token.
func (t *tokens) next() (token, error) {
	if t.empty {
		t.empty = false
		t.close()
		return tokenClose, nil
	}
	for {
		t.at = t.pos
		if t.pos >= len(t.b) {
			switch {
			case t.depth > 0:
				return tokenEnd, t.fail(damaged, "the document ends within element %s", measurement.Quote(string(t.open[t.depth-1])))
			case !t.done:
				return tokenEnd, t.fail(damaged, "no root element")
			}
			return tokenEnd, nil
		}
		rest := t.b[t.pos:]
		if rest[0] != '<' {
			n := bytes.IndexByte(rest, '<')
			if n < 0 {
				n = len(rest)
			}
			t.text, t.cdata = rest[:n], false
			t.pos += n
			if err := t.checkText(); err != nil {
				return tokenEnd, err
			}
			if t.depth == 0 {
				continue
			}
			return tokenText, nil
		}
		switch {
		case bytes.HasPrefix(rest, []byte("<!--")):
			n := bytes.Index(rest[4:], []byte("--"))
			if n < 0 {
				return tokenEnd, t.fail(damaged, "a comment without its end")
			}
			if !bytes.HasPrefix(rest[4+n:], []byte("-->")) {
				return tokenEnd, t.fail(damaged, "two hyphens within a comment")
			}
			t.pos += 4 + n + 3
		case bytes.HasPrefix(rest, []byte("<![CDATA[")):
			n := bytes.Index(rest, []byte("]]>"))
			if n < 0 || t.depth == 0 {
				return tokenEnd, t.fail(damaged, "a CDATA section without its end, or out of place")
			}
			t.text, t.cdata = rest[9:n], true
			t.pos += n + 3
			return tokenText, nil
		case bytes.HasPrefix(rest, []byte("<!")):
			return tokenEnd, t.fail("remove the document type and every entity", "a document type declaration; none is read")
		case bytes.HasPrefix(rest, []byte("<?")):
			n := bytes.Index(rest, []byte("?>"))
			if n < 0 {
				return tokenEnd, t.fail(damaged, "a processing instruction without its end")
			}
			t.pos += n + 2
		case bytes.HasPrefix(rest, []byte("</")):
			name, n := cutName(rest[2:])
			n += 2 + len(rest[2+n:]) - len(trimSpace(rest[2+n:]))
			if n >= len(rest) || rest[n] != '>' {
				return tokenEnd, t.fail(damaged, "an end tag that is not closed")
			}
			if t.depth == 0 || !bytes.Equal(name, t.open[t.depth-1]) {
				return tokenEnd, t.fail(damaged, "end tag %s without its element", measurement.Quote(string(name)))
			}
			t.pos += n + 1
			t.close()
			return tokenClose, nil
		default:
			return tokenStart, t.startTag(rest)
		}
	}
}

// checkText refuses what may not stand in text; entities are checked when the
// text is asked for.
func (t *tokens) checkText() error {
	if t.depth == 0 {
		if len(trimSpace(t.text)) > 0 {
			return t.fail(damaged, "text outside the root element")
		}
		return nil
	}
	if bytes.Contains(t.text, []byte("]]>")) {
		return t.fail(damaged, "]]> within text")
	}
	return nil
}

func (t *tokens) close() {
	for len(t.bound) > 0 && t.bound[len(t.bound)-1].depth == t.depth {
		t.bound = t.bound[:len(t.bound)-1]
	}
	t.depth--
	t.done = t.done || t.depth == 0
}

// startTag reads a start tag.
func (t *tokens) startTag(rest []byte) error {
	name, n := cutName(rest[1:])
	n++
	if len(name) == 0 {
		return t.fail(damaged, "a < that begins no tag")
	}
	switch {
	case t.done:
		return t.fail(damaged, "an element behind the root element")
	case t.depth >= maxDepth:
		return t.fail("is it a measurement file at all?", "elements more than %d deep", maxDepth)
	}
	if t.elements++; t.elements > maxElements {
		return t.fail("split the file", "more than %d elements", maxElements)
	}
	t.attrs = t.attrs[:0]
	for {
		after := trimSpace(rest[n:])
		blank := len(after) < len(rest)-n
		n = len(rest) - len(after)
		switch {
		case len(after) == 0:
			return t.fail(damaged, "a tag without its end")
		case after[0] == '>':
			n++
		case after[0] == '/':
			if len(after) < 2 || after[1] != '>' {
				return t.fail(damaged, "a / within a tag")
			}
			t.empty = true
			n += 2
		default:
			if !blank {
				return t.fail(damaged, "two parts of tag %s without a blank between them", measurement.Quote(string(name)))
			}
			used, err := t.attribute(after)
			if err != nil {
				return err
			}
			n += used
			continue
		}
		break
	}
	t.pos += n
	t.open[t.depth] = name
	t.depth++
	return t.bind()
}

// attribute reads one attribute at the start of b.
func (t *tokens) attribute(b []byte) (used int, err error) {
	name, n := cutName(b)
	after := trimSpace(b[n:])
	if len(name) == 0 || len(after) == 0 || after[0] != '=' {
		return 0, t.fail(damaged, "an attribute without its value")
	}
	after = trimSpace(after[1:])
	if len(after) == 0 || after[0] != '"' && after[0] != '\'' {
		return 0, t.fail(damaged, "the value of attribute %s is not in quotes", measurement.Quote(string(name)))
	}
	end := bytes.IndexByte(after[1:], after[0])
	if end < 0 {
		return 0, t.fail(damaged, "attribute %s without its end", measurement.Quote(string(name)))
	}
	value := after[1 : 1+end]
	if bytes.IndexByte(value, '<') >= 0 {
		return 0, t.fail(damaged, "a < in attribute %s", measurement.Quote(string(name)))
	}
	if len(t.attrs) >= maxAttributes {
		return 0, t.fail("is it a measurement file at all?", "more than %d attributes in one tag", maxAttributes)
	}
	for _, a := range t.attrs {
		if bytes.Equal(a.name, name) {
			return 0, t.fail(damaged, "attribute %s stands twice", measurement.Quote(string(name)))
		}
	}
	t.attrs = append(t.attrs, attribute{name, value})
	return len(b) - len(after) + end + 2, nil
}

// bind takes the namespaces that the last start tag declares.
func (t *tokens) bind() error {
	for _, a := range t.attrs {
		prefix, ok := bytes.CutPrefix(a.name, []byte("xmlns:"))
		if !ok && string(a.name) != "xmlns" {
			continue
		}
		if !ok {
			prefix = nil
		}
		if len(t.bound) >= maxBindings {
			return t.fail("is it a measurement file at all?", "more than %d namespaces", maxBindings)
		}
		value, err := t.unescape(a.value)
		if err != nil {
			return err
		}
		t.bound = append(t.bound, binding{t.intern(prefix[:min(len(prefix), 200)]), t.intern(value[:min(len(value), 200)]), t.depth})
	}
	return nil
}

// element is the last start tag.
func (t *tokens) element() element {
	prefix, local := []byte(nil), t.open[t.depth-1]
	if i := bytes.IndexByte(local, ':'); i >= 0 {
		prefix, local = local[:i], local[i+1:]
	}
	e := element{t: t}
	for i := len(t.bound) - 1; i >= 0; i-- {
		if t.bound[i].prefix == string(prefix) {
			e.space = t.bound[i].uri
			break
		}
	}
	if e.space == Namespace { // names of others do not matter
		e.local = t.intern(local[:min(len(local), 100)])
	} else if t.depth == 1 {
		e.local = string(local[:min(len(local), 100)])
	}
	return e
}

// attr is an attribute's value, by its local name; empty when absent.
func (e element) attr(name string) (string, error) {
	for _, a := range e.t.attrs {
		local := a.name
		if i := bytes.IndexByte(local, ':'); i >= 0 {
			local = local[i+1:]
		}
		if string(local) == name {
			v, err := e.t.unescape(a.value)
			return e.t.intern(v), err
		}
	}
	return "", nil
}

// content is the last text, with its entities replaced; valid until the next
// call.
func (t *tokens) content() ([]byte, error) {
	if t.cdata {
		return t.text, nil
	}
	return t.unescape(t.text)
}

// unescape replaces the five entities and numbered characters.
func (t *tokens) unescape(b []byte) ([]byte, error) {
	i := bytes.IndexByte(b, '&')
	if i < 0 {
		return b, nil
	}
	out := append(t.scratch[:0], b[:i]...)
	for b = b[i:]; len(b) > 0; {
		if b[0] != '&' {
			n := bytes.IndexByte(b, '&')
			if n < 0 {
				n = len(b)
			}
			out = append(out, b[:n]...)
			b = b[n:]
			continue
		}
		end := bytes.IndexByte(b[:min(len(b), 12)], ';')
		if end < 0 {
			return nil, t.fail(damaged, "an & that begins no entity; it is written &amp;")
		}
		name := string(b[1:end])
		switch name {
		case "lt":
			out = append(out, '<')
		case "gt":
			out = append(out, '>')
		case "amp":
			out = append(out, '&')
		case "quot":
			out = append(out, '"')
		case "apos":
			out = append(out, '\'')
		default:
			r, ok := numbered(name)
			if !ok {
				return nil, t.fail("only the five entities of XML and numbered characters are read", "entity %s", measurement.Quote(name))
			}
			out = utf8.AppendRune(out, r)
		}
		b = b[end+1:]
	}
	t.scratch = out
	return out, nil
}

// numbered reads the character of &#228; or &#xE4;.
func numbered(name string) (rune, bool) {
	if len(name) < 2 || name[0] != '#' {
		return 0, false
	}
	digits, base := name[1:], 10
	if digits[0] == 'x' {
		digits, base = digits[1:], 16
	}
	n, err := strconv.ParseUint(digits, base, 32)
	if err != nil || n > utf8.MaxRune || n < ' ' && n != '\t' && n != '\n' && n != '\r' || !utf8.ValidRune(rune(n)) {
		return 0, false
	}
	return rune(n), true
}

// cutName is the name at the start of b, with its length.
func cutName(b []byte) ([]byte, int) {
	i := 0
	for ; i < len(b); i++ {
		c := b[i]
		letter := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c == '_' || c == ':' || c >= 0x80
		if !letter && (i == 0 || !(c >= '0' && c <= '9' || c == '-' || c == '.')) {
			break
		}
	}
	return b[:i], i
}

func trimSpace(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t' || b[0] == '\n' || b[0] == '\r') {
		b = b[1:]
	}
	return b
}

// intern is bytes as a string; a short text that comes again costs nothing.
func (t *tokens) intern(b []byte) string {
	if s, ok := t.seen[string(b)]; ok {
		return s
	}
	s := string(b)
	if len(t.seen) < 256 && len(s) <= 80 {
		if t.seen == nil {
			t.seen = map[string]string{}
		}
		t.seen[s] = s
	}
	return s
}
