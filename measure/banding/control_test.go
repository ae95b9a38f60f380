package banding_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"swathkeeper/measure/banding"
	"swathkeeper/measure/madeup"
)

// The noise of fabric is not the same from reading to reading: where it lies at another angle, its courses add
// up or cancel between the strips. Good readings of a shop whose noise goes up and down by a tenth must not alarm
// more often than asked for; the loud half did so in every third reading when only the mean was known.
func TestLoudReadingsAreNoLines(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("a second")
	}
	tr := madeup.KnitTracer()
	quiet := tr.Noise
	draw := func(i int, loud float64) []banding.Trace {
		tr.Noise.White, tr.Noise.Mottle = quiet.White*loud, quiet.Mottle*loud
		r, err := tr.Traces(madeup.State{}, rng(uint64(i)))
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	var good [][]banding.Trace
	for i := range 10 {
		good = append(good, draw(i, 0.9+0.2*float64(i%2)))
	}
	const alpha = 0.05
	b, err := banding.Learn(tr.Geometry(), good, banding.Options{Alpha: alpha})
	if err != nil {
		t.Fatal(err)
	}
	d, err := b.Prepare()
	if err != nil {
		t.Fatal(err)
	}
	const n = 100
	alarms := 0
	for i := range n {
		for _, c := range judge(t, d, draw(1000+i, 1.1)).Channels {
			if len(c.Lines) > 0 {
				alarms++
				break
			}
		}
	}
	// 5 are expected; the chance of more than 11 is 0.4 % (binomial).
	if alarms > 11 {
		t.Errorf("%d of %d loud good readings alarm, at %.0f %% asked for", alarms, n, 100*alpha)
	}
}

// Where the samples' noise has heavy tails (Student's t, 4 degrees of freedom), wild values on one strip meet small rises
// on the other now and then. That may not call lines more often than asked for; and a line that both strips show alike
// is found there too.
func TestWildValuesAreNoLines(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("some seconds")
	}
	tr := madeup.KnitTracer()
	tr.Noise.TailDF = 4
	const alpha = 0.05
	b, err := banding.Learn(tr.Geometry(), readings(t, tr, 10, madeup.State{}, 50), banding.Options{Alpha: alpha})
	if err != nil {
		t.Fatal(err)
	}
	d, err := b.Prepare()
	if err != nil {
		t.Fatal(err)
	}
	const n = 600
	alarms, marked := 0, 0
	for i := range n {
		r, err := tr.Traces(madeup.State{}, rng(uint64(1000+i)))
		if err != nil {
			t.Fatal(err)
		}
		res := judge(t, d, r)
		if len(res.Marks) > 0 {
			marked++
		}
		single := false
		for _, c := range res.Channels {
			for _, l := range c.Lines {
				single = single || l.Repeats == 1
			}
		}
		if single {
			alarms++
		}
	}
	// A tenth of alpha is the light single lines': 3 are expected, more than 7 with a chance of 1.2 %.
	if alarms > 7 {
		t.Errorf("%d of %d good readings show single lines, %.1f %% asked for", alarms, n, 10*alpha)
	}
	// Marks are told in words, and nobody reads what is said daily.
	if marked > n/10 {
		t.Errorf("%d of %d good readings have marks", marked, n)
	}
	both := 0
	for i := range 12 {
		r, err := tr.Traces(madeup.State{Peaks: []madeup.Peak{{Channel: "M", AtMM: 40 + 15*float64(i), Peak: 1.6}}}, rng(uint64(300+i)))
		if err != nil {
			t.Fatal(err)
		}
		both += len(lines(judge(t, d, r), "M"))
	}
	if both < 11 {
		t.Errorf("%d of 12 lines on both strips found", both)
	}
}

