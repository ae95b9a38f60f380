package judge

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"swathkeeper/measure/madeup"
	"swathkeeper/protocol"
	"swathkeeper/protocol/schema/schemacheck"
)

// world is a made-up printer with its chart; what it prints is simulated.
type world struct {
	tb     testing.TB
	chart  *protocol.Chart
	shop   *madeup.Shop
	tracer *madeup.Tracer
	rng    *rand.Rand
	at     time.Time
	day    int
}

func newWorld(tb testing.TB) *world {
	w := &world{tb: tb, tracer: madeup.KnitTracer(), rng: rand.New(rand.NewPCG(3, 1)), at: time.Date(2026, 3, 2, 7, 0, 0, 0, time.FixedZone("", 3600))}
	cfg := madeup.DefaultConfig()
	cfg.Wander.StrengthPercent, cfg.Wander.Press = 0.5, 0.015
	var err error
	if w.shop, err = madeup.NewShop(3, cfg); err != nil {
		tb.Fatal(err)
	}
	c, g := cfg.Chart, w.tracer.Geometry()
	w.chart = &protocol.Chart{Schema: protocol.SchemaChart, ID: "pennant-cmyk", Edition: "one", Channels: c.Channels, Driven: protocol.DrivenInk,
		StepMM: g.StepMM, NozzlePitchUM: g.NozzlePitchUM, Nozzles: g.Nozzles, Passes: g.Passes, FirstNozzleMM: g.FirstNozzleMM}
	for i := range c.IDs {
		w.chart.Patches = append(w.chart.Patches, protocol.Patch{ID: c.IDs[i], Row: c.Row[i], Col: c.Col[i], Device: c.Device[i], House: c.House[i]})
	}
	for _, s := range w.tracer.Strips {
		w.chart.Strips = append(w.chart.Strips, protocol.Strip{ID: s.Name, Channel: s.Channel, TintPercent: s.TintPercent, XMM: s.XMM, YMM: w.tracer.StartMM, WMM: 10, HMM: 230})
	}
	if err := w.chart.Validate(); err != nil {
		tb.Fatal(err)
	}
	return w
}

// read prints and reads one chart, with its traces when st is given.
func (w *world) read(f madeup.Faults, st *madeup.State) *protocol.Reading {
	w.tb.Helper()
	got, err := w.shop.Read(madeup.Occasion{Day: w.day}, f)
	if err != nil {
		w.tb.Fatal(err)
	}
	w.day++
	w.at = w.at.Add(12 * time.Hour)
	r := &protocol.Reading{
		Schema: protocol.SchemaReading, ID: uuid.Must(uuid.NewV7()).String(), TakenAt: w.at, Site: "quay", Printer: "heron",
		Chart: w.chart.ID, Edition: w.chart.Edition,
		Condition:  protocol.Condition{Media: "pennant-knit", Preset: "deep", Stage: protocol.StagePressed},
		Instrument: protocol.Instrument{Kind: protocol.KindSpectrophotometer, Mode: "M1"}, Patches: &protocol.Patches{},
	}
	for i, p := range w.chart.Patches {
		c := got.Lab[i]
		r.Patches.ID = append(r.Patches.ID, p.ID)
		r.Patches.Lab = append(r.Patches.Lab, [3]float64{round4(c.L), round4(c.A), round4(c.B)})
	}
	if st != nil {
		ts, err := w.tracer.Traces(*st, w.rng)
		if err != nil {
			w.tb.Fatal(err)
		}
		for _, t := range ts {
			r.Traces = append(r.Traces, protocol.Trace{Strip: t.Strip, Channel: t.Channel, TintPercent: t.TintPercent, StartMM: t.StartMM, PitchUM: t.PitchUM, Unit: t.Unit, Values: t.Values})
		}
	}
	return r
}

// baseline learns from n readings, and takes the baseline through its stored form.
func (w *world) baseline(n int, traces bool) *Model {
	w.tb.Helper()
	var good []*protocol.Reading
	for range n {
		var st *madeup.State
		if traces {
			st = &madeup.State{}
		}
		good = append(good, w.read(madeup.Faults{}, st))
	}
	b, err := Learn("0198c5a4-7b1e-5c3a-9f0e-2a6d1c4b8e11", w.chart, good, Options{})
	if err != nil {
		w.tb.Fatal(err)
	}
	data, err := b.Encode()
	if err != nil {
		w.tb.Fatal(err)
	}
	if err := schemacheck.Check("baseline", data); err != nil {
		w.tb.Errorf("a baseline that its own schema refuses: %v", err)
	}
	if b, err = DecodeBaseline(data); err != nil {
		w.tb.Fatal(err)
	}
	m, err := Prepare(b)
	if err != nil {
		w.tb.Fatal(err)
	}
	return m
}

