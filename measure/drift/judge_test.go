package drift_test

import (
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"swathkeeper/measure/cause"
	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
)

// shop is a made-up shop with a learned baseline. What it prints is simulated.
type shop struct {
	t *testing.T
	*madeup.Shop
	model *drift.Model
	base  *drift.Baseline
}

func day(n int) string { return fmt.Sprintf("2026-%02d-%02d", 1+n/28, 1+n%28) }

func (s *shop) sample(d int, f madeup.Faults) drift.Sample {
	s.t.Helper()
	r, err := s.Read(madeup.Occasion{Day: d}, f)
	if err != nil {
		s.t.Fatal(err)
	}
	return drift.Sample{Lab: r.Lab, Day: day(d)}
}

func newShop(t *testing.T, seed uint64, readings int, change func(*madeup.Config)) *shop {
	t.Helper()
	cfg := madeup.DefaultConfig()
	cfg.Wander.StrengthPercent, cfg.Wander.Press = 0.5, 0.01
	if change != nil {
		change(&cfg)
	}
	m, err := madeup.NewShop(seed, cfg)
	if err != nil {
		t.Fatal(err)
	}
	s := &shop{t: t, Shop: m}
	var samples []drift.Sample
	for d := range readings {
		samples = append(samples, s.sample(d, madeup.Faults{}))
	}
	if s.base, err = drift.Learn(drift.Chart(*m.Chart()), samples, drift.Options{}); err != nil {
		t.Fatal(err)
	}
	if s.model, err = s.base.Prepare(); err != nil {
		t.Fatal(err)
	}
	return s
}

// judge judges a reading by itself, next the one that follows the others of st.
func (s *shop) judge(smp drift.Sample) drift.Result {
	s.t.Helper()
	return s.next(smp, &drift.State{})
}

func (s *shop) next(smp drift.Sample, st *drift.State) drift.Result {
	s.t.Helper()
	r, next, err := s.model.Judge(smp, *st)
	if err != nil {
		s.t.Fatal(err)
	}
	*st = next
	return r
}

func weak(ink string, percent float64) madeup.Faults {
	return madeup.Faults{Ink: map[string]madeup.InkFault{ink: {StrengthPercent: percent}}}
}

func TestGrades(t *testing.T) {
	t.Parallel()
	for n, want := range map[int]string{1: drift.Tentative, 4: drift.Tentative, 5: drift.Provisional, 10: drift.Full} {
		if s := newShop(t, 3, n, nil); s.base.Grade != want || s.base.Count != n || s.base.Days != n {
			t.Errorf("%d readings: %s, count %d, days %d", n, s.base.Grade, s.base.Count, s.base.Days)
		}
	}
	// Ten readings of two days are not a full baseline.
	s := newShop(t, 3, 10, nil)
	var samples []drift.Sample
	for i := range 10 {
		smp := s.sample(i, madeup.Faults{})
		smp.Day = day(i / 5)
		samples = append(samples, smp)
	}
	b, err := drift.Learn(drift.Chart(*s.Chart()), samples, drift.Options{})
	if err != nil || b.Grade != drift.Provisional {
		t.Fatalf("two days: %v %v", b, err)
	}
}

// TestWeakInk: an ink 12 % weak is measured to within a fifth, named, and undone by the moves.
func TestWeakInk(t *testing.T) {
	t.Parallel()
	for seed, change := range map[uint64]func(*madeup.Config){
		1: nil,
		2: func(c *madeup.Config) { c.Mixing = madeup.Neugebauer },
		3: func(c *madeup.Config) { c.Mixing, c.Family = madeup.Density, madeup.Narrow },
		4: func(c *madeup.Config) { c.Chart, c.Inks = madeup.LightChart(), madeup.InkNames() },
	} {
		s := newShop(t, seed, 10, change)
		for _, ink := range []string{"C", "M", "Y", "K"} {
			r := s.judge(s.sample(20, weak(ink, -12)))
			var got float64
			for _, c := range r.Channels {
				if c.Channel == ink {
					got = c.StrengthPercent
				} else if math.Abs(c.StrengthPercent) > 6 {
					t.Errorf("shop %d, %s weak: %s reads %.1f %%", seed, ink, c.Channel, c.StrengthPercent)
				}
			}
			if math.Abs(got+12) > 2.4 {
				t.Errorf("shop %d: %s 12 %% weak reads %.1f %%", seed, ink, got)
			}
			if r.Level != drift.LevelStop || r.Patterns[0].Name != drift.PatternInkWeak || r.Patterns[0].Channel != ink {
				t.Errorf("shop %d: %s 12 %% weak: level %q, patterns %+v", seed, ink, r.Level, r.Patterns[:1])
			}
			for _, mv := range r.Moves {
				if mv.Channel == ink && math.Abs(mv.Percent-100*(1/0.88-1)) > 5 {
					t.Errorf("shop %d: move of %s is %+.1f %%, right would be %+.1f", seed, ink, mv.Percent, 100*(1/0.88-1))
				}
			}
		}
	}
}

