package chart

import (
	"fmt"
	"regexp"
	"strings"

	"rsc.io/qr"
)

// A Tag is what the square code on a print says.
type Tag struct {
	Chart   string // the layout's id
	Edition string // the layout's edition
	Number  string // this print's number, at most 16 capitals and digits; may be empty
}

// tagMark begins every code's text and names its version.
const tagMark = "SWK1"

var printNumber = regexp.MustCompile(`^[A-Z0-9]{0,16}$`)

// String is the text in the code: the mark, chart, edition and number between colons, in
// capitals, which a square code holds most densely.
func (t Tag) String() string {
	return strings.ToUpper(strings.Join([]string{tagMark, t.Chart, t.Edition, t.Number}, ":"))
}

// ParseTag reads the text of a square code. It returns an error for any other code's text.
func ParseTag(text string) (Tag, error) {
	p := strings.Split(text, ":")
	if len(p) != 4 || p[0] != tagMark {
		return Tag{}, fmt.Errorf("the square code is not a chart's: it begins %q", clip(text, 20))
	}
	t := Tag{Chart: strings.ToLower(p[1]), Edition: strings.ToLower(p[2]), Number: p[3]}
	return t, t.check()
}

func (t Tag) check() error {
	switch {
	case !token.MatchString(t.Chart):
		return fmt.Errorf("the square code names chart %q, which is not a token", clip(t.Chart, 64))
	case !token.MatchString(t.Edition):
		return fmt.Errorf("the square code names edition %q, which is not a token", clip(t.Edition, 64))
	case !printNumber.MatchString(t.Number):
		return fmt.Errorf("print number %q: at most 16 capitals and digits", clip(t.Number, 20))
	}
	return nil
}

func clip(s string, n int) string {
	if len(s) > n {
		return s[:n] + "..."
	}
	return s
}

// code makes the square code (ISO/IEC 18004) with error correction level Q: a quarter of it may
// be unreadable, which fabric needs.
func (t Tag) code() (*qr.Code, error) {
	if err := t.check(); err != nil {
		return nil, err
	}
	c, err := qr.Encode(t.String(), qr.Q)
	if err != nil {
		return nil, fmt.Errorf("square code for chart %s: %w", t.Chart, err)
	}
	return c, nil
}

// Modules is the number of modules along a side of the tag's square code.
func (t Tag) Modules() (int, error) {
	c, err := t.code()
	if err != nil {
		return 0, err
	}
	return c.Size, nil
}

// runs draws the code as runs of dark modules in a unit square.
func (t Tag) runs() ([]rect, error) {
	code, err := t.code()
	if err != nil {
		return nil, err
	}
	m := 1 / float64(code.Size)
	var out []rect
	for y := range code.Size {
		for x := 0; x < code.Size; x++ {
			from := x
			for code.Black(x, y) {
				x++
			}
			if x > from {
				out = append(out, rect{float64(from) * m, float64(y) * m, float64(x-from) * m, m})
			}
		}
	}
	return out, nil
}