func (w *world) judge(m *Model, st State, r *protocol.Reading) (*protocol.Verdict, State) {
	w.tb.Helper()
	v, next, err := Judge(Input{Reading: r, Chart: w.chart, Model: m, State: st}, Options{})
	if err != nil {
		w.tb.Fatal(err)
	}
	data, err := protocol.Encode(v)
	if err != nil {
		w.tb.Fatal(err)
	}
	if err := schemacheck.Check("verdict", data); err != nil {
		w.tb.Errorf("a verdict that its own schema refuses: %v", err)
	}
	return v, next
}

func TestWeakInkIsNamed(t *testing.T) {
	w := newWorld(t)
	m := w.baseline(12, false)
	var st State
	var v *protocol.Verdict
	if v, st = w.judge(m, st, w.read(madeup.Faults{}, nil)); v.Outcome != protocol.Steady || v.Colour.PatchDE00 != nil {
		t.Errorf("in control: %s %+v", v.Outcome, v.Findings)
	}
	v, _ = w.judge(m, st, w.read(madeup.Faults{Ink: map[string]madeup.InkFault{"M": {StrengthPercent: -8}}}, nil))
	if len(v.Findings) == 0 || v.Findings[0].Advice != protocol.AdviceInk || v.Findings[0].Channel != "M" {
		t.Fatalf("magenta 8 %% weak: %s %+v", v.Outcome, v.Findings)
	}
	if got := v.Colour.Channels[1].StrengthPercent; got < -10 || got > -6 {
		t.Errorf("magenta's strength is %.1f %%, made -8 %%", got)
	}
	// For pictures: every patch, in the layout's order, and they agree with the figures.
	mean, largest, at := 0.0, 0.0, ""
	for i, de := range v.Colour.PatchDE00 {
		mean += de / float64(len(v.Colour.PatchDE00))
		if de > largest {
			largest, at = de, w.chart.Patches[i].ID
		}
	}
	if len(v.Colour.PatchDE00) != len(w.chart.Patches) || math.Abs(mean-v.Colour.MeanDE00) > 0.01 || math.Abs(largest-v.Colour.MaxDE00) > 0.01 || at != v.Colour.WorstPatch {
		t.Errorf("%d patches, mean %.3f, largest %.3f at %s; the verdict says %.3f, %.3f, %s", len(v.Colour.PatchDE00), mean, largest, at, v.Colour.MeanDE00, v.Colour.MaxDE00, v.Colour.WorstPatch)
	}
	if v.Chart != w.chart.ID || v.Edition != w.chart.Edition {
		t.Errorf("chart %s %s", v.Chart, v.Edition)
	}
}

// TestTheOnsetIsToldOnce: what the reason says of when a slow change began is the number that the
// verdict carries, by which goods become suspect.
func TestTheOnsetIsToldOnce(t *testing.T) {
	w := newWorld(t)
	m := w.baseline(12, false)
	var st State
	told := regexp.MustCompile(`it began about (\d+) readings ago`)
	found := 0
	for day := range 14 {
		var v *protocol.Verdict
		v, st = w.judge(m, st, w.read(madeup.Faults{Ink: map[string]madeup.InkFault{"M": {StrengthPercent: -0.8 * float64(max(0, day-3))}}}, nil))
		for _, f := range v.Findings {
			if got := told.FindStringSubmatch(f.Why); got != nil {
				found++
				if want := fmt.Sprint(v.Colour.Channels[1].SinceReadings); f.Channel != "M" || got[1] != want {
					t.Errorf("%s: %s; the verdict carries %s", f.Channel, f.Why, want)
				}
			}
		}
	}
	if found < 3 {
		t.Errorf("the onset was told %d times", found)
	}
}