// TestSteady: an ordinary reading is nothing.
func TestSteady(t *testing.T) {
	t.Parallel()
	s := newShop(t, 5, 10, nil)
	var st drift.State
	for d := 20; d < 40; d++ {
		r, next, err := s.model.Judge(s.sample(d, madeup.Faults{}), st)
		if err != nil {
			t.Fatal(err)
		}
		if r.Level != drift.LevelNone {
			t.Errorf("day %d: level %q, tests %+v", d, r.Level, r.Tests)
		}
		st = next
	}
}

// TestSlowDrift: what one reading cannot show, several days do.
func TestSlowDrift(t *testing.T) {
	t.Parallel()
	s := newShop(t, 6, 10, nil)
	var st drift.State
	for d := range 5 {
		r, next, err := s.model.Judge(s.sample(30+d, weak("M", -4)), st)
		if err != nil {
			t.Fatal(err)
		}
		st = next
		if r.Level == drift.LevelAct && d > 0 {
			if r.Patterns[0].Channel != "M" {
				t.Errorf("day %d: %+v", d, r.Patterns[0])
			}
			return
		}
	}
	t.Error("magenta 4 % weak for five days was not found")
}

// TestOneDayCountsOnce: many readings of one day are one day's evidence.
func TestOneDayCountsOnce(t *testing.T) {
	t.Parallel()
	s := newShop(t, 7, 10, nil)
	var st drift.State
	for i := range 6 {
		smp := s.sample(30, weak("C", -4))
		_, next, err := s.model.Judge(smp, st)
		if err != nil {
			t.Fatal(err)
		}
		if st = next; len(st.Before) != 0 || st.Today != i+1 {
			t.Fatalf("after %d readings of one day: %d days before, %d today", i+1, len(st.Before), st.Today)
		}
	}
}

// TestStateIsSmall: the state goes through JSON, keeps its size, and one of another baseline is
// started afresh.
func TestStateIsSmall(t *testing.T) {
	t.Parallel()
	s := newShop(t, 8, 10, nil)
	var st drift.State
	var size int
	for d := range 30 {
		smp := s.sample(20+d, weak("K", -20))
		_, next, err := s.model.Judge(smp, st)
		if err != nil {
			t.Fatal(err)
		}
		data, err := json.Marshal(next)
		if err != nil {
			t.Fatal(err)
		}
		st = drift.State{}
		if err := json.Unmarshal(data, &st); err != nil {
			t.Fatal(err)
		}
		if d == 8 { // the charts look back six days
			size = len(data)
		}
		if d > 8 && len(data) > size*11/10 {
			t.Fatalf("state grew from %d to %d bytes", size, len(data))
		}
	}
	odd := drift.State{EWMA: []float64{1}, Readings: 9}
	if _, next, err := s.model.Judge(s.sample(60, madeup.Faults{}), odd); err != nil || next.Readings != 1 {
		t.Errorf("a foreign state: %+v %v", next.Readings, err)
	}
}

