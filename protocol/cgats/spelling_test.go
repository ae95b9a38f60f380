package cgats_test

import (
	"bytes"
	"fmt"
	"regexp"
	"strings"
	"testing"
	"unicode/utf16"

	"swathkeeper/protocol/cgats"
	"swathkeeper/protocol/measurement"
)

// spellings are ways to write one text; none changes what it says.
var spellings = []struct {
	name  string
	spell func(text string) []byte
}{
	{"a byte-order mark", func(s string) []byte { return []byte("\ufeff" + s) }},
	{"UTF-16, low byte first", func(s string) []byte { return inUTF16(s, 0, 8) }},
	{"UTF-16, high byte first", func(s string) []byte { return inUTF16(s, 8, 0) }},
	{"CR", func(s string) []byte { return []byte(strings.ReplaceAll(s, "\n", "\r")) }},
	{"CR LF", func(s string) []byte { return []byte(strings.ReplaceAll(s, "\n", "\r\n")) }},
	{"all line ends by turns", func(s string) []byte {
		var b bytes.Buffer
		for i, line := range strings.SplitAfter(s, "\n") {
			b.WriteString(strings.TrimSuffix(line, "\n") + []string{"\n", "\r", "\r\n"}[i%3])
		}
		return b.Bytes()
	}},
	{"decimal commas", func(s string) []byte {
		head, data, _ := strings.Cut(s, "BEGIN_DATA\n")
		return []byte(head + "BEGIN_DATA\n" + regexp.MustCompile(`(\d)\.(\d)`).ReplaceAllString(data, "$1,$2"))
	}},
	{"small letters", func(s string) []byte {
		return []byte(regexp.MustCompile(`(?m)^[A-Z_\t ]+$|\b(BEGIN|END|NUMBER|LAB|XYZ|CMYK|SAMPLE|SPECTRAL)_[A-Z0-9_]+`).ReplaceAllStringFunc(s, strings.ToLower))
	}},
	{"more blanks", func(s string) []byte { // not within quotes
		parts := strings.Split(s, `"`)
		for i := 0; i < len(parts); i += 2 {
			parts[i] = regexp.MustCompile(`[\t ]+`).ReplaceAllString(parts[i], " \t  ")
		}
		return []byte(strings.Join(parts, `"`))
	}},
	{"comments and empty lines", func(s string) []byte {
		return []byte(strings.ReplaceAll(s, "\n", " # said 12 \"3,4\n\n   # 5 6 7\n"))
	}},
}

func inUTF16(s string, first, second uint) []byte {
	var b []byte
	for _, u := range append([]uint16{0xFEFF}, utf16.Encode([]rune(s))...) {
		b = append(b, byte(u>>first), byte(u>>second))
	}
	return b
}

// TestSpellings: the published files, written by this package, say the same in
// every spelling.
func TestSpellings(t *testing.T) {
	for _, name := range []string{"FOGRA39L.txt", "IFRA30S.txt", "decimal-comma-spectral.txt", "small-nm-fields.txt"} {
		f, err := cgats.Read(charts(t, name), name, measurement.Options{})
		if err != nil {
			t.Fatal(err)
		}
		var plain bytes.Buffer
		if err := cgats.Write(&plain, f); err != nil {
			t.Fatal(err)
		}
		for _, s := range spellings {
			t.Run(fmt.Sprintf("%s with %s", name, s.name), func(t *testing.T) {
				t.Parallel()
				text := s.spell(plain.String())
				g, err := cgats.Read(text, "spelled", measurement.Options{})
				if err != nil {
					t.Fatalf("%v in\n%.900s", err, text)
				}
				same(t, f, g)
			})
		}
	}
}
