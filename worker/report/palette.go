package report

import "fmt"

// ink is one colour of the page, on light and on dark ground.
type ink struct{ light, dark string }

// palette is every colour of the page by its CSS name. A test holds the contrast of what is read
// against what it stands on.
var palette = map[string]ink{
	"ground": {"#ffffff", "#16191d"},
	"panel":  {"#f3f5f7", "#20252b"},
	"text":   {"#1c2127", "#e9edf1"},
	"quiet":  {"#4d5763", "#aeb8c3"},
	"rule":   {"#c4ccd4", "#414a54"},
	"line":   {"#1d5fa8", "#7db4ee"},
	"limit":  {"#6a4a9e", "#c0a5ee"},
	"stop":   {"#a3161b", "#ff9a94"},
	"act":    {"#8a4b00", "#f2b45c"},
	"good":   {"#17663a", "#7fd39f"},
	"mark":   {"#5c3d00", "#e8c987"},
}

// readOn lists which colours are read on which.
var readOn = map[string][]string{
	"ground": {"text", "quiet", "line", "limit", "stop", "act", "good", "mark"},
	"panel":  {"text", "quiet", "line", "limit", "stop", "act", "good", "mark"},
}

// paletteOrder keeps the page the same from run to run.
var paletteOrder = []string{"ground", "panel", "text", "quiet", "rule", "line", "limit", "stop", "act", "good", "mark"}

func variables(dark bool) string {
	s := ""
	for _, name := range paletteOrder {
		c := palette[name].light
		if dark {
			c = palette[name].dark
		}
		s += fmt.Sprintf("--%s:%s;", name, c)
	}
	return s
}