// TestBaselineThroughJSON: a stored baseline judges as the fresh one did.
func TestBaselineThroughJSON(t *testing.T) {
	t.Parallel()
	s := newShop(t, 9, 10, nil)
	data, err := json.Marshal(s.base)
	if err != nil {
		t.Fatal(err)
	}
	var b drift.Baseline
	if err := json.Unmarshal(data, &b); err != nil {
		t.Fatal(err)
	}
	m, err := b.Prepare()
	if err != nil {
		t.Fatal(err)
	}
	smp := s.sample(33, weak("Y", -9))
	want := s.judge(smp)
	got, _, err := m.Judge(smp, drift.State{})
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, want) {
		t.Error("another result after a round trip")
	}
	if _, err := json.Marshal(got); err != nil {
		t.Error(err)
	}
	for name, spoil := range map[string]func(*drift.Baseline){
		"version":    func(b *drift.Baseline) { b.Version = 99 },
		"signatures": func(b *drift.Baseline) { b.Signatures = b.Signatures[:8] },
		"means":      func(b *drift.Baseline) { b.Mean = b.Mean[1:] },
		"noise":      func(b *drift.Baseline) { b.Noise[0] = -1 },
		"spread":     func(b *drift.Baseline) { b.Factors[0].SD = 0 },
	} {
		var bad drift.Baseline
		if err := json.Unmarshal(data, &bad); err != nil {
			t.Fatal(err)
		}
		spoil(&bad)
		if _, err := bad.Prepare(); err == nil {
			t.Errorf("a baseline with spoiled %s is taken", name)
		}
	}
}

// TestScratch: a scratched patch is named, and not taken for a weak ink.
func TestScratch(t *testing.T) {
	t.Parallel()
	s := newShop(t, 10, 10, nil)
	smp := s.sample(25, madeup.Faults{})
	for _, p := range []int{40, 41, 59} {
		smp.Lab[p].L += 9
		smp.Lab[p].B += 5
	}
	r := s.judge(smp)
	if len(r.Outliers) != 3 || r.Level != drift.LevelNone {
		t.Fatalf("outliers %+v, level %q", r.Outliers, r.Level)
	}
	found := map[string]bool{}
	for _, o := range r.Outliers {
		found[o.Patch] = true
	}
	for _, p := range []int{40, 41, 59} {
		if !found[s.Chart().IDs[p]] {
			t.Errorf("patch %s is not named", s.Chart().IDs[p])
		}
	}
}

// TestHouseColour: a named patch beyond its tolerance is told by name whatever the mean says.
func TestHouseColour(t *testing.T) {
	t.Parallel()
	s := newShop(t, 11, 10, nil)
	smp := s.sample(25, madeup.Faults{})
	for p, name := range s.Chart().House {
		if name == "pennant red" {
			smp.Lab[p].A -= 9
		}
	}
	r := s.judge(smp)
	if r.MeanDE00 > 0.9 || r.Level == drift.LevelNone {
		t.Errorf("mean %.2f, level %q", r.MeanDE00, r.Level)
	}
	fs := cause.Decide(cause.Evidence{Stage: cause.StagePressed, Driven: drift.DrivenInk, Drift: &r})
	if len(fs) == 0 || len(fs[0].House) != 1 || fs[0].House[0] != "pennant red" || !strings.Contains(fs[0].Why, "pennant red") {
		t.Errorf("findings %+v", fs)
	}
}

// TestHousePatchScratched: one patch of a house colour, against the rest of the chart, is told by
// name and read again; only the second time does it call for action.
func TestHousePatchScratched(t *testing.T) {
	t.Parallel()
	s := newShop(t, 11, 10, nil)
	patch := slices.Index(s.Chart().House, "pennant red")
	var st drift.State
	for i, want := range []string{drift.LevelNote, drift.LevelAct, drift.LevelNone, drift.LevelNote} {
		smp := s.sample(25+i, madeup.Faults{})
		if want != drift.LevelNone {
			smp.Lab[patch].A -= 9
		}
		r, next, err := s.model.Judge(smp, st)
		if err != nil {
			t.Fatal(err)
		}
		st = next
		if r.Level != want && !(want == drift.LevelAct && r.Level == drift.LevelStop) {
			t.Errorf("reading %d: level %q, want %q; %+v", i+1, r.Level, want, r.House)
		}
		fs := cause.Decide(cause.Evidence{Stage: cause.StagePressed, Driven: drift.DrivenInk, Drift: &r})
		if want == drift.LevelNone {
			continue
		}
		if len(fs) == 0 || fs[0].Advice != cause.Remeasure || !slices.Contains(fs[0].House, "pennant red") || !strings.Contains(fs[0].Why, s.Chart().IDs[patch]) {
			t.Errorf("reading %d: findings %+v", i+1, fs)
		}
	}
}