// A section's place, width and height against what was put in; and no further lines or marks beside it.
func TestSectionIsOneBand(t *testing.T) {
	t.Parallel()
	tr, d := setup(t)
	for _, nozzles := range []int{20, 25, 32, 45} {
		for _, loss := range []float64{0.3, 1} {
			r, err := tr.Traces(madeup.State{Faults: madeup.SectionFault("M", 100, 99+nozzles, loss)}, rng(77))
			if err != nil {
				t.Fatal(err)
			}
			res := judge(t, d, r)
			l := only(t, res, "M")
			width := float64(nozzles) * tr.Head.NozzlePitchUM
			height := tr.Strips[0].Removal * loss / float64(tr.Head.Passes)
			middle := tr.Head.FirstNozzleMM + (99+float64(nozzles-1)/2)*tr.Head.NozzlePitchUM/1000
			off := math.Mod(math.Abs(l.AtMM-middle), l.PeriodMM)
			off = math.Min(off, l.PeriodMM-off)
			if l.Kind != banding.Section || math.Abs(l.WidthUM/width-1) > 0.1 || math.Abs(-l.Contrast/height-1) > 0.15 || off > 0.1 {
				t.Errorf("%d nozzles, loss %.1f: %s of %.0f um (want %.0f), contrast %.2f (want %.2f), %.2f mm off", nozzles, loss, l.Kind, l.WidthUM, width, l.Contrast, -height, off)
			}
			if len(res.Marks) > 0 {
				t.Errorf("%d nozzles, loss %.1f: %d marks beside it", nozzles, loss, len(res.Marks))
			}
		}
	}
}

// Three dead nozzles in one part of the step are three lines, not a pale band.
func TestDeadNozzlesAreNoSection(t *testing.T) {
	t.Parallel()
	tr, d := setup(t)
	for _, at := range [][3]int{{64, 83, 24}, {33, 53, 84}, {44, 81, 56}} {
		var f []madeup.Fault
		for _, n := range at {
			f = append(f, madeup.Fault{Channel: "M", Nozzle: n, Loss: 1})
		}
		r, err := tr.Traces(madeup.State{Faults: f}, rng(5))
		if err != nil {
			t.Fatal(err)
		}
		got := lines(judge(t, d, r), "M")
		for _, n := range at {
			near := false
			for _, l := range got {
				off := math.Mod(math.Abs(l.AtMM-tr.Head.FirstNozzleMM-float64(n-1)*tr.Head.NozzlePitchUM/1000), l.PeriodMM)
				near = near || (l.Kind != banding.Section && math.Min(off, l.PeriodMM-off) < 0.15)
			}
			if !near {
				t.Errorf("dead nozzles %v: no line at nozzle %d: %+v", at, n, got)
			}
		}
	}
}

// A channel that the baseline knows and the reading lacks is said; and a strip without an ink's name is none.
func TestMissingChannelIsSaid(t *testing.T) {
	t.Parallel()
	tr, d := setup(t)
	r, err := tr.Traces(madeup.State{}, rng(9))
	if err != nil {
		t.Fatal(err)
	}
	for i := range r {
		if r[i].Channel == "Y" {
			r[i].Channel = []string{"", banding.AllChannels}[i%2]
		}
	}
	res := judge(t, d, r)
	if !warned(res, "no_strip") || !warned(res, "channel") || res.Unusable != 2 {
		t.Errorf("%d unusable, warnings %+v", res.Unusable, res.Warnings)
	}
	for _, w := range res.Warnings {
		if w.Code == "no_strip" && !strings.Contains(w.Text, `"Y"`) {
			t.Errorf("not named: %s", w.Text)
		}
	}
}

// A seam of any size is one line of all inks, of its true height within a tenth: its area over the blur, less what the
// running median takes of a line that stands in a tenth of the samples. And a reading is judged alike whatever
// was judged before it.
func TestSeamIsOneLine(t *testing.T) {
	t.Parallel()
	tr, d := setup(t)
	var first []string
	for round := range 2 {
		for i, um := range []float64{-30, -20, -10, 5, 10, 15, 17, 20, 25, 30, 40} {
			r, err := tr.Traces(madeup.State{Feed: madeup.Feed{ErrorUM: um}}, rng(5))
			if err != nil {
				t.Fatal(err)
			}
			res := judge(t, d, r)
			said, err := json.Marshal(res)
			if err != nil {
				t.Fatal(err)
			}
			if round == 1 {
				if string(said) != first[i] {
					t.Errorf("seam of %v um: judged differently the second time", um)
				}
				continue
			}
			first = append(first, string(said))
			l := only(t, res, banding.AllChannels)
			peak := um / 1000 * tr.Strips[0].Removal / math.Sqrt(2*math.Pi) / tr.BlurMM
			slack := 3 * l.ContrastSE / math.Abs(peak)
			if got := -l.Contrast / peak; l.Kind != banding.Feed || got < 0.9-slack || got > 1.06+slack {
				t.Errorf("seam of %v um: %s of %.3f, want %.3f", um, l.Kind, -l.Contrast, peak)
			}
		}
	}
}

