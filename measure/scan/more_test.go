package scan_test

import (
	"bytes"
	"errors"
	"math"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"swathkeeper/measure/banding"
	"swathkeeper/measure/chart"
	"swathkeeper/measure/colour"
	"swathkeeper/measure/madeup"
	"swathkeeper/measure/scan"
)

// The dead nozzles of the made-up head are found by the judge in what was scanned, in the right
// inks and places, and nothing is found in the ink that is whole.
func TestJudgeFindsTheDeadNozzles(t *testing.T) {
	l := small()
	for _, f := range []madeup.Flatbed{
		{DPI: 300, Bits: 8, TurnDegrees: 2, Stretch: [2]float64{1.5, 1.5}, Flip: true, Noise: 0.005},
		{DPI: 600, Bits: 8, TurnDegrees: -1, Stretch: [2]float64{-1, -1.5}, Knit: 0.01, Noise: 0.005},
	} {
		f.Seed = 3
		p, err := printed().Scan(f)
		if err != nil {
			t.Fatal(err)
		}
		r, err := scan.Read(picture(t, p), lookup(l), scan.Options{})
		if err != nil {
			t.Fatal(err)
		}
		d, err := banding.WithinReading(banding.Geometry{StepMM: stepMM, Passes: 4, Channels: l.Channels}, banding.Options{})
		if err != nil {
			t.Fatal(err)
		}
		var traces []banding.Trace
		for _, tr := range r.Traces {
			traces = append(traces, banding.Trace{Strip: tr.Strip, Channel: tr.Channel, TintPercent: tr.Tint, StartMM: tr.StartMM, PitchUM: tr.PitchUM, Unit: "density", Values: tr.Values})
		}
		res, err := d.Judge(traces)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range res.Channels {
			phase, ok := dead[c.Channel]
			if !ok {
				if len(c.Lines) > 0 {
					t.Errorf("%g dpi: %s has no dead nozzle, but lines %+v", f.DPI, c.Channel, c.Lines)
				}
				continue
			}
			if len(c.Lines) != 1 || c.Lines[0].Kind != banding.Dropout || c.Lines[0].Repeats < 10 {
				t.Errorf("%g dpi: one dead nozzle of %s, at every step, is told as %+v (score %.2f)", f.DPI, c.Channel, c.Lines, c.Score)
				continue
			}
			off := math.Remainder(c.Lines[0].AtMM-phase-25.4/rows/2, stepMM)
			t.Logf("%g dpi %s: score %.1f, %d lines, first %+.3f mm from its place", f.DPI, c.Channel, c.Score, len(c.Lines), off)
			if math.Abs(off) > 0.06 {
				t.Errorf("%g dpi: line of %s is %+.3f mm from its place", f.DPI, c.Channel, off)
			}
		}
	}
}

// plain is a straight scan of the small sheet at 200 dpi, for tests that spoil it.
var plain = sync.OnceValue(func() *madeup.Picture {
	p, err := printed().Scan(madeup.Flatbed{DPI: 200, Bits: 8, Noise: 0.004, Flip: true})
	if err != nil {
		panic(err)
	}
	return p
})

// spoiled is a copy of the plain scan with rectangles, in mm on the picture, painted over.
func spoiled(grey byte, rects ...[4]float64) *madeup.Picture {
	p := *plain()
	p.Pix = bytes.Clone(p.Pix)
	for _, r := range rects {
		for y := int(r[1] * p.DPI / 25.4); y < min(p.H, int((r[1]+r[3])*p.DPI/25.4)); y++ {
			for x := 3 * int(r[0]*p.DPI/25.4); x < 3*min(p.W, int((r[0]+r[2])*p.DPI/25.4)); x++ {
				p.Pix[y*p.W*3+x] = grey
			}
		}
	}
	return &p
}

// onPicture is where a place of the sheet lies on the plain picture, which shows it mirrored.
func onPicture(l *chart.Layout, x, y float64) (float64, float64) {
	return 6 + l.SizeMM[0] - x, 6 + y
}