// TestTentative: with three readings nothing but a stop limit speaks, and there is a warning.
func TestTentative(t *testing.T) {
	t.Parallel()
	s := newShop(t, 12, 3, func(c *madeup.Config) { c.Wander.StrengthPercent = 2 })
	for d := 20; d < 60; d++ {
		r := s.judge(s.sample(d, madeup.Faults{}))
		if r.Level != drift.LevelNone || r.Significant {
			t.Errorf("day %d: level %q", d, r.Level)
		}
		if len(r.Warnings) == 0 || r.Warnings[0].Code != "tentative" {
			t.Fatalf("no warning: %+v", r.Warnings)
		}
	}
	if r := s.judge(s.sample(61, weak("M", -30))); r.Level != drift.LevelStop {
		t.Errorf("magenta 30 %% weak: level %q", r.Level)
	}
}

// TestSpectraAndRGB: spectra are used when there, and a chart driven by rgb has its complements.
func TestSpectraAndRGB(t *testing.T) {
	t.Parallel()
	s := newShop(t, 18, 1, func(c *madeup.Config) { c.Chart = madeup.RGBChart() })
	var samples []drift.Sample
	for d := range 10 {
		r, err := s.Read(madeup.Occasion{Day: d}, madeup.Faults{})
		if err != nil {
			t.Fatal(err)
		}
		samples = append(samples, drift.Sample{Lab: r.Lab, Day: day(d),
			Spectra: &drift.Spectra{StartNM: madeup.StartNM, StepNM: madeup.StepNM, Values: r.Spectra}})
	}
	b, err := drift.Learn(drift.Chart(*s.Chart()), samples, drift.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if b.Space != "spectra" {
		t.Errorf("space %q", b.Space)
	}
	m, err := b.Prepare()
	if err != nil {
		t.Fatal(err)
	}
	r, _, err := m.Judge(s.sample(20, madeup.Faults{Correct: map[string]madeup.Correction{"M": {Percent: -12}}}), drift.State{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range r.Channels {
		want := 0.0
		if c.Channel == "M" {
			want = -12
		}
		if math.Abs(c.StrengthPercent-want) > 3.5 {
			t.Errorf("%s reads %.1f %%, asked for %g", c.Channel, c.StrengthPercent, want)
		}
	}
	fs := cause.Decide(cause.Evidence{Stage: cause.StagePressed, Driven: drift.DrivenRGB, Drift: &r})
	if len(fs) == 0 || !strings.Contains(fs[0].Why, "magenta side") {
		t.Errorf("findings %+v", fs)
	}
}

// TestMoves: printing with the moves brings the chart back.
func TestMoves(t *testing.T) {
	t.Parallel()
	s := newShop(t, 19, 10, nil)
	var ordinary float64
	for d := range 5 {
		ordinary += s.judge(s.sample(40+d, madeup.Faults{})).MeanDE00 / 5
	}
	f := madeup.Faults{Ink: map[string]madeup.InkFault{"C": {StrengthPercent: -9}, "M": {StrengthPercent: 7}, "K": {StrengthPercent: -12, TonePoints: 3}}}
	r := s.judge(s.sample(50, f))
	f.Correct = map[string]madeup.Correction{}
	for _, mv := range r.Moves {
		f.Correct[mv.Channel] = madeup.Correction{Percent: mv.Percent, TonePoints: mv.TonePoints}
	}
	var after float64
	for d := range 5 {
		after += s.judge(s.sample(51+d, f)).MeanDE00 / 5
	}
	if after > 1.3*ordinary {
		t.Errorf("mean %.2f before, %.2f with the moves, ordinary %.2f", r.MeanDE00, after, ordinary)
	}
	if math.Abs(after-r.AfterMoves) > 0.25 {
		t.Errorf("expected %.2f after the moves, got %.2f", r.AfterMoves, after)
	}
}

func BenchmarkJudge(b *testing.B) {
	cfg := madeup.DefaultConfig()
	cfg.Chart, cfg.Inks = madeup.LightChart(), madeup.InkNames() // 400 patches, 6 inks
	s, err := madeup.NewShop(1, cfg)
	if err != nil {
		b.Fatal(err)
	}
	var samples []drift.Sample
	for d := range 10 {
		r, err := s.Read(madeup.Occasion{Day: d}, madeup.Faults{})
		if err != nil {
			b.Fatal(err)
		}
		samples = append(samples, drift.Sample{Lab: r.Lab, Day: day(d)})
	}
	base, err := drift.Learn(drift.Chart(*s.Chart()), samples, drift.Options{})
	if err != nil {
		b.Fatal(err)
	}
	m, err := base.Prepare()
	if err != nil {
		b.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		faults madeup.Faults
	}{{"steady", madeup.Faults{}}, {"alarm", weak("C", -15)}} {
		r, err := s.Read(madeup.Occasion{Day: 11}, c.faults)
		if err != nil {
			b.Fatal(err)
		}
		smp := drift.Sample{Lab: r.Lab, Day: day(11)}
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			var st drift.State
			for b.Loop() {
				if _, st, err = m.Judge(smp, st); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkLearn(b *testing.B) {
	s, err := madeup.NewShop(1, madeup.DefaultConfig())
	if err != nil {
		b.Fatal(err)
	}
	var samples []drift.Sample
	for d := range 10 {
		r, err := s.Read(madeup.Occasion{Day: d}, madeup.Faults{})
		if err != nil {
			b.Fatal(err)
		}
		samples = append(samples, drift.Sample{Lab: r.Lab, Day: day(d)})
	}
	for b.Loop() {
		if _, err := drift.Learn(drift.Chart(*s.Chart()), samples, drift.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

// TestLimitsFollowWander: a baseline of ten days cannot tell whether a printer wanders; the days
// after it can, and the limits follow, within bounds. The made-up shops are two of one kind: days on
// their own, and days of which each resembles the last.
func TestLimitsFollowWander(t *testing.T) {
	t.Parallel()
	var changes [2]float64
	for i, kind := range []madeup.WanderKind{madeup.Independent, madeup.AR1} {
		for seed := range uint64(2) {
			s := newShop(t, 40+seed, 10, func(c *madeup.Config) { c.Wander.Kind, c.Wander.Rho, c.Wander.Press = kind, 0.8, 0.01 })
			var first, last float64
			var st drift.State
			for d := 10; d < 60; d++ {
				r := s.next(s.sample(d, madeup.Faults{}), &st)
				last = r.Channels[0].EWMALimit
				if d == 10 {
					first = last
				}
			}
			change := last / first
			if change > 1.5001 || change < 0.7999 {
				t.Errorf("%s, seed %d: the limit went to %.2f of what it was", kind, seed, change)
			}
			changes[i] += change / 2
		}
	}
	if changes[1] < changes[0]+0.15 {
		t.Errorf("limits went to %.2f of what they were on steady days, to %.2f on wandering ones", changes[0], changes[1])
	}
}

// TestTentativeNeedsASecondReading: with three readings one wild print is said and not called a
// stop; the second one is. A change out of all proportion stops at once (TestTentative).
func TestTentativeNeedsASecondReading(t *testing.T) {
	t.Parallel()
	s := newShop(t, 21, 3, nil)
	var st drift.State
	for i, want := range []string{drift.LevelNote, drift.LevelStop} {
		r := s.next(s.sample(20+i, weak("M", -19)), &st)
		if r.Level != want {
			t.Errorf("reading %d: level %q, want %q", i+1, r.Level, want)
		}
		said := false
		for _, w := range r.Warnings {
			said = said || w.Code == "stop_once"
		}
		if said != (want == drift.LevelNote) {
			t.Errorf("reading %d: warnings %+v", i+1, r.Warnings)
		}
	}
}

// TestScaleIsNotGoods: a lamp off by one factor dims the darks in proportion too; darker goods do
// not, where dye and fibre absorb in one layer (Kubelka and Munk 1931).
func TestScaleIsNotGoods(t *testing.T) {
	t.Parallel()
	s := newShop(t, 22, 10, nil)
	for _, c := range []struct {
		name   string
		faults madeup.Faults
		advice string
	}{
		{"scale", madeup.Faults{Scale: -0.06}, cause.Remeasure},
		{"darker goods", madeup.Faults{Media: madeup.Media{Lightness: -2.5}}, cause.CheckMedia},
	} {
		r, _, err := s.model.Judge(s.sample(20, c.faults), drift.State{})
		if err != nil {
			t.Fatal(err)
		}
		fs := cause.Decide(cause.Evidence{Stage: cause.StagePressed, Driven: drift.DrivenInk, Drift: &r})
		if len(fs) == 0 || fs[0].Advice != c.advice {
			t.Errorf("%s: %+v", c.name, fs)
		}
	}
}
