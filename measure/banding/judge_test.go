package banding_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"

	"swathkeeper/measure/banding"
	"swathkeeper/measure/madeup"
)

// The made-up printers' physics (areas of lines, blur, noise) are those of the package comments;
// what is checked is what the detector says about faults put there on purpose.

var learned = sync.OnceValues(func() (*banding.Baseline, error) {
	t := madeup.KnitTracer()
	t.Knit = madeup.Knit{PitchMM: 0.9, RMS: 0.5, Harmonic: 0.2, CoherenceMM: 40}
	var rs [][]banding.Trace
	for i := range 6 {
		r, err := t.Traces(madeup.State{}, rng(uint64(i)))
		if err != nil {
			return nil, err
		}
		rs = append(rs, r)
	}
	return banding.Learn(t.Geometry(), rs, banding.Options{})
})

func setup(t *testing.T) (*madeup.Tracer, *banding.Detector) {
	t.Helper()
	b, err := learned()
	if err != nil {
		t.Fatal(err)
	}
	d, err := b.Prepare()
	if err != nil {
		t.Fatal(err)
	}
	tr := madeup.KnitTracer()
	tr.Knit = madeup.Knit{PitchMM: 0.9, RMS: 0.5, Harmonic: 0.2, CoherenceMM: 40}
	return tr, d
}

func judge(t *testing.T, d *banding.Detector, traces []banding.Trace) banding.Result {
	t.Helper()
	r, err := d.Judge(traces)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func lines(r banding.Result, channel string) []banding.Line {
	for _, c := range r.Channels {
		if c.Channel == channel {
			return c.Lines
		}
	}
	return nil
}

func only(t *testing.T, r banding.Result, channel string) banding.Line {
	t.Helper()
	for _, c := range r.Channels {
		if c.Channel != channel && len(c.Lines) > 0 {
			t.Errorf("channel %s has %d lines of its own: %+v", c.Channel, len(c.Lines), c.Lines[0])
		}
	}
	l := lines(r, channel)
	if len(l) != 1 {
		t.Fatalf("channel %s has %d lines, want 1: %+v", channel, len(l), l)
	}
	return l[0]
}

func TestFaults(t *testing.T) {
	t.Parallel()
	tr, d := setup(t)
	first := tr.Head.FirstNozzleMM
	for name, tc := range map[string]struct {
		state   madeup.State
		channel string
		check   func(t *testing.T, l banding.Line)
	}{
		"dead nozzle": {madeup.State{Faults: []madeup.Fault{{Channel: "M", Nozzle: 123, Loss: 1}}}, "M", func(t *testing.T, l banding.Line) {
			if l.Kind != banding.Dropout || l.Repeats < 34 || math.Abs(l.PeriodMM-6.35) > 0.01 {
				t.Errorf("%+v", l)
			}
			if !slices.Contains(l.NozzleCandidates, 123) || len(l.NozzleCandidates) > 20 {
				t.Errorf("nozzle 123 not among the candidates %v", l.NozzleCandidates)
			}
			// Removal 25 L*, 70.6 um / 4 passes, blurred by 0.2 mm: a peak of 0.88 L* (area over the root of 2 pi times the blur).
			if math.Abs(l.Contrast+0.88) > 0.15 || math.Abs(l.WidthUM-471) > 120 {
				t.Errorf("contrast %.3f, want -0.88; width %.0f um, want 471", l.Contrast, l.WidthUM)
			}
			if !l.Matters || !l.Confirmed {
				t.Errorf("a dead nozzle must matter, and both strips show it: %+v", l)
			}
			y := math.Mod(l.AtMM-first-122*tr.Head.NozzlePitchUM/1000, 6.35)
			if y = math.Min(math.Abs(y), 6.35-math.Abs(y)); y > 5*l.AtMMSE {
				t.Errorf("%.3f mm off, standard error %.3f", y, l.AtMMSE)
			}
		}},
		"weak nozzle": {madeup.State{Faults: []madeup.Fault{{Channel: "C", Nozzle: 40, Loss: 0.35}}}, "C", func(t *testing.T, l banding.Line) {
			if l.Kind != banding.Weak || l.Contrast >= 0 {
				t.Errorf("%+v", l)
			}
		}},
		"crooked nozzle": {madeup.State{Faults: []madeup.Fault{{Channel: "K", Nozzle: 200, DeflectUM: 150}}}, "K", func(t *testing.T, l banding.Line) {
			if l.Kind != banding.Deflected {
				t.Errorf("%+v", l)
			}
		}},
		"gap at the seam": {madeup.State{Feed: madeup.Feed{ErrorUM: 10}}, banding.AllChannels, func(t *testing.T, l banding.Line) {
			if l.Kind != banding.Feed || l.Contrast >= 0 || math.Abs(l.PeriodMM-6.36) > 0.01 {
				t.Errorf("%+v", l)
			}
		}},
		"overlap at the seam": {madeup.State{Feed: madeup.Feed{ErrorUM: -10}}, banding.AllChannels, func(t *testing.T, l banding.Line) {
			if l.Kind != banding.Feed || l.Contrast <= 0 || math.Abs(l.PeriodMM-6.34) > 0.01 {
				t.Errorf("%+v", l)
			}
		}},
		"seam of a feed 1.9 % too long": {madeup.State{Peaks: []madeup.Peak{{AtMM: 40, PeriodMM: 6.35 * 1.019, Peak: 0.5}}}, banding.AllChannels, func(t *testing.T, l banding.Line) {
			if l.Kind != banding.Feed || math.Abs(l.PeriodMM-6.35*1.019) > 0.01 {
				t.Errorf("%+v", l)
			}
		}},
		"head section": {madeup.State{Faults: madeup.SectionFault("C", 10, 38, 0.12)}, "C", func(t *testing.T, l banding.Line) {
			if l.Kind != banding.Section || l.WidthUM < 1000 {
				t.Errorf("%+v", l)
			}
		}},
		"one line that does not repeat": {madeup.State{Peaks: []madeup.Peak{{Channel: "Y", AtMM: 101.3, Peak: 2.5}}}, "Y", func(t *testing.T, l banding.Line) {
			if l.Repeats != 1 || l.PeriodMM != 0 || math.Abs(l.AtMM-101.3) > 0.1 || l.Matters {
				t.Errorf("%+v", l)
			}
		}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			traces, err := tr.Traces(tc.state, rng(99))
			if err != nil {
				t.Fatal(err)
			}
			tc.check(t, only(t, judge(t, d, traces), tc.channel))
		})
	}
}