func named(l *chart.Layout) func(chart.Tag) (*chart.Layout, error) {
	return func(chart.Tag) (*chart.Layout, error) { return l, nil }
}

// With the square code torn off the user names the chart, and the patches tell which way up it
// lies, at all four turns, mirrored or not.
func TestWithoutCode(t *testing.T) {
	l := small()
	x, y := onPicture(l, l.Code.X+l.Code.W, l.Code.Y)
	p := spoiled(240, [4]float64{x - 1, y - 1, l.Code.W + 2, l.Code.W + 2})
	if _, err := scan.Read(picture(t, p), lookup(l), scan.Options{}); !errors.Is(err, scan.ErrNoChart) || !strings.Contains(err.Error(), "square code cannot be read") {
		t.Errorf("nobody names the chart: %v", err)
	}
	for _, quarters := range few([]int{0, 1, 2, 3}) {
		for _, flip := range []bool{false, true} {
			r, err := scan.Read(picture(t, turned(p, quarters, flip)), named(l), scan.Options{})
			if err != nil {
				t.Errorf("%d quarters, flipped %v: %v", quarters, flip, err)
				continue
			}
			if r.Quarters != quarters && !flip || r.Mirrored == flip {
				t.Errorf("%d quarters, flipped %v: read as %d quarters, mirrored %v", quarters, flip, r.Quarters, r.Mirrored)
			}
			checkPatches(t, l, r)
			if len(r.Warnings) == 0 || !strings.Contains(r.Warnings[0], "not confirmed") {
				t.Errorf("warnings %q", r.Warnings)
			}
		}
	}
}

// turned turns a picture clockwise by quarters, after a flip.
func turned(p *madeup.Picture, quarters int, flip bool) *madeup.Picture {
	out := *p
	at := func(q *madeup.Picture, x, y int) []byte { return q.Pix[3*(y*q.W+x):][:3] }
	if flip {
		q := out
		q.Pix = make([]byte, len(out.Pix))
		for y := range q.H {
			for x := range q.W {
				copy(at(&q, x, y), at(&out, q.W-1-x, y))
			}
		}
		out = q
	}
	for range quarters {
		q := out
		q.W, q.H = out.H, out.W
		q.Pix = make([]byte, len(out.Pix))
		for y := range q.H {
			for x := range q.W {
				copy(at(&q, x, y), at(&out, y, out.H-1-x))
			}
		}
		out = q
	}
	return &out
}