// TestOverwhelmingIsRare: what is told at the first reading is far beyond what waits for a second, and
// nothing in control comes near.
func TestOverwhelmingIsRare(t *testing.T) {
	w := newWorld(t)
	m := w.baseline(12, true)
	ink := func(percent float64) madeup.Faults {
		return madeup.Faults{Ink: map[string]madeup.InkFault{"C": {StrengthPercent: percent}}}
	}
	dead := &madeup.State{Faults: []madeup.Fault{{Channel: "C", Nozzle: 100, Loss: 1}}}
	for _, c := range []struct {
		name   string
		faults madeup.Faults
		head   *madeup.State
		advice string
		want   bool
	}{
		{"in control", madeup.Faults{}, &madeup.State{}, "", false},
		{"cyan 8 % weak", ink(-8), &madeup.State{}, protocol.AdviceInk, false},
		{"cyan 25 % weak", ink(-25), &madeup.State{}, protocol.AdviceInk, true},
		{"press 40 degrees cold", madeup.Faults{Press: madeup.Press{Celsius: -40}}, &madeup.State{}, protocol.AdvicePress, true},
		{"press 4 degrees cold", madeup.Faults{Press: madeup.Press{Celsius: -4}}, &madeup.State{}, protocol.AdvicePress, false},
		{"a dead nozzle", madeup.Faults{}, dead, protocol.AdviceClean, true},
		{"a faint line", madeup.Faults{}, &madeup.State{Faults: []madeup.Fault{{Channel: "C", Nozzle: 100, Loss: 0.25}}}, protocol.AdviceClean, false},
	} {
		v, _ := w.judge(m, State{}, w.read(c.faults, c.head))
		got := false
		for _, f := range v.Findings {
			got = got || f.Advice == c.advice && f.Overwhelming
			if f.Overwhelming && f.Level != protocol.LevelStop {
				t.Errorf("%s: %+v", c.name, f)
			}
		}
		if got != c.want {
			t.Errorf("%s: overwhelming %v, want %v: %s %+v", c.name, got, c.want, v.Outcome, v.Findings)
			if v.Banding != nil {
				t.Logf("%+v", v.Banding.Channels)
			}
		}
	}
	for range 8 { // a sample; false alarms of any level are counted by the trials
		v, _ := w.judge(m, State{}, w.read(madeup.Faults{}, &madeup.State{}))
		for _, f := range v.Findings {
			if f.Overwhelming {
				t.Errorf("in control: %+v", f)
			}
		}
	}
}

func TestDeadNozzleIsNamed(t *testing.T) {
	w := newWorld(t)
	m := w.baseline(10, true)
	v, _ := w.judge(m, State{}, w.read(madeup.Faults{}, &madeup.State{Faults: []madeup.Fault{{Channel: "C", Nozzle: 100, Loss: 1}}}))
	if len(v.Findings) == 0 || v.Findings[0].Advice != protocol.AdviceClean || v.Findings[0].Channel != "C" {
		t.Fatalf("a dead cyan nozzle: %s %+v", v.Outcome, v.Findings)
	}
	if !strings.Contains(v.Findings[0].Why, "mm") {
		t.Errorf("the reason does not say where: %s", v.Findings[0].Why)
	}
	// The folded profile shows the line where the verdict puts it: less ink there than anywhere.
	for _, ch := range v.Banding.Channels {
		if ch.Channel != "C" {
			if len(ch.Lines) == 0 && ch.Profile != nil {
				t.Errorf("%s has no line and a profile", ch.Channel)
			}
			continue
		}
		if len(ch.Profile) < 40 {
			t.Fatalf("a profile of %d places", len(ch.Profile))
		}
		low := slices.Index(ch.Profile, slices.Min(ch.Profile))
		got := (float64(low) + 0.5) / float64(len(ch.Profile)) * ch.Lines[0].PeriodMM
		want := math.Mod(ch.Lines[0].AtMM, ch.Lines[0].PeriodMM)
		if off := math.Abs(got - want); min(off, ch.Lines[0].PeriodMM-off) > 0.2 {
			t.Errorf("the profile is lowest at %.2f mm, the line is at %.2f mm of every %.2f", got, want, ch.Lines[0].PeriodMM)
		}
	}
}

// TestWeakSectionOnThePatches: a group of nozzles shows in rows of the patches even without traces,
// and it is one alert, not also a weak ink.
func TestWeakSectionOnThePatches(t *testing.T) {
	w := newWorld(t)
	m := w.baseline(12, false)
	if v, _ := w.judge(m, State{}, w.read(madeup.Faults{}, nil)); v.Banding != nil && len(v.Banding.Rows) > 0 {
		t.Errorf("rows found in control: %+v", v.Banding.Rows)
	}
	v, _ := w.judge(m, State{}, w.read(madeup.Faults{Section: madeup.Section{Ink: "C", FromRow: 6, ToRow: 8, StrengthPercent: -15}}, nil))
	if len(v.Findings) == 0 || v.Findings[0].Advice != protocol.AdviceClean || v.Findings[0].Channel != "C" || !strings.Contains(v.Findings[0].Why, "rows") {
		t.Fatalf("a weak section: %s %+v", v.Outcome, v.Findings)
	}
	for _, f := range v.Findings[1:] {
		if f.Level != protocol.LevelNote { // a note tells nobody
			t.Errorf("a second alert for one fault: %+v", f)
		}
	}
}

// TestLinesWithoutBaseline: lines stand out from their own strip, so they are told from the first
// chart on.
func TestLinesWithoutBaseline(t *testing.T) {
	w := newWorld(t)
	v, _ := w.judge(nil, State{}, w.read(madeup.Faults{}, &madeup.State{Peaks: []madeup.Peak{{Channel: "K", AtMM: 60, PeriodMM: w.chart.StepMM, Peak: 6}}}))
	if len(v.Findings) == 0 || v.Findings[0].Advice != protocol.AdviceClean || v.Findings[0].Channel != "K" {
		t.Errorf("a bold black line without a baseline: %s %+v %v", v.Outcome, v.Findings, v.Warnings)
	}
}