func TestMarksAreNotLines(t *testing.T) {
	t.Parallel()
	tr, d := setup(t)
	for name, tc := range map[string]struct {
		peak  madeup.Peak
		why   string
		strip string
	}{
		"dirt on one strip":         {madeup.Peak{Strip: "C-left", AtMM: 77, Peak: 5}, "one_strip", "C-left"},
		"a thread under everything": {madeup.Peak{AtMM: 140, Peak: 2.5}, "all_inks", ""},
		"a dark spot in both":       {madeup.Peak{Channel: "M", AtMM: 60, Peak: -3}, "dark", ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			traces, err := tr.Traces(madeup.State{Peaks: []madeup.Peak{tc.peak}}, rng(5))
			if err != nil {
				t.Fatal(err)
			}
			r := judge(t, d, traces)
			for _, c := range r.Channels {
				if len(c.Lines) > 0 {
					t.Errorf("taken for a line: %+v", c.Lines)
				}
			}
			if len(r.Marks) == 0 || r.Marks[0].Why != tc.why || r.Marks[0].Strip != tc.strip || math.Abs(r.Marks[0].AtMM-tc.peak.AtMM) > 0.3 {
				t.Errorf("marks %+v", r.Marks)
			}
		})
	}
}

func TestSeveralNozzlesAndASeam(t *testing.T) {
	t.Parallel()
	tr, d := setup(t)
	traces, err := tr.Traces(madeup.State{Faults: []madeup.Fault{{Channel: "C", Nozzle: 30, Loss: 1}, {Channel: "C", Nozzle: 60, Loss: 1},
		{Channel: "K", Nozzle: 75, Loss: 1}}, Feed: madeup.Feed{ErrorUM: 10}}, rng(12))
	if err != nil {
		t.Fatal(err)
	}
	r := judge(t, d, traces)
	if n := len(lines(r, "C")); n != 2 {
		t.Errorf("C has %d lines, want 2: %+v", n, lines(r, "C"))
	}
	if n := len(lines(r, "K")); n != 1 {
		t.Errorf("K has %d lines, want 1: %+v", n, lines(r, "K"))
	}
	if l := lines(r, banding.AllChannels); len(l) != 1 || l[0].Kind != banding.Feed {
		t.Errorf("seam: %+v", l)
	}
}

