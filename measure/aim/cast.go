package aim

import (
	"fmt"
	"math"
	"strings"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
)

// Parts of a chart, by what the aim wants there.
const (
	PartPaper    = "paper"
	PartLights   = "light tones"
	PartMiddle   = "mid-tones"
	PartDarks    = "darks"
	PartSolids   = "solids"
	partTogether = "everything"
)

// Part is how one part of the chart differs from the aim: means over its patches, print minus
// aim, in Lab units.
type Part struct {
	Name    string  `json:"part"`
	Patches int     `json:"patches"`
	DE00    float64 `json:"mean_de00"`
	L       float64 `json:"lightness"` // positive: the print is lighter
	A       float64 `json:"a"`
	B       float64 `json:"b"`
	// Cast is the length of the mean shift in a*, b*, and Toward its name.
	Cast   float64 `json:"cast"`
	Toward string  `json:"toward,omitempty"`
	// Chroma is the change of C*ab, over the patches whose aim has colour.
	Chroma float64 `json:"chroma"`
}

// Sizes from which a difference is spoken of: what the trade sees side by side is about one unit,
// and of a mean over patches less. Common practice, no source.
const (
	worthCast   = 1.0
	worthLight  = 1.0
	worthChroma = 2.0
	worthPart   = 1.5
)

// Cast sums up, part by part, how a print differs from its aim. weight is 0 for patches without
// an aim and nil for 1 everywhere; missing may be nil.
func Cast(chart *drift.Chart, aims, labs []colour.Lab, missing []bool, weight []float64) []Part {
	tints := chart.Tints()
	light, dark := math.Inf(-1), math.Inf(1)
	for p, c := range aims {
		if weight != nil && weight[p] == 0 {
			continue
		}
		light, dark = max(light, c.L), min(dark, c.L)
	}
	order := []string{PartPaper, PartLights, PartMiddle, PartDarks, PartSolids}
	parts := map[string]*Part{}
	coloured := map[string]float64{}
	for _, name := range order {
		parts[name] = &Part{Name: name}
	}
	for p, a := range aims {
		if missing != nil && missing[p] || weight != nil && weight[p] == 0 {
			continue
		}
		name := PartMiddle
		switch depth := (light - a.L) / math.Max(1, light-dark); {
		case printed(tints[p]) == 0:
			name = PartPaper
		case solid(tints[p]):
			name = PartSolids
		case depth < 0.33:
			name = PartLights
		case depth > 0.67:
			name = PartDarks
		}
		g, c := parts[name], labs[p]
		g.Patches++
		g.DE00 += colour.DE2000(c, a)
		g.L += c.L - a.L
		g.A += c.A - a.A
		g.B += c.B - a.B
		if a.Chroma() > 10 {
			g.Chroma += c.Chroma() - a.Chroma()
			coloured[name]++
		}
	}
	var out []Part
	for _, name := range order {
		g := parts[name]
		if g.Patches == 0 {
			continue
		}
		n := float64(g.Patches)
		g.DE00, g.L, g.A, g.B = g.DE00/n, g.L/n, g.A/n, g.B/n
		g.Chroma /= math.Max(1, coloured[name])
		g.Cast = math.Hypot(g.A, g.B)
		if g.Cast >= worthCast {
			g.Toward = Toward(g.A, g.B)
		}
		out = append(out, *g)
	}
	return out
}

// solid is one or two full tints and nothing else.
func solid(t []float64) bool {
	full := 0
	for _, v := range t {
		switch {
		case v >= 0.98:
			full++
		case v > 0:
			return false
		}
	}
	return full == 1 || full == 2
}

// Toward names a direction of a*, b*: red, orange and so on, in eighths of the circle.
func Toward(a, b float64) string {
	names := []string{"red", "orange", "yellow", "yellow-green", "green", "blue-green", "blue", "magenta"}
	k := int(math.Round(math.Atan2(b, a)/(math.Pi/4)+8)) % 8
	return names[k]
}

// Words says it as a printer would: "solids are right; mid-tones too red by 3.1 and a little
// dark; darks lack depth by 4.0". Parts that are right are named last.
func Words(parts []Part) string {
	var off, right []string
	for _, g := range parts {
		if w := g.words(); w != "" {
			off = append(off, w)
		} else {
			right = append(right, g.Name)
		}
	}
	switch {
	case len(off) == 0:
		return partTogether + " is right"
	case len(right) > 0:
		verb := "are"
		if len(right) == 1 && right[0] == PartPaper {
			verb = "is"
		}
		off = append([]string{join(right) + " " + verb + " right"}, off...)
	}
	return strings.Join(off, "; ")
}

// words is empty for a part that is right.
func (g Part) words() string {
	var says []string
	if g.Cast >= worthCast {
		says = append(says, fmt.Sprintf("too %s by %.1f", g.Toward, g.Cast))
	}
	if l := math.Abs(g.L); l >= worthLight {
		word := "light"
		if g.L < 0 {
			word = "dark"
		}
		switch {
		case g.Name == PartDarks && g.L > 0:
			says = append(says, fmt.Sprintf("lacking depth by %.1f", l))
		case l < 2.5:
			says = append(says, fmt.Sprintf("a little %s (%.1f)", word, l))
		default:
			says = append(says, fmt.Sprintf("too %s by %.1f", word, l))
		}
	}
	// A cast of all its patches moves their chroma too: only what is beyond it counts.
	if c := math.Abs(g.Chroma); c >= worthChroma && g.Name != PartPaper {
		word := "too strong"
		if g.Chroma < 0 {
			word = "too dull"
		}
		says = append(says, fmt.Sprintf("%s in colour by %.1f", word, c))
	}
	if len(says) == 0 {
		if g.DE00 < worthPart {
			return ""
		}
		says = append(says, fmt.Sprintf("right on average, patches off by %.1f dE00", g.DE00))
	}
	return g.Name + " " + join(says)
}

func join(list []string) string {
	if len(list) < 2 {
		return strings.Join(list, "")
	}
	return strings.Join(list[:len(list)-1], ", ") + " and " + list[len(list)-1]
}