// TestStateThroughJSON: a worker that restarts goes on from exactly where one that did not restart
// is.
func TestStateThroughJSON(t *testing.T) {
	w := newWorld(t)
	m := w.baseline(10, false)
	var kept, restarted State
	for range 6 {
		r := w.read(madeup.Faults{Ink: map[string]madeup.InkFault{"Y": {StrengthPercent: -3}}}, nil)
		a, next := w.judge(m, kept, r)
		kept = next
		b, next := w.judge(m, restarted, r)
		raw, err := json.Marshal(next)
		if err != nil {
			t.Fatal(err)
		}
		restarted = State{}
		if err := json.Unmarshal(raw, &restarted); err != nil {
			t.Fatal(err)
		}
		x, _ := json.Marshal(a)
		y, _ := json.Marshal(b)
		if string(x) != string(y) {
			t.Fatalf("a restart changes the verdict:\n%s\n%s", x, y)
		}
	}
}

func TestLateMovesNothing(t *testing.T) {
	w := newWorld(t)
	m := w.baseline(10, false)
	early := w.read(madeup.Faults{}, nil)
	_, st := w.judge(m, State{}, w.read(madeup.Faults{}, nil))
	v, next := w.judge(m, st, early)
	a, _ := json.Marshal(st)
	b, _ := json.Marshal(next)
	if !v.Late || string(a) != string(b) || string(v.State) != string(a) {
		t.Errorf("late %v; state %s became %s", v.Late, a, b)
	}
}

func TestTentativeBaselineSaysSo(t *testing.T) {
	w := newWorld(t)
	m := w.baseline(3, false)
	v, _ := w.judge(m, State{}, w.read(madeup.Faults{Ink: map[string]madeup.InkFault{"C": {StrengthPercent: -4}}}, nil))
	if v.Baseline.Grade != protocol.GradeTentative || len(v.Warnings) == 0 {
		t.Errorf("grade %s, warnings %v", v.Baseline.Grade, v.Warnings)
	}
	if v.Outcome == protocol.LevelAct {
		t.Errorf("a statistical alarm from 3 readings: %+v", v.Findings)
	}
}

func TestTooMuchMissingIsUnusable(t *testing.T) {
	w := newWorld(t)
	m := w.baseline(10, false)
	r := w.read(madeup.Faults{}, nil)
	half := len(r.Patches.ID) / 2
	r.Patches.ID, r.Patches.Lab = r.Patches.ID[:half], r.Patches.Lab[:half]
	if v, _ := w.judge(m, State{}, r); v.Outcome != protocol.Unusable || len(v.Warnings) == 0 {
		t.Errorf("half a chart: %s %v", v.Outcome, v.Warnings)
	}
	r = w.read(madeup.Faults{}, nil)
	for i := range r.Patches.Lab {
		for k := range r.Patches.Lab[i] {
			r.Patches.Lab[i][k] /= 100
		}
	}
	if v, _ := w.judge(m, State{}, r); v.Outcome != protocol.Unusable {
		t.Errorf("L*a*b* on a scale of 0 to 1: %s %+v", v.Outcome, v.Findings)
	}
}

func TestAnotherBaselineStartsAfresh(t *testing.T) {
	w := newWorld(t)
	m := w.baseline(10, false)
	_, st := w.judge(m, State{}, w.read(madeup.Faults{}, nil))
	other := *m.Baseline
	other.ID = "0198c5a4-7b1e-5c3a-9f0e-2a6d1c4b8e12"
	m2, err := Prepare(&other)
	if err != nil {
		t.Fatal(err)
	}
	v, next := w.judge(m2, st, w.read(madeup.Faults{}, nil))
	if !strings.Contains(strings.Join(v.Warnings, " "), "another baseline") || next.Drift.Readings != 1 {
		t.Errorf("warnings %v, %d readings in the new state", v.Warnings, next.Drift.Readings)
	}
}

func BenchmarkJudge(b *testing.B) {
	for _, c := range []struct {
		name   string
		traces bool
	}{{"360 patches", false}, {"360 patches + 8 traces", true}} {
		b.Run(c.name, func(b *testing.B) {
			w := newWorld(b)
			m := w.baseline(10, c.traces)
			var lines *madeup.State
			if c.traces {
				lines = &madeup.State{}
			}
			r := w.read(madeup.Faults{}, lines)
			var st State
			b.ReportAllocs()
			for b.Loop() {
				v, next, err := Judge(Input{Reading: r, Chart: w.chart, Model: m, State: st}, Options{})
				if err != nil {
					b.Fatal(err)
				}
				if v.Late {
					b.Fatal("late")
				}
				st = next
			}
		})
	}
}