// What is said of strips that are not as the baseline's were: the reason, once, and no reason that is not so.
func TestReasonsForOwnNoise(t *testing.T) {
	t.Parallel()
	tr, d := setup(t)
	texts := func(r banding.Result) string {
		var s []string
		for _, w := range r.Warnings {
			s = append(s, w.Code+": "+w.Text)
		}
		return strings.Join(s, "\n")
	}
	fabric := 0
	for i := range 10 {
		r, err := tr.Traces(madeup.State{}, rng(uint64(40+i)))
		if err != nil {
			t.Fatal(err)
		}
		for k := range r {
			r[k].Values = r[k].Values[:300]
		}
		fabric += strings.Count(texts(judge(t, d, r)), "another fabric")
	}
	if fabric > 4 { // of 40 channels
		t.Errorf("25 mm of the same fabric are called another one %d times in 40", fabric)
	}
	r, err := tr.Traces(madeup.State{}, rng(41))
	if err != nil {
		t.Fatal(err)
	}
	one := r[:0:0]
	for _, x := range r {
		if x.Strip != "C-right" {
			one = append(one, x)
		}
	}
	if s := texts(judge(t, d, one)); strings.Contains(s, "another fabric") || !strings.Contains(s, "1 of 2 strips") {
		t.Errorf("one strip of cyan: %s", s)
	}
	cut := tr.Strips[0].Level
	for k := range r {
		for i, v := range r[k].Values {
			r[k].Values[i] = math.Min(v, cut)
		}
	}
	if s := texts(judge(t, d, r)); !strings.Contains(s, "cut: strip \"C-left\"") {
		t.Errorf("half of the samples at the end of the range: %s", s)
	}
	if r, err = tr.Traces(madeup.State{}, rng(42)); err != nil {
		t.Fatal(err)
	}
	for k := range r {
		r[k].Unit = banding.Density
		for i, v := range r[k].Values {
			r[k].Values[i] = -3 * math.Log10((v+16)/116)
		}
	}
	s := texts(judge(t, d, r))
	if strings.Count(s, `channel "C"`) != 1 || strings.Contains(s, `"all"`) {
		t.Errorf("another unit is not said once: %s", s)
	}
}

// A dark speck on the only strip of an ink is taken out in a shape that is not quite its own; what that leaves is no light
// line, for the strip as it was read has none.
func TestSpeckLeavesNoLine(t *testing.T) {
	t.Parallel()
	tr := madeup.KnitTracer()
	tr.Strips = tr.Strips[:4]
	b, err := banding.Learn(tr.Geometry(), readings(t, tr, 6, madeup.State{}, 50), banding.Options{})
	if err != nil {
		t.Fatal(err)
	}
	d, err := b.Prepare()
	if err != nil {
		t.Fatal(err)
	}
	for i := range 12 {
		for _, wide := range []float64{0.03, 0.08, 0.6} {
			r, err := tr.Traces(madeup.State{Peaks: []madeup.Peak{{Channel: "K", AtMM: 40 + 15.03*float64(i), Peak: -7, BlurMM: wide}}}, rng(uint64(300+i)))
			if err != nil {
				t.Fatal(err)
			}
			if l := lines(judge(t, d, r), "K"); len(l) > 0 {
				t.Errorf("a speck of %v mm at %.1f mm leaves %s at %.1f mm", wide, 40+15.03*float64(i), l[0].Kind, l[0].AtMM)
			}
		}
	}
}
