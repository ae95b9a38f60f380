package cxf

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
	"unicode/utf8"

	"swathkeeper/protocol/measurement"
	"swathkeeper/protocol/measurement/readcheck"
)

// FuzzRead: whatever comes in, the reader ends, with an error of its own kind
// or with patches that hold together, and never allocates more than 16 times
// the input (and 256 KB). What it takes, encoding/xml finds well-formed too;
// and both see the same elements and text.
func FuzzRead(f *testing.F) {
	readcheck.Seeds(f, 20_000, "../../testdata/files/*.cxf", "../../testdata/charts/cxf/*.cxf")
	f.Fuzz(func(t *testing.T, data []byte) {
		readcheck.Read(t, data, Read)
		text, _, err := measurement.Decode(data, "")
		if err != nil {
			return
		}
		ours, err := outline(text)
		if err != nil {
			return
		}
		theirs, err := outlineByLibrary(text)
		if err != nil {
			if allowed(err, text) {
				return
			}
			t.Fatalf("taken here, but encoding/xml says %v", err)
		}
		if !bytes.Equal(ours, theirs) {
			t.Fatalf("here\n%s\nencoding/xml\n%s", ours, theirs)
		}
	})
}

// allowed are what encoding/xml refuses and this reader has no need to:
// control characters in ignored text, and the declared encoding, which Decode
// has settled.
func allowed(err error, text []byte) bool {
	for _, r := range string(text) {
		if r < ' ' && r != '\t' && r != '\n' && r != '\r' || r == 0xFFFE || r == 0xFFFF || r >= utf8.RuneSelf {
			return true
		}
	}
	return bytes.Contains(text, []byte("<?")) || bytes.IndexByte(text, '&') >= 0 || bytes.IndexByte(text, ':') >= 0
}

// outline writes elements, their namespaces, attributes and text in one form.
func outline(text []byte) ([]byte, error) {
	var b bytes.Buffer
	t := newTokens(text)
	for {
		kind, err := t.next()
		if err != nil {
			return nil, err
		}
		switch kind {
		case tokenEnd:
			return b.Bytes(), nil
		case tokenStart:
			e := t.element()
			b.WriteString("<")
			if e.space == Namespace {
				b.WriteString(e.local)
			}
			for _, a := range t.attrs {
				v, err := t.unescape(a.value)
				if err != nil {
					return nil, err
				}
				b.WriteString(" " + string(flat(v)))
			}
		case tokenClose:
			b.WriteString(">")
		case tokenText:
			c, err := t.content()
			if err != nil {
				return nil, err
			}
			b.Write(flat(c))
		}
	}
}

// outlineByLibrary is the same by encoding/xml.
func outlineByLibrary(text []byte) ([]byte, error) {
	var b bytes.Buffer
	d := xml.NewDecoder(bytes.NewReader(text))
	d.CharsetReader = func(_ string, in io.Reader) (io.Reader, error) { return in, nil }
	depth := 0
	for {
		t, err := d.Token()
		if errors.Is(err, io.EOF) {
			return b.Bytes(), nil
		}
		if err != nil {
			return nil, err
		}
		switch t := t.(type) {
		case xml.StartElement:
			depth++
			b.WriteString("<")
			if t.Name.Space == Namespace {
				b.WriteString(t.Name.Local[:min(len(t.Name.Local), 100)])
			}
			for _, a := range t.Attr {
				b.WriteString(" " + string(flat([]byte(a.Value))))
			}
		case xml.EndElement:
			depth--
			b.WriteString(">")
		case xml.CharData:
			if depth > 0 {
				b.Write(flat(t))
			}
		}
	}
}

// flat drops line ends, which encoding/xml rewrites.
func flat(b []byte) []byte {
	return bytes.Map(func(r rune) rune {
		if r == '\r' || r == '\n' {
			return -1
		}
		return r
	}, b)
}

// TestLikeTheLibrary compares both on every document of the project.
func TestLikeTheLibrary(t *testing.T) {
	n := 0
	for _, p := range []string{"../../testdata/files/*.cxf", "../../testdata/charts/cxf/*.cxf"} {
		names, err := filepath.Glob(p)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			data, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			text, _, err := measurement.Decode(data, name)
			if err != nil {
				t.Fatal(err)
			}
			ours, err := outline(text)
			theirs, libraryErr := outlineByLibrary(text)
			switch {
			case err == nil && libraryErr != nil:
				t.Errorf("%s: taken here, but encoding/xml says %v", name, libraryErr)
			case err == nil && !bytes.Equal(ours, theirs):
				t.Errorf("%s: another outline", name)
			case err == nil:
				n++
			}
		}
	}
	if n < 20 {
		t.Errorf("only %d documents compared", n)
	}
}
