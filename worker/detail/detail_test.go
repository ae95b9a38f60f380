package detail

import (
	"bytes"
	"fmt"
	"image/png"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/recorder"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
	"swathkeeper/worker/history"
)

// sample is a made-up verdict with everything on it: 8 rows of 24 patches whose differences grow to
// the right, one odd, one not read; a nozzle that does not fire; and 30 readings behind it.
func sample(t *testing.T) *Detail {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "messages", "record-verdict.json"))
	if err != nil {
		t.Fatal(err)
	}
	r, err := protocol.DecodeRecord(data)
	if err != nil {
		t.Fatal(err)
	}
	r.Verdict.Colour.Channels = []protocol.ColourChannel{{Channel: "C", StrengthPercent: -7.9, StrengthSE: 0.2, StrengthLimit: 6.8, ToneSE: 0.1, HueLimit: 5}}
	d := &Detail{Record: r, Missing: []string{"an example of what could not be shown"}}
	for row := range 8 {
		for col := range 24 {
			lab := colour.Lab{L: 60}
			d.Patches = append(d.Patches, Patch{ID: fmt.Sprint(row*24 + col), Row: row + 1, Col: col + 1, Now: &lab, DE00: 4 * float64(col) / 23})
		}
	}
	d.Patches[30].Odd, d.Patches[40].DE00 = true, -1
	values := make([]float64, 75)
	values[20] = 0.8
	r.Verdict.Banding.Channels[0].Profile = values
	d.Profiles = profiles(r.Verdict)
	d.Chart = &protocol.Chart{}
	for _, k := range d.Patches {
		d.Chart.Patches = append(d.Chart.Patches, protocol.Patch{ID: k.ID, Row: k.Row, Col: k.Col})
	}
	var past []*protocol.Verdict
	for i := range 30 {
		v := *r.Verdict
		c := *v.Colour
		c.Channels = []protocol.ColourChannel{{Channel: "C", StrengthPercent: -0.27 * float64(i), StrengthLimit: 6.8, HueLimit: 5, HueDeg: 1}}
		v.Colour, v.At = &c, v.At.AddDate(0, 0, i-30)
		past = append(past, &v)
	}
	d.Tracks = Tracks(past, func(*protocol.Verdict) *drift.Tolerances { return nil })
	return d
}

var escape = regexp.MustCompile("\x1b\\[[0-9;]*m")