func TestDamagedSheets(t *testing.T) {
	l := small()
	mark := func(m chart.Mark) [4]float64 {
		x, y := onPicture(l, m.X, m.Y)
		return [4]float64{x - 2.2, y - 2.2, 4.4, 4.4}
	}
	// A few marks gone, and one pushed aside by dirt beside it: still read, and said.
	x, y := onPicture(l, l.Marks[9].X, l.Marks[9].Y)
	p := spoiled(240, mark(l.Marks[0]), mark(l.Marks[4]), mark(l.Marks[12]))
	for i := range 30 {
		for j := range 8 {
			k := 3 * (int((y-1.5)*p.DPI/25.4+float64(i))*p.W + int((x+1.2)*p.DPI/25.4+float64(j)))
			p.Pix[k], p.Pix[k+1], p.Pix[k+2] = 60, 60, 60
		}
	}
	r, err := scan.Read(picture(t, p), lookup(l), scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if r.MissingMarks < 3 || !strings.Contains(strings.Join(r.Warnings, "\n"), "marks are missing") {
		t.Errorf("%d marks missing, warnings %q", r.MissingMarks, r.Warnings)
	}
	checkPatches(t, l, r)

	// A hair over a patch and a strip: left out, and said by name.
	q := l.Patches[20]
	hx, hy := onPicture(l, q.X+q.W, q.Y)
	strip := l.Strips[2]
	sx, sy := onPicture(l, strip.X+strip.W, strip.Y+40)
	r, err = scan.Read(picture(t, spoiled(50, [4]float64{hx + 2, hy + 1, 0.5, 5}, [4]float64{sx + 2, sy, 0.4, 4})), lookup(l), scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	checkPatches(t, l, r)
	said := strings.Join(r.Warnings, "\n")
	if !strings.Contains(said, "patch "+q.ID+" has dirt") || !strings.Contains(said, "strip "+strip.ID+" has dirt") {
		t.Errorf("patch %s and strip %s are dirty; warnings %q", q.ID, strip.ID, r.Warnings)
	}
	for _, tr := range r.Traces {
		if tr.Strip == strip.ID {
			if spread := slices.Max(tr.Values) - slices.Min(tr.Values); spread > 0.1 {
				t.Errorf("the hair is still in the trace of %s: it spans %.2f", strip.ID, spread)
			}
		}
	}

	// Overexposed white: the whites are named.
	r, err = scan.Read(picture(t, brighter(1.12)), lookup(l), scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(strings.Join(r.Warnings, "\n"), "clipped") {
		t.Errorf("warnings %q say nothing of clipping", r.Warnings)
	}
}

func brighter(k float64) *madeup.Picture {
	p := *plain()
	p.Pix = bytes.Clone(p.Pix)
	for i, v := range p.Pix {
		p.Pix[i] = byte(min(255, k*float64(v)))
	}
	return &p
}

func TestGreyScan(t *testing.T) {
	l := small()
	p, err := printed().Scan(madeup.Flatbed{DPI: 300, Bits: 8, Grey: true, Noise: 0.004})
	if err != nil {
		t.Fatal(err)
	}
	r, err := scan.Read(picture(t, p), lookup(l), scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Traces) != 8 || len(r.Patches) != 0 || r.Traces[0].Filter != "grey" || !strings.Contains(strings.Join(r.Warnings, "\n"), "grey") {
		t.Errorf("%d traces (%s), %d patches, warnings %q", len(r.Traces), r.Traces[0].Filter, len(r.Patches), r.Warnings)
	}
}

func TestWhatIsNoChartIsRefused(t *testing.T) {
	l := small()
	other, err := chart.New(chart.Spec{ID: "pennant-cmyk", Mirrored: true, SizeMM: l.SizeMM, StepMM: stepMM, Passes: 4, Seed: 99})
	if err != nil {
		t.Fatal(err)
	}
	bare := &chart.Layout{ID: "bare", Channels: []string{"K"}, Driven: chart.DrivenInk, Patches: []chart.Patch{{ID: "1", Device: []float64{5}}}}
	blank := spoiled(240, [4]float64{0, 0, 500, 500})
	x, y := onPicture(l, l.Code.X+l.Code.W, l.Code.Y)
	noCode := spoiled(240, [4]float64{x - 1, y - 1, l.Code.W + 2, l.Code.W + 2})
	for _, c := range []struct {
		name, want string
		p          *madeup.Picture
		find       func(chart.Tag) (*chart.Layout, error)
	}{
		{"blank", "contrast", blank, named(l)},
		{"half the sheet", "marks", spoiled(240, [4]float64{0, 60, 500, 500}), named(l)},
		{"another edition", "edition", plain(), named(other)},
		{"another chart, by hand", "do not look like", noCode, named(other)},
		{"an unknown chart", "never seen", plain(), func(chart.Tag) (*chart.Layout, error) { return nil, errors.New("never seen") }},
		{"a layout without places", "no places", noCode, named(bare)},
	} {
		_, err := scan.Read(picture(t, c.p), c.find, scan.Options{})
		if !errors.Is(err, scan.ErrNoChart) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want an error about %q", c.name, err, c.want)
		}
	}
}

// An embedded profile is used, and said. The profile is a real sRGB one, taken from a scanner
// file, so it must agree with IEC 61966-2-1 as computed here; one that is broken is not used.
func TestEmbeddedProfile(t *testing.T) {
	l := small()
	read := func(icc []byte) *scan.Reading {
		b, err := plain().TIFF(true, icc)
		if err != nil {
			t.Fatal(err)
		}
		p, err := scan.Decode(bytes.NewReader(b), int64(len(b)), scan.Limits{})
		if err != nil {
			t.Fatal(err)
		}
		r, err := scan.Read(p, lookup(l), scan.Options{})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	plainRead := read(nil)
	if plainRead.Encoding != "sRGB assumed" {
		t.Errorf("encoding %q", plainRead.Encoding)
	}
	data, err := os.ReadFile("../../testdata/scans/23-icc-srgb.tif")
	if err != nil {
		t.Fatal(err)
	}
	real, err := scan.Decode(bytes.NewReader(data), int64(len(data)), scan.Limits{})
	if err != nil {
		t.Fatal(err)
	}
	profiled := read(real.ICC)
	if !strings.HasPrefix(profiled.Encoding, "embedded profile") || !strings.Contains(profiled.Encoding, "sRGB") || strings.Contains(profiled.Encoding, "assumed") {
		t.Errorf("encoding %q", profiled.Encoding)
	}
	for i, v := range profiled.Patches {
		if d := colour.DE2000(v.Lab, plainRead.Patches[i].Lab); d > 0.1 {
			t.Fatalf("patch %s differs by %.3f", v.ID, d)
		}
	}
	broken := read([]byte("not a profile"))
	if broken.Encoding != "sRGB assumed" || !strings.Contains(strings.Join(broken.Warnings, "\n"), "profile is not used") {
		t.Errorf("a broken profile: encoding %q, warnings %q", broken.Encoding, broken.Warnings)
	}
	for i, v := range broken.Patches {
		if d := colour.DE2000(v.Lab, plainRead.Patches[i].Lab); d > 1e-9 {
			t.Fatalf("patch %s differs by %g", v.ID, d)
		}
	}
}

// A sheet that is cut off by the edge of the picture is refused, however many marks are left: the
// patches beyond would be read as black.
func TestCutOffIsNoChart(t *testing.T) {
	l, whole := small(), plain()
	// The picture's rows that show the last row of patches, read from the top.
	last := 0.0
	for _, q := range l.Patches {
		last = max(last, q.Y+q.H)
	}
	for _, short := range []float64{2, 8, 40} {
		p := *whole
		p.H = int((6 + last - short) * p.DPI / 25.4)
		p.Pix = p.Pix[:p.H*p.W*3]
		r, err := scan.Read(picture(t, &p), lookup(l), scan.Options{})
		if !errors.Is(err, scan.ErrNoChart) || !strings.Contains(err.Error(), "cut off") {
			t.Errorf("cut off %g mm before the end of the patches: %v", short, err)
		}
		if err == nil {
			t.Logf("the last patch is read as %v", r.Patches[len(r.Patches)-1].Lab)
		}
	}
	// What is cut off beyond the patches costs the strips alone.
	p := *whole
	p.H = int((6 + last - 0.5) * p.DPI / 25.4)
	p.Pix = p.Pix[:p.H*p.W*3]
	if r, err := scan.Read(picture(t, &p), lookup(l), scan.Options{}); err != nil || len(r.Patches) != len(l.Patches) {
		t.Errorf("cut off below the patches: %v", err)
	}
}

// Programs that lose the resolution write 72 or 96 dpi: such a picture is read by its marks. Another
// resolution that is wrong is named as the fault, and not the marks.
func TestWrongResolution(t *testing.T) {
	l := small()
	for _, dpi := range few([]float64{96, 72}) {
		p := *plain()
		p.DPI = dpi
		r, err := scan.Read(picture(t, &p), lookup(l), scan.Options{})
		if err != nil {
			t.Errorf("a file that says %g dpi: %v", dpi, err)
			continue
		}
		if math.Abs(r.DPI-200) > 2 || r.Stretch != [2]float64{} {
			t.Errorf("a file that says %g dpi: %.1f dpi, stretch %v", dpi, r.DPI, r.Stretch)
		}
		checkPatches(t, l, r)
	}
	p := *plain()
	p.DPI = 100
	_, err := scan.Read(picture(t, &p), lookup(l), scan.Options{})
	if !errors.Is(err, scan.ErrNoChart) || !strings.Contains(err.Error(), "the file says 100 dpi") || !strings.Contains(err.Error(), "about 200") {
		t.Errorf("twice the resolution that the file says: %v", err)
	}
}