// Two of four inks with a dead nozzle at one place are two lines, and no seam: the others show nothing there.
func TestTwoInksAtOnePlaceAreNoSeam(t *testing.T) {
	t.Parallel()
	tr, d := setup(t)
	for seed := range uint64(5) {
		r := judge(t, d, readings(t, tr, 1, madeup.State{Faults: []madeup.Fault{{Channel: "C", Nozzle: 70, Loss: 1}, {Channel: "M", Nozzle: 70, Loss: 1}}}, 300+seed)[0])
		for _, c := range r.Channels {
			want := 0
			if c.Channel == "C" || c.Channel == "M" {
				want = 1
			}
			if len(c.Lines) != want || want == 1 && c.Lines[0].Kind != banding.Dropout {
				t.Errorf("seed %d: channel %s: %+v", seed, c.Channel, c.Lines)
			}
		}
	}
}

// A chart in density shows the same faults; lighter is then a smaller value, and the contrast negative
// too.
func TestDensity(t *testing.T) {
	t.Parallel()
	tr := madeup.KnitTracer()
	tr.Unit = banding.Density
	tr.Noise = madeup.TraceNoise{White: 0.005, Mottle: 0.003, MottleMM: 0.5, Trend: 0.02}
	for i := range tr.Strips {
		tr.Strips[i].Level, tr.Strips[i].Paper, tr.Strips[i].Removal = 0.65, 0.08, -0.57
	}
	b, err := banding.Learn(tr.Geometry(), readings(t, tr, 5, madeup.State{}, 1), banding.Options{})
	if err != nil {
		t.Fatal(err)
	}
	d, err := b.Prepare()
	if err != nil {
		t.Fatal(err)
	}
	l := only(t, judge(t, d, readings(t, tr, 1, madeup.State{Faults: []madeup.Fault{{Channel: "M", Nozzle: 9, Loss: 1}}}, 40)[0]), "M")
	if l.Kind != banding.Dropout || l.Contrast >= 0 || l.ContrastLightness <= 0 || l.ContrastDE00 <= 0 || math.Abs(l.Loss-1) > 0.3 {
		t.Errorf("%+v", l)
	}
}

