package judge

import (
	"math"
	"strings"
	"testing"

	"swathkeeper/measure/banding"
	"swathkeeper/measure/madeup"
	"swathkeeper/protocol"
)

// bareStrip adds a white strip to the chart, and its trace to readings.
func (w *world) bareStrip() func(*protocol.Reading) {
	w.chart.Strips = append(w.chart.Strips, protocol.Strip{ID: "white-left", XMM: 5, YMM: w.tracer.StartMM, WMM: 4, HMM: 230})
	return func(r *protocol.Reading) {
		v := make(protocol.Numbers, w.tracer.Samples)
		for i := range v {
			v[i] = 93 + 0.3*w.rng.NormFloat64()
		}
		r.Traces = append(r.Traces, protocol.Trace{Strip: "white-left", StartMM: w.tracer.StartMM, PitchUM: w.tracer.PitchUM, Unit: protocol.UnitLightness, Values: v})
	}
}

// TestWhiteStripIsNoInk: what repeats on the bare goods is the weave or the scanner; no nozzle
// prints there, and no head cleaning helps.
func TestWhiteStripIsNoInk(t *testing.T) {
	w := newWorld(t)
	bare := w.bareStrip()
	var good []*protocol.Reading
	for range 5 {
		r := w.read(madeup.Faults{}, &madeup.State{})
		bare(r)
		good = append(good, r)
	}
	b, err := Learn("0198c5a4-7b1e-5c3a-9f0e-2a6d1c4b8e11", w.chart, good, Options{})
	if err != nil {
		t.Fatal(err)
	}
	m, err := Prepare(b)
	if err != nil {
		t.Fatal(err)
	}
	r := w.read(madeup.Faults{}, &madeup.State{})
	bare(r)
	white := r.Traces[len(r.Traces)-1].Values
	for i := range white {
		if i%75 < 3 {
			white[i] += 5
		}
	}
	v, _ := w.judge(m, State{}, r)
	for _, c := range v.Banding.Channels {
		if c.Channel == "" || len(c.Lines) > 0 {
			t.Errorf("channel %q: %+v", c.Channel, c.Lines)
		}
	}
	if len(v.Findings) > 0 {
		t.Errorf("advice from the bare goods: %+v", v.Findings)
	}
}

// TestUnusableStripsKeepThePatches: a scan that shows nothing is said to, and the colours are judged
// as ever.
func TestUnusableStripsKeepThePatches(t *testing.T) {
	w := newWorld(t)
	m := w.baseline(10, true)
	r := w.read(madeup.Faults{Ink: map[string]madeup.InkFault{"M": {StrengthPercent: -8}}}, &madeup.State{})
	for i := range r.Traces {
		for k := range r.Traces[i].Values {
			r.Traces[i].Values[k] = 100 // over-exposed from end to end
		}
	}
	v, st := w.judge(m, State{}, r)
	if v.Colour == nil || len(v.Findings) == 0 || v.Findings[0].Channel != "M" {
		t.Errorf("the patches were not judged: %s %+v", v.Outcome, v.Findings)
	}
	if !strings.Contains(strings.Join(v.Warnings, "\n"), "no line could be looked for") {
		t.Errorf("not said: %q", v.Warnings)
	}
	if n := len(v.Warnings); n > 12 {
		t.Errorf("%d warnings for one thing: %q", n, v.Warnings)
	}
	r = w.read(madeup.Faults{}, &madeup.State{})
	r.Patches = nil
	r.Traces = r.Traces[:2]
	for i := range r.Traces {
		r.Traces[i].Values = r.Traces[i].Values[:30]
	}
	if v, _ = w.judge(m, st, r); v.Outcome != protocol.Unusable {
		t.Errorf("two strips of 30 samples and no patches: %s", v.Outcome)
	}
}