func printed(t *testing.T, d *Detail, s history.Screen) string {
	t.Helper()
	var b bytes.Buffer
	s.Out, s.Zone = &b, time.UTC
	if err := d.Print(&s, drift.DefaultTolerances()); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// Nothing is wider than the terminal, in any colours; and without colour nothing is lost but the
// colours.
func TestFitsTheTerminal(t *testing.T) {
	d := sample(t)
	for _, width := range []int{40, 60, 80, 100, 140} {
		for _, s := range []history.Screen{{}, {Colour: true}, {Colour: true, True: true}} {
			s.Width = width
			out := printed(t, d, s)
			for l := range strings.Lines(out) {
				l = escape.ReplaceAllString(strings.TrimSuffix(l, "\n"), "")
				if n := utf8.RuneCountInString(l); n > width {
					t.Errorf("width %d: %d columns: %q", width, n, l)
				}
			}
			if !s.Colour && strings.Contains(out, "\x1b") {
				t.Errorf("width %d: colour where none is wanted", width)
			}
			if s.Colour && s.True != strings.Contains(out, "\x1b[48;2;") || s.Colour && s.True == strings.Contains(out, "\x1b[48;5;") {
				t.Errorf("width %d, 24 bit %v: wrong kind of colour", width, s.True)
			}
		}
	}
	out := printed(t, d, history.Screen{})
	for _, want := range []string{"cyan: strength", "-7.9 (±0.2) %", "±6.8", "±3.0", "not shown: an example", "a line found", "* is beyond", "a nozzle that does not fire", "0  .:-=+*#@ 4 dE00"} {
		if !strings.Contains(out, want) {
			t.Errorf("lacks %q:\n%s", want, out)
		}
	}
}

// A verdict is shown beside the tolerances that it was judged by; where they are not known any more,
// beside those of today, and that is said.
func TestTolerancesOfTheirTime(t *testing.T) {
	d := sample(t)
	if out := printed(t, d, history.Screen{}); !strings.Contains(out, "as it is set now, since what was set then is not known any more") || !strings.Contains(out, "±3.0") {
		t.Errorf("today's tolerances are not told as such:\n%s", out)
	}
	then := drift.DefaultTolerances()
	then.StrengthPercent = 7.5
	d.Tolerances = &then
	out := printed(t, d, history.Screen{})
	if !strings.Contains(out, "as it was set when its baseline was frozen") || strings.Contains(out, "not known") || !regexp.MustCompile(`cyan: strength .*±7\.5`).MatchString(out) {
		t.Errorf("not beside the tolerances of its time:\n%s", out)
	}
}

// Without colour the chart's characters grow heavier with the difference, the odd patch and the one
// that was not read are marked where they stand.
func TestHeatWithoutColour(t *testing.T) {
	out := printed(t, sample(t), history.Screen{})
	_, after, _ := strings.Cut(out, "Where on the chart\n")
	rows := strings.Split(after, "\n")
	last := -1
	for i, r := range rows[0][2:] {
		k := strings.IndexRune(string(heatSteps), r)
		if k < last {
			t.Errorf("column %d is lighter than the one before: %q", i/2+1, rows[0])
		}
		last = k
	}
	if last != len(heatSteps)-1 {
		t.Errorf("the largest difference is not the heaviest: %q", rows[0])
	}
	if rows[1][2+2*6] != '!' || rows[1][2+2*16] != 'x' {
		t.Errorf("marks: %q", rows[1])
	}
}

// The 256 colours of terminals: a colour of the table stands for itself. Source: the table of
// xterm's 256colres.h, levels 0, 95, 135, 175, 215, 255 and greys 8 to 238 by 10 (from memory).
func TestNearest256(t *testing.T) {
	levels := []uint8{0, 95, 135, 175, 215, 255}
	for r := range 6 {
		for g := range 6 {
			for b := range 6 {
				if got := nearest256(levels[r], levels[g], levels[b]); got != 16+36*r+6*g+b {
					t.Errorf("%d %d %d: %d", r, g, b, got)
				}
			}
		}
	}
	for i := range 24 {
		v := uint8(8 + 10*i)
		if got := nearest256(v, v, v); got != 232+i {
			t.Errorf("grey %d: %d, want %d", v, got, 232+i)
		}
	}
}

// The figures beside a chart are round, in order, and there are a few of them, whatever its range.
func TestRoundTicks(t *testing.T) {
	for _, c := range []struct {
		from, top, least float64
		want             string
	}{
		{-7.9, 6.8, 0, "-5 0 5"}, {0, 1.1, 0, "0 0.2 0.4 0.6 0.8 1"}, {1, 21, 1, "2 4 6 8 10 12 14 16 18 20"}, {1, 2, 1, "1 2"}, {1, 1, 1, "1"}, {-0.31, 0.3, 0, "-0.2 0 0.2"}, {0, 5300, 0, "0 1000 2000 3000 4000 5000"},
	} {
		n := 6
		if c.least > 0 {
			n = 12
		}
		var got []string
		for _, k := range roundTicks(c.top, n, c.least).Ticks(c.from, 99) {
			got = append(got, k.Label)
		}
		if s := strings.Join(got, " "); s != c.want {
			t.Errorf("%g to %g: %q, want %q", c.from, c.top, s, c.want)
		}
	}
}

// Every line of a control chart's picture is named on it.
func TestPNGNamesItsLines(t *testing.T) {
	d := sample(t)
	for i := range d.Tracks[1].Points {
		d.Tracks[1].Points[i].Tolerance = 3
	}
	p, err := d.Tracks[1].plot("quay/heron", time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	c := &recorder.Canvas{KeepCaller: false}
	p.Draw(draw.NewCanvas(c, 400, 200))
	var said []string
	for _, a := range c.Actions {
		if s, ok := a.(*recorder.FillString); ok {
			said = append(said, s.String)
		}
	}
	for _, want := range []string{"a reading", "a reading beyond what is usual", "what is usual for this printer, by chance alone", "your tolerance", "quay/heron: cyan: strength", "%"} {
		if !slices.Contains(said, want) {
			t.Errorf("%q is not on the picture: %q", want, said)
		}
	}
}

func TestLadder(t *testing.T) {
	got := ladder(&Track{Sided: true, Points: []Point{{Value: -1, Limit: 1}, {Value: 0, Limit: 1}, {Value: 1, Limit: 1}, {Value: 1.01, Limit: 1}, {Value: -3, Limit: 1}}})
	if got != "▁▄▇**" {
		t.Errorf("%q", got)
	}
	if got := ladder(&Track{Points: []Point{{Value: 0, Limit: 5}, {Value: 5, Limit: 5}, {Value: 6, Limit: 5}}}); got != "▁▇*" {
		t.Errorf("%q", got)
	}
}

// Every picture is a PNG that can be read, and there is one for the chart, one for the lines and one
// for each figure.
func TestPNG(t *testing.T) {
	d := sample(t)
	names, err := d.WritePNG(t.TempDir(), time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	if len(names) != 2+len(d.Tracks) {
		t.Errorf("%v", names)
	}
	for _, n := range names {
		data, err := os.ReadFile(n)
		if err != nil {
			t.Fatal(err)
		}
		if img, err := png.Decode(bytes.NewReader(data)); err != nil || img.Bounds().Dx() < 300 {
			t.Errorf("%s: %v", n, err)
		}
	}
}

// On the usual terminal of 80 columns the figures stand in columns as they do in a file.
func TestFiguresStandInColumns(t *testing.T) {
	d := sample(t)
	table := func(width int) (rows []string) {
		_, rest, ok := strings.Cut(printed(t, d, history.Screen{Width: width}), "this reading")
		if !ok {
			t.Fatalf("width %d: no head of a table", width)
		}
		for l := range strings.Lines(rest) {
			if strings.Contains(l, ": strength") || strings.Contains(l, ": mid-tone") {
				rows = append(rows, l)
			}
			if l == "\n" {
				break
			}
		}
		return rows
	}
	want := table(0)
	if got := table(80); len(want) < 2 || !slices.Equal(got, want) {
		t.Errorf("at 80 columns\n%s\nin a file\n%s", strings.Join(got, ""), strings.Join(want, ""))
	}
}

// The mid-tone stands beside the tolerance that is for it: the bend of the curve, not what strength leaves
// over. A reading of before the bend was told shows what it has, without a tolerance. An ink that is out is
// said to be.
func TestToneBesideItsTolerance(t *testing.T) {
	d := sample(t)
	d.Record.Verdict.Colour.Channels = []protocol.ColourChannel{
		{Channel: "C", StrengthPercent: 4.1, StrengthSE: 0.2, StrengthLimit: 4, TonePoints: 0.1, ToneSE: 0.06, ToneLimit: 0.1, BentPoints: 3.9, BentSE: 0.2, BentLimit: 2.8},
		{Channel: "M", StrengthPercent: 1.1, StrengthSE: 0.2, StrengthLimit: 4, TonePoints: 0.2, ToneSE: 0.04, ToneLimit: 0.1},
		{Channel: "Y", StrengthPercent: -97, StrengthSE: 0.2, StrengthLimit: 4, HardlyPrints: true},
	}
	out := printed(t, d, history.Screen{})
	for _, want := range []string{
		`cyan: tone curve at 50 % +\+3\.9 \(±0\.2\) points +±2\.8 +±3\.0\n`,
		`magenta: mid-tone left after strength +\+0\.2 points +±0\.1\n`,
		`Yellow hardly prints: its ink seems to be out or its head to be off`, `Tone curve at 50 %: by how many points`,
	} {
		if !regexp.MustCompile(want).MatchString(out) {
			t.Errorf("lacks %q:\n%s", want, out)
		}
	}
	for _, wrong := range []string{"yellow: tone", "yellow: mid-tone", "Cyan hardly", "cyan: mid-tone"} {
		if strings.Contains(out, wrong) {
			t.Errorf("holds %q:\n%s", wrong, out)
		}
	}
	tracks := Tracks([]*protocol.Verdict{d.Record.Verdict}, func(*protocol.Verdict) *drift.Tolerances { t := drift.DefaultTolerances(); return &t })
	got := map[string]Point{}
	for _, k := range tracks {
		got[k.Kind+":"+k.Channel] = k.Now()
	}
	if p := got["tone:C"]; p.Value != 3.9 || p.Limit != 2.8 || p.Tolerance != 3 {
		t.Errorf("the control chart of cyan's tone curve: %+v", p)
	}
	if p := got["tone_left:M"]; p.Value != 0.2 || p.Limit != 0.1 || p.Tolerance != 0 {
		t.Errorf("the control chart of magenta's older reading: %+v", p)
	}
}