// Standing lines: what the good readings share is known, not news.
func TestStandingLine(t *testing.T) {
	t.Parallel()
	tr := madeup.KnitTracer()
	st := madeup.State{Faults: []madeup.Fault{{Channel: "M", Nozzle: 50, Loss: 0.3}}}
	b, err := banding.Learn(tr.Geometry(), readings(t, tr, 6, st, 1), banding.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(b.Warnings, func(w banding.Warning) bool { return w.Code == "standing" && w.Channel == "M" }) {
		t.Errorf("no warning of the standing line: %+v", b.Warnings)
	}
	d, err := b.Prepare()
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range lines(judge(t, d, readings(t, tr, 1, st, 50)[0]), "M") {
		if !l.Standing || l.Matters {
			t.Errorf("the standing line is news: %+v", l)
		}
	}
	st.Faults[0].Loss = 1
	if l := only(t, judge(t, d, readings(t, tr, 1, st, 51)[0]), "M"); l.Standing || !l.Matters {
		t.Errorf("the nozzle has died since: %+v", l)
	}
}

func TestWithoutABaseline(t *testing.T) {
	t.Parallel()
	tr, _ := setup(t)
	d, err := banding.WithinReading(tr.Geometry(), banding.Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := judge(t, d, readings(t, tr, 1, madeup.State{Faults: []madeup.Fault{{Channel: "C", Nozzle: 70, Loss: 1}}}, 3)[0])
	if l := only(t, r, "C"); l.Kind != banding.Dropout {
		t.Errorf("%+v", l)
	}
	if !r.WithinReading || !slices.ContainsFunc(r.Warnings, func(w banding.Warning) bool { return w.Code == "within_reading" }) {
		t.Error("it does not say that there was no baseline")
	}
	quiet := 0
	for i := range 30 {
		r := judge(t, d, readings(t, tr, 1, madeup.State{}, uint64(1000+i))[0])
		if !slices.ContainsFunc(r.Channels, func(c banding.ChannelResult) bool { return len(c.Lines) > 0 }) {
			quiet++
		}
	}
	if quiet < 29 {
		t.Errorf("%d of 30 good readings were quiet", quiet)
	}
}

func TestOneReadingIsABaseline(t *testing.T) {
	t.Parallel()
	tr, _ := setup(t)
	b, err := banding.Learn(tr.Geometry(), readings(t, tr, 1, madeup.State{}, 1), banding.Options{})
	if err != nil {
		t.Fatal(err)
	}
	full, err := learned()
	if err != nil {
		t.Fatal(err)
	}
	if !(b.LimitSE > full.LimitSE) {
		t.Errorf("one reading claims limits as sure as six: %.4f, %.4f", b.LimitSE, full.LimitSE)
	}
	d, err := b.Prepare()
	if err != nil {
		t.Fatal(err)
	}
	r := judge(t, d, readings(t, tr, 1, madeup.State{Faults: []madeup.Fault{{Channel: "C", Nozzle: 70, Loss: 1}}}, 3)[0])
	only(t, r, "C")
	if !slices.ContainsFunc(r.Warnings, func(w banding.Warning) bool { return w.Code == "tentative" }) {
		t.Error("it does not say that the baseline is tentative")
	}
}

func TestStepUnknown(t *testing.T) {
	t.Parallel()
	tr := madeup.KnitTracer()
	b, err := banding.Learn(banding.Geometry{}, readings(t, tr, 5, madeup.State{}, 1), banding.Options{})
	if err != nil {
		t.Fatal(err)
	}
	d, err := b.Prepare()
	if err != nil {
		t.Fatal(err)
	}
	l := only(t, judge(t, d, readings(t, tr, 1, madeup.State{Faults: []madeup.Fault{{Channel: "C", Nozzle: 70, Loss: 1}}}, 3)[0]), "C")
	if math.Abs(l.PeriodMM-6.35) > 0.02 || l.NozzleCandidates != nil {
		t.Errorf("%+v", l)
	}
}

func TestBaselineSurvivesJSON(t *testing.T) {
	t.Parallel()
	tr, d := setup(t)
	b, err := learned()
	if err != nil {
		t.Fatal(err)
	}
	text, err := json.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	var c banding.Baseline
	if err := json.Unmarshal(text, &c); err != nil {
		t.Fatal(err)
	}
	e, err := c.Prepare()
	if err != nil {
		t.Fatal(err)
	}
	traces := readings(t, tr, 1, madeup.State{Faults: []madeup.Fault{{Channel: "K", Nozzle: 70, Loss: 1}}}, 8)[0]
	if x, y := judge(t, d, traces), judge(t, e, traces); !reflect.DeepEqual(x, y) {
		t.Errorf("the stored baseline judges otherwise:\n%+v\n%+v", x, y)
	}
	c.Channels[0].Spectrum.Variance = math.NaN()
	if _, err := c.Prepare(); err == nil {
		t.Error("a damaged baseline was taken")
	}
	c.Version = 99
	if _, err := c.Prepare(); err == nil || !strings.Contains(err.Error(), "version") {
		t.Errorf("another version was taken: %v", err)
	}
}

func TestConcurrentJudging(t *testing.T) {
	t.Parallel()
	tr, d := setup(t)
	rs := readings(t, tr, 4, madeup.State{Faults: []madeup.Fault{{Channel: "K", Nozzle: 70, Loss: 0.6}}}, 60)
	want := make([]banding.Result, len(rs))
	for i := range rs {
		want[i] = judge(t, d, rs[i])
	}
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			for i := range rs {
				if got, err := d.Judge(rs[i]); err != nil || !reflect.DeepEqual(got, want[i]) {
					t.Errorf("reading %d differs when judged beside others (%v)", i, err)
				}
			}
		})
	}
	wg.Wait()
}

// A nozzle whose line stands far above the noise at every step is one repeating line, not as many single
// ones: the clip that keeps a spike from carrying a fold must not hide that it repeats.
func TestVeryStrongLineRepeats(t *testing.T) {
	t.Parallel()
	tr := madeup.KnitTracer()
	step := tr.Head.StepMM()
	for _, peak := range []float64{4, 12, 40} {
		rng := rand.New(rand.NewPCG(21, uint64(peak)))
		ts, err := tr.Traces(madeup.State{Peaks: []madeup.Peak{{Channel: "M", AtMM: 50, PeriodMM: step, Peak: peak}}}, rng)
		if err != nil {
			t.Fatal(err)
		}
		d, err := banding.WithinReading(tr.Geometry(), banding.Options{})
		if err != nil {
			t.Fatal(err)
		}
		res, err := d.Judge(ts)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range res.Channels {
			if c.Channel != "M" {
				if len(c.Lines) > 0 {
					t.Errorf("peak %g: %s shows %+v", peak, c.Channel, c.Lines)
				}
				continue
			}
			if len(c.Lines) != 1 || c.Lines[0].Kind != banding.Dropout || c.Lines[0].Repeats < 30 {
				t.Errorf("peak %g: told as %+v", peak, c.Lines)
			}
		}
	}
}