// TestUnusableStripsDoNotStopLearning: a shop whose scans are bad still gets its colour baseline.
func TestUnusableStripsDoNotStopLearning(t *testing.T) {
	w := newWorld(t)
	var good []*protocol.Reading
	for range 5 {
		r := w.read(madeup.Faults{}, &madeup.State{})
		for i := range r.Traces {
			r.Traces[i].Values = r.Traces[i].Values[:40]
		}
		good = append(good, r)
	}
	b, err := Learn("0198c5a4-7b1e-5c3a-9f0e-2a6d1c4b8e11", w.chart, good, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if b.Colour == nil || b.Lines != nil || !strings.Contains(strings.Join(b.Warnings, "\n"), "no baseline of the strips") {
		t.Errorf("colour %v, lines %v, warnings %q", b.Colour != nil, b.Lines != nil, b.Warnings)
	}
}

// TestStandingLineIsToldWhenLearning: a head that was faulty when the baseline was made is said so there, for
// from then on its line is taken as known.
func TestStandingLineIsToldWhenLearning(t *testing.T) {
	w := newWorld(t)
	var good []*protocol.Reading
	for range 6 {
		good = append(good, w.read(madeup.Faults{}, &madeup.State{Faults: []madeup.Fault{{Channel: "K", Nozzle: 50, Loss: 1}}}))
	}
	b, err := Learn("0198c5a4-7b1e-5c3a-9f0e-2a6d1c4b8e11", w.chart, good, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(strings.Join(b.Warnings, "\n"), `channel "K": the good readings themselves show a line`) {
		t.Errorf("warnings: %q", b.Warnings)
	}
}

// TestWeakNozzleIsCalledWeak: what the bare goods read comes from the white patches, so that the share of
// a nozzle's ink that is missing is known in the worker too.
func TestWeakNozzleIsCalledWeak(t *testing.T) {
	w := newWorld(t)
	for i := range w.tracer.Strips {
		// All that a strip's ink takes from the paper's lightness is gone where no ink lies.
		s := &w.tracer.Strips[i]
		s.Removal = s.Paper - s.Level
	}
	m := w.baseline(10, true)
	v, _ := w.judge(m, State{}, w.read(madeup.Faults{}, &madeup.State{Faults: []madeup.Fault{{Channel: "K", Nozzle: 100, Loss: 0.4}}}))
	var kind string
	for _, c := range v.Banding.Channels {
		for _, l := range c.Lines {
			kind = l.Kind
		}
	}
	if kind != "weak" {
		t.Errorf("a nozzle that lost 40 %% of its ink is called %q: %+v", kind, v.Findings)
	}
}

// TestMarkIsSaid: dirt on one strip is no nozzle, and the operator reads so.
func TestMarkIsSaid(t *testing.T) {
	w := newWorld(t)
	m := w.baseline(10, true)
	r := w.read(madeup.Faults{}, &madeup.State{Peaks: []madeup.Peak{{Channel: "C", Strip: "C-left", AtMM: 120, Peak: 4}, {Channel: "M", AtMM: 90, Peak: -4}}})
	v, _ := w.judge(m, State{}, r)
	said := strings.Join(v.Warnings, "\n")
	if !strings.Contains(said, "C-left at 120.0 mm") || !strings.Contains(said, "dark line in M at 90.0 mm") {
		t.Errorf("warnings: %q", v.Warnings)
	}
	if len(v.Banding.Marks) != 1 || v.Banding.Marks[0].Strip != "C-left" || math.Abs(v.Banding.Marks[0].AtMM-120) > 0.2 {
		t.Errorf("marks: %+v", v.Banding.Marks)
	}
	if len(v.Findings) > 0 && v.Findings[0].Level != protocol.LevelNote {
		t.Errorf("advice from dirt: %+v", v.Findings)
	}
}

// TestViewingDistance: a flag hung high is looked at from far away. The same line that stops production at the shop's usual
// distance is then only a fault to mend, by the choice of today and not that of the day the baseline was made.
func TestViewingDistance(t *testing.T) {
	w := newWorld(t)
	m := w.baseline(10, true)
	r := w.read(madeup.Faults{}, &madeup.State{Faults: []madeup.Fault{{Channel: "K", Nozzle: 100, Loss: 1}}})
	at := func(o Options) *protocol.Verdict {
		v, _, err := Judge(Input{Reading: r, Chart: w.chart, Model: m}, o)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	near, far := at(Options{}), at(Options{Lines: banding.Options{ViewingMM: 20000}})
	if near.Outcome != protocol.LevelStop || !strings.Contains(near.Findings[0].Why, "seen with the eye") {
		t.Errorf("at 0.4 m: %s %+v", near.Outcome, near.Findings)
	}
	if far.Outcome != protocol.LevelAct || strings.Contains(far.Findings[0].Why, "seen with the eye") {
		t.Errorf("at 20 m: %s %+v", far.Outcome, far.Findings)
	}
	if v := at(Options{Lines: banding.Options{MattersDE00: 5, MattersLoss: 20}}); v.Outcome != protocol.LevelNote {
		t.Errorf("a shop that lives with lines: %s", v.Outcome)
	}
}

// TestSeamsSayWhichWay: whoever sets the feed must know in which direction. Light at too much advance, dark at too little
// (common practice, no source).
func TestSeamsSayWhichWay(t *testing.T) {
	w := newWorld(t)
	m := w.baseline(10, true)
	for um, want := range map[float64]string{15: "a light seam in all inks, as when the goods advance too far", -15: "a dark seam in all inks, as when the goods advance too little"} {
		v, _ := w.judge(m, State{}, w.read(madeup.Faults{}, &madeup.State{Feed: madeup.Feed{ErrorUM: um}}))
		if len(v.Findings) == 0 || v.Findings[0].Advice != protocol.AdviceFeed || !strings.HasPrefix(v.Findings[0].Why, want) {
			t.Errorf("feed off by %v um: %+v", um, v.Findings)
		}
	}
}

// TestSectionIsOneAlert: a dead part of the head makes a band on the strips and thins its ink's patches too. That is one
// fault, told once and as the head's, with the check that tells it from weak ink.
func TestSectionIsOneAlert(t *testing.T) {
	w := newWorld(t)
	m := w.baseline(10, true)
	for _, nozzles := range []int{25, 45} {
		weaker := -100 * float64(nozzles) / float64(w.tracer.Head.Nozzles)
		v, _ := w.judge(m, State{}, w.read(madeup.Faults{Ink: map[string]madeup.InkFault{"C": {StrengthPercent: weaker}}},
			&madeup.State{Faults: madeup.SectionFault("C", 100, 99+nozzles, 1)}))
		if len(v.Findings) == 0 || v.Findings[0].Advice != protocol.AdviceClean || v.Findings[0].Channel != "C" || v.Findings[0].SplittingCheck == "" {
			t.Fatalf("%d nozzles dead: %+v", nozzles, v.Findings)
		}
		for _, f := range v.Findings[1:] {
			if f.Level != protocol.LevelNote {
				t.Errorf("%d nozzles dead: a second alert: %+v", nozzles, f)
			}
		}
	}
}
