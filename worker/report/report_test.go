package report

import (
	"bytes"
	"encoding/hex"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
	"swathkeeper/worker/detail"
	"swathkeeper/worker/history"
)

// luminance is the relative luminance of W3C, Web Content Accessibility Guidelines 2.2, "relative
// luminance".
func luminance(t *testing.T, hexColour string) float64 {
	t.Helper()
	b, err := hex.DecodeString(strings.TrimPrefix(hexColour, "#"))
	if err != nil || len(b) != 3 {
		t.Fatalf("%q is no colour", hexColour)
	}
	lin := func(v byte) float64 {
		c := float64(v) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*lin(b[0]) + 0.7152*lin(b[1]) + 0.0722*lin(b[2])
}

// contrast is the contrast ratio of the same guidelines.
func contrast(t *testing.T, a, b string) float64 {
	x, y := luminance(t, a), luminance(t, b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// Whatever is read has a contrast of at least 4.5 : 1 with what it stands on (the guidelines'
// success criterion 1.4.3), on light and on dark ground; and the page uses no colours but these.
func TestContrast(t *testing.T) {
	// The guidelines' own example: black on white is 21, and #777 on white just misses 4.5.
	if c := contrast(t, "#000000", "#ffffff"); math.Abs(c-21) > 1e-9 {
		t.Fatalf("black on white: %g", c)
	}
	if c := contrast(t, "#777777", "#ffffff"); c >= 4.5 || c < 4.4 {
		t.Fatalf("#777 on white: %g", c)
	}
	for ground, list := range readOn {
		for _, name := range list {
			if c := contrast(t, palette[name].light, palette[ground].light); c < 4.5 {
				t.Errorf("light: %s on %s: %.2f", name, ground, c)
			}
			if c := contrast(t, palette[name].dark, palette[ground].dark); c < 4.5 {
				t.Errorf("dark: %s on %s: %.2f", name, ground, c)
			}
		}
	}
	for _, m := range regexp.MustCompile(`(?:color|fill|stroke|background)\s*:\s*([^;}]+)`).FindAllStringSubmatch(styleCSS, -1) {
		v := m[1]
		if name, ok := strings.CutPrefix(v, "var(--"); ok {
			if _, known := palette[strings.TrimSuffix(name, ")")]; !known {
				t.Errorf("%s is not in the palette", v)
			}
		} else if v != "none" && v != "light dark" {
			t.Errorf("a colour beside the palette: %s", m[0])
		}
	}
	for name := range palette {
		if !strings.Contains(strings.Join(paletteOrder, " "), name) {
			t.Errorf("%s is never written", name)
		}
	}
}

// Measured colours come out as an sRGB screen shows them. The white of D50 is the screen's white,
// and the corners of the sRGB cube are where the ICC's sRGB profile puts them in the D50 space
// (L*a*b* of the primaries, rounded; from memory); what lies outside is said to.
func TestSwatch(t *testing.T) {
	for _, c := range []struct {
		lab     colour.Lab
		r, g, b uint8
		shown   bool
	}{
		{colour.Lab{L: 100}, 255, 255, 255, true},
		{colour.Lab{L: 0}, 0, 0, 0, true},
		{colour.Lab{L: 53.585}, 128, 128, 128, true},
		{colour.Lab{L: 54.29, A: 80.81, B: 69.89}, 255, 0, 0, true},
		{colour.Lab{L: 87.82, A: -79.29, B: 80.99}, 0, 255, 0, true},
		{colour.Lab{L: 29.57, A: 68.30, B: -112.03}, 0, 0, 255, true},
		{colour.Lab{L: 55, A: -37, B: -50}, 0, 0, 0, false}, // ISO 12647-2 cyan: not an sRGB colour
		{colour.Lab{L: 90, A: 0, B: 110}, 0, 0, 0, false},
	} {
		got, shown := Swatch(c.lab)
		r, g, b := got.RGB255()
		near := func(a, b uint8) bool { return math.Abs(float64(a)-float64(b)) <= 2 }
		if shown != c.shown {
			t.Errorf("%v: shown %v (%s)", c.lab, shown, got.Hex())
		}
		if c.shown && (!near(r, c.r) || !near(g, c.g) || !near(b, c.b)) {
			t.Errorf("%v: %s, want %d %d %d", c.lab, got.Hex(), c.r, c.g, c.b)
		}
	}
}

var (
	lisbon = time.FixedZone("WET", 0)
	day    = time.Date(2026, 3, 1, 8, 0, 0, 0, lisbon)
)

// page is a made-up month: an alert, a clean that helped, an ink lot, words that would be markup.
func page() *Page {
	var vs []*protocol.Verdict
	for i := range 60 {
		c := &protocol.Colour{MeanDE00: 0.2, Channels: []protocol.ColourChannel{{Channel: "C", StrengthPercent: 0.3, StrengthLimit: 6, HueLimit: 5}}}
		if i > 40 {
			c.MeanDE00, c.Channels[0].StrengthPercent = 1.4, -8
		}
		vs = append(vs, &protocol.Verdict{At: day.Add(time.Duration(i) * 12 * time.Hour), Colour: c})
	}
	lab := colour.Lab{L: 50, A: 40, B: 20}
	out := colour.Lab{L: 55, A: -37, B: -50}
	p := &Page{
		Site: "quay", Printer: "heron", From: day, To: day.AddDate(0, 0, 30), Made: day.AddDate(0, 0, 30), Zone: lisbon, Readings: 60,
		Now: history.Printer{State: protocol.LevelStop, Standing: &history.Standing{}, Open: []protocol.Alert{{
			Key: "quay/heron/check_ink/C", Advice: protocol.AdviceInk, Channel: "C", Level: protocol.LevelStop, Since: day.AddDate(0, 0, 20), Why: "cyan <b>weak</b>", LastGood: &protocol.LastGood{At: day.AddDate(0, 0, 19)},
		}}},
		Series: []Series{{Name: "pennant-knit", Tracks: detail.Tracks(vs, tols), Of: day, Patches: []detail.Patch{
			{ID: "A1", Row: 1, Col: 1, Before: lab, Now: &lab, House: "pennant red"}, {ID: "A2", Row: 1, Col: 2, Before: out, Now: &out}, {ID: "A3", Row: 1, Col: 3, Before: lab, DE00: -1},
		}}},
		Events: []Event{
			{At: day.AddDate(0, 0, 12), Kind: "journal", Mark: "C", What: "head cleaned", Helped: "helped"},
			{At: day.AddDate(0, 0, 15), Kind: "journal", Mark: "I", What: "ink changed, cyan, lot 2231", Why: `<script>alert("x")</script>`},
		},
		Spans: []Span{{What: "check ink, cyan", Level: "stop", From: day.AddDate(0, 0, 20), To: day.AddDate(0, 0, 30), Open: true}},
	}
	return p
}

// tols are tolerances that were made wider half-way: of the strength, from 3 to 4 %.
func tols(v *protocol.Verdict) *drift.Tolerances {
	t := drift.DefaultTolerances()
	if v.At.After(day.AddDate(0, 0, 15)) {
		t.StrengthPercent = 4
	}
	return &t
}

// A tolerance is drawn as it was when a reading was judged, not as it is set today; where that is not
// known, the page says so.
func TestTolerancesOfTheirTime(t *testing.T) {
	p := page()
	for _, k := range p.Series[0].Tracks {
		if first, last := k.Points[0].Tolerance, k.Now().Tolerance; k.Kind == "strength" && (first != 3 || last != 4) || k.Kind == "mean" && (first != 1 || last != 1) {
			t.Errorf("%s: tolerance %g at first, %g at last", k.Name(), first, last)
		}
	}
	const own, now = "Dotted: your tolerance, as it was set when the baseline was frozen.", "Dotted: your tolerance, as it is set now where what was set then is not known any more."
	out := written(t, p)
	// Of the strength, on both sides: as many heights as there are tolerances.
	chart := out[strings.Index(out, "cyan: strength</title>"):]
	chart = chart[:strings.Index(chart, "</svg>")]
	heights := map[string]bool{}
	for _, path := range regexp.MustCompile(`class="tol" d="([^"]+)"`).FindAllStringSubmatch(chart, -1) {
		for _, m := range regexp.MustCompile(`M[0-9.]+ ([0-9.]+)`).FindAllStringSubmatch(path[1], -1) {
			heights[m[1]] = true
		}
		for _, m := range regexp.MustCompile(`L[0-9.]+ ([0-9.]+)`).FindAllStringSubmatch(path[1], -1) {
			heights[m[1]] = true
		}
	}
	if len(heights) != 4 {
		t.Errorf("the tolerance of the strength is drawn at %d heights, want 4: %v", len(heights), heights)
	}
	if !strings.Contains(out, own) || strings.Contains(out, now) {
		t.Error("does not say that tolerances are those of their time")
	}
	p.Series[0].SetNow = true
	if out := written(t, p); !strings.Contains(out, now) || strings.Contains(out, own) {
		t.Error("does not say that tolerances are those of today")
	}
}

func written(t *testing.T, p *Page) string {
	t.Helper()
	var b bytes.Buffer
	if err := p.WriteHTML(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// The page stands alone and carries what it promises; what people wrote is text, not markup.
func TestPage(t *testing.T) {
	out := written(t, page())
	for _, want := range []string{
		"Suspect: everything printed since Fri 20 Mar 2026 08:00", "Care: ", "ink changed, cyan, lot 2231", "helped", "&lt;script&gt;", "cyan &lt;b&gt;weak&lt;/b&gt;",
		`class="span-stop"`, `class="beyond"`, `class="limit"`, `class="tol"`, "C: head cleaned; I: ink changed", "pennant red, patch A1", "@page{size:A4",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("lacks %q", want)
		}
	}
	for _, bad := range []string{"<script", "http://", "https://", "<link rel=\"stylesheet", "@import", "url(", "NaN", "Inf"} {
		if strings.Contains(strings.ReplaceAll(out, `xmlns="http://www.w3.org/2000/svg"`, ""), bad) {
			t.Errorf("holds %q", bad)
		}
	}
	if out != written(t, page()) {
		t.Error("the same page is written in two ways")
	}
	empty := page()
	empty.Series, empty.Events, empty.Spans, empty.Now.Open = nil, nil, nil, nil
	if out := written(t, empty); !strings.Contains(out, "No reading came in this time") || !strings.Contains(out, "No alert is open") {
		t.Error("an empty month says nothing")
	}
}

// Days begin at the shop's midnight, also over the night on which clocks change.
func TestTicks(t *testing.T) {
	paris, err := time.LoadLocation("Europe/Paris")
	if err != nil {
		t.Skip(err)
	}
	a := axis{from: time.Date(2026, 3, 27, 12, 0, 0, 0, paris), to: time.Date(2026, 3, 31, 12, 0, 0, 0, paris), x2: 100}
	ticks := a.ticks(paris, 10)
	if len(ticks) != 4 {
		t.Fatalf("%v", ticks)
	}
	for _, k := range ticks {
		if h, m, _ := k.In(paris).Clock(); h != 0 || m != 0 {
			t.Errorf("%s is no midnight", k.In(paris))
		}
	}
	for days, most := range map[int]int{3: 10, 30: 10, 365: 14, 2000: 14} {
		a.to = a.from.AddDate(0, 0, days)
		if n := len(a.ticks(paris, most)); n > most+2 || n < 2 {
			t.Errorf("%d days: %d ticks", days, n)
		}
	}
}
