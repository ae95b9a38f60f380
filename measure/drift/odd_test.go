package drift_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"swathkeeper/measure/cause"
	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
)

// judged learns and judges, and holds the result against what must be true of any: a refusal that
// says why, or a result of finite numbers that causes can be decided from.
func judged(t *testing.T, name string, chart drift.Chart, base []drift.Sample, smp drift.Sample, o drift.Options) (r drift.Result, ok bool) {
	t.Helper()
	defer func() {
		if p := recover(); p != nil {
			t.Errorf("%s: panic: %v", name, p)
		}
	}()
	refused := func(err error) bool {
		var u *drift.UnusableError
		if err != nil && (!errors.As(err, &u) || u.Text == "" || u.Code == "") {
			t.Errorf("%s: refused without a reason: %v", name, err)
		}
		return err != nil
	}
	b, err := drift.Learn(chart, base, o)
	if refused(err) {
		return r, false
	}
	m, err := b.Prepare()
	if err != nil {
		t.Errorf("%s: learned, and then: %v", name, err)
		return r, false
	}
	var st drift.State
	for range 3 {
		r, st, err = m.Judge(smp, st)
		if refused(err) {
			return r, false
		}
	}
	for _, v := range r.Values {
		for _, x := range []float64{v.Value, v.SE, v.Alone, v.Limit, v.Z, v.EWMA, v.EWMALimit} {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				t.Errorf("%s: %s is %+v", name, v.Name, v)
				break
			}
		}
	}
	for _, p := range r.Patterns {
		if math.IsNaN(p.LogLikelihood) || math.IsNaN(p.Size) {
			t.Errorf("%s: pattern %+v", name, p)
		}
	}
	for _, x := range []float64{r.MeanDE00, r.P95DE00, r.Unexplained, r.AfterMoves} {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			t.Errorf("%s: mean %g, p95 %g, unexplained %g, after %g", name, r.MeanDE00, r.P95DE00, r.Unexplained, r.AfterMoves)
		}
	}
	cause.Decide(cause.Evidence{Stage: cause.StagePressed, Driven: chart.Driven, Drift: &r})
	return r, true
}

// pick keeps some patches of a chart and of its readings.
func pick(c drift.Chart, samples []drift.Sample, keep func(device []float64) bool) (drift.Chart, []drift.Sample) {
	out := drift.Chart{Channels: c.Channels, Driven: c.Driven}
	var at []int
	for p, d := range c.Device {
		if keep(d) {
			at = append(at, p)
			out.IDs, out.Device = append(out.IDs, c.IDs[p]), append(out.Device, d)
		}
	}
	var of []drift.Sample
	for _, s := range samples {
		n := drift.Sample{Day: s.Day}
		for _, p := range at {
			n.Lab = append(n.Lab, s.Lab[p])
		}
		of = append(of, n)
	}
	return out, of
}

// TestOddCharts: charts of few patches, of one ink, without paper, of solids alone, of one patch
// many times: a verdict that holds or a refusal, in control never more than a note.
func TestOddCharts(t *testing.T) {
	t.Parallel()
	s := newShop(t, 60, 10, nil)
	chart := drift.Chart(*s.Chart())
	var base []drift.Sample
	for d := range 10 {
		base = append(base, s.sample(d, madeup.Faults{}))
	}
	good, weakC := s.sample(20, madeup.Faults{}), s.sample(20, weak("C", -20))
	sum := func(d []float64) (v float64) {
		for _, x := range d {
			v += x
		}
		return v
	}
	for name, keep := range map[string]func(d []float64) bool{
		"cyan alone":         func(d []float64) bool { return sum(d) == d[0] },
		"cyan without paper": func(d []float64) bool { return d[0] > 0 && sum(d) == d[0] },
		"solids and paper":   func(d []float64) bool { return sum(d) == 0 || sum(d) == 100 && slices.Max(d) == 100 },
		"paper alone":        func(d []float64) bool { return sum(d) == 0 },
		"cyan solids alone":  func(d []float64) bool { return d[0] == 100 && sum(d) == 100 },
		"no single inks":     func(d []float64) bool { return sum(d) > slices.Max(d) },
		"darks alone":        func(d []float64) bool { return sum(d) > 250 },
		"black and paper":    func(d []float64) bool { return sum(d) == d[3] },
	} {
		c, all := pick(chart, append(slices.Clone(base), good, weakC), keep)
		if r, ok := judged(t, name, c, all[:10], all[10], drift.Options{}); ok && (r.Level == drift.LevelAct || r.Level == drift.LevelStop) {
			t.Errorf("%s: a good reading is %q: %+v", name, r.Level, r.Tests)
		}
		if r, ok := judged(t, name+", weak", c, all[:10], all[11], drift.Options{}); ok && r.Level != drift.LevelNone {
			for _, f := range cause.Decide(cause.Evidence{Stage: cause.StagePressed, Driven: chart.Driven, Drift: &r}) {
				if f.Advice == cause.CheckInk && f.Channel != "C" {
					t.Errorf("%s: cyan is weak, %s is named", name, f.Channel)
				}
			}
		}
	}
}

// TestOddInks: a printer with light inks, and a chart driven by rgb, where an ink is a part of a
// channel only: a weak ink is named.
func TestOddInks(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		chart *madeup.Chart
		inks  []string
		ink   string
		weak  float64
	}{
		"six inks": {madeup.LightChart(), madeup.InkNames(), "LM", -20},
		"rgb":      {madeup.RGBChart(), []string{"C", "M", "Y", "K"}, "M", -35},
	} {
		s := newShop(t, 61, 5, func(cfg *madeup.Config) { cfg.Chart, cfg.Inks = c.chart, c.inks })
		var base []drift.Sample
		for d := range 5 {
			base = append(base, s.sample(d, madeup.Faults{}))
		}
		chart := drift.Chart(*s.Chart())
		r, ok := judged(t, name, chart, base, s.sample(20, weak(c.ink, c.weak)), drift.Options{})
		if !ok || r.Level == drift.LevelNone {
			t.Errorf("%s: level %q, %+v", name, r.Level, r.Channels)
			continue
		}
		fs := cause.Decide(cause.Evidence{Stage: cause.StagePressed, Driven: chart.Driven, Drift: &r})
		if len(fs) == 0 || fs[0].Advice != cause.CheckInk || fs[0].Channel != c.ink {
			t.Errorf("%s: %+v", name, fs)
		}
	}
}

// TestEightInks: two inks that print the same colour cannot be told apart, and it is said.
func TestEightInks(t *testing.T) {
	t.Parallel()
	s := newShop(t, 62, 1, nil)
	chart := drift.Chart(*s.Chart())
	chart.Channels = append(slices.Clone(chart.Channels), "C2", "M2", "Y2", "K2")
	chart.Device = slices.Clone(chart.Device)
	for p, d := range chart.Device {
		chart.Device[p] = append(slices.Clone(d), d...)
	}
	var base []drift.Sample
	for d := range 5 {
		base = append(base, s.sample(d, madeup.Faults{}))
	}
	r, ok := judged(t, "inks in pairs", chart, base, s.sample(20, weak("C", -20)), drift.Options{})
	if !ok {
		return
	}
	b, err := drift.Learn(chart, base, drift.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(b.Blind) == 0 {
		t.Errorf("nothing is said to be blind; level %q", r.Level)
	}
}

// TestOddNumbers: numbers no instrument gives, one patch or all of them, in the reading or in the
// baseline: refused, or named as a patch that does not follow the rest.
func TestOddNumbers(t *testing.T) {
	t.Parallel()
	s := newShop(t, 63, 1, nil)
	chart, base := drift.Chart(*s.Chart()), []drift.Sample(nil)
	for d := range 6 {
		base = append(base, s.sample(d, madeup.Faults{}))
	}
	chart, base = pick(chart, base, func(d []float64) bool { return d[1] == 0 && d[2] == 0 })
	base, good := base[:5], base[5]
	for _, x := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 1e308, -1e308, 1e-308, math.MaxFloat64, 1e5, 0, 129, -9} {
		for axis := range 3 {
			for _, all := range []bool{false, true} {
				odd := drift.Sample{Lab: slices.Clone(good.Lab), Day: good.Day}
				for p := range odd.Lab {
					if all || p == 7 {
						*[]*float64{&odd.Lab[p].L, &odd.Lab[p].A, &odd.Lab[p].B}[axis] = x
					}
				}
				name := fmt.Sprintf("%g on axis %d, all %v", x, axis, all)
				r, ok := judged(t, name, chart, base, odd, drift.Options{})
				if ok && (all || r.Level == drift.LevelAct || r.Level == drift.LevelStop) {
					t.Errorf("%s: taken, and level %q", name, r.Level)
				}
				if _, ok := judged(t, name+", in the baseline", chart, append(slices.Clone(base[:4]), odd), good, drift.Options{}); ok && all {
					t.Errorf("%s: taken into the baseline", name)
				}
			}
		}
	}
	same := slices.Repeat(base[:1], 10)
	judged(t, "one reading ten times", chart, same, base[0], drift.Options{})
	judged(t, "one reading ten times, another", chart, same, good, drift.Options{})
	for _, v := range []float64{1e-300, math.NaN(), -1, math.Inf(1)} {
		o := drift.Options{}
		o.Tolerances.StrengthPercent = v
		if _, err := drift.Learn(chart, base, o); err == nil || !strings.Contains(err.Error(), "strength_percent") {
			t.Errorf("a tolerance of %g: %v", v, err)
		}
	}
}

// TestBadBaseline: a weak ink, a scratched sheet or another chart among ten baseline readings: it is
// named or refused, and a good reading afterwards is no alarm.
func TestBadBaseline(t *testing.T) {
	t.Parallel()
	s := newShop(t, 64, 10, nil)
	chart := drift.Chart(*s.Chart())
	of := func(bad drift.Sample) []drift.Sample {
		var base []drift.Sample
		for d := range 10 {
			base = append(base, s.sample(d, madeup.Faults{}))
		}
		bad.Day = base[4].Day
		base[4] = bad
		return base
	}
	scratched := s.sample(4, madeup.Faults{})
	scratched.Lab = slices.Clone(scratched.Lab)
	r := rand.New(rand.NewPCG(1, 1))
	for range 20 {
		scratched.Lab[r.IntN(len(scratched.Lab))].L += 12
	}
	for name, bad := range map[string]drift.Sample{
		"weak ink": s.sample(4, weak("M", -20)), "scratches": scratched,
		"other goods": s.sample(4, madeup.Faults{Media: madeup.Media{Yellowness: 4}}),
	} {
		base := of(bad)
		b, err := drift.Learn(chart, base, drift.Options{})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		said := slices.ContainsFunc(b.Warnings, func(w drift.Warning) bool { return w.Code == "odd_reading" })
		if !said && name != "scratches" {
			t.Errorf("%s: no word of reading 5: %+v", name, b.Warnings)
		}
		for d := 20; d < 24; d++ {
			if r, ok := judged(t, name, chart, base, s.sample(d, madeup.Faults{}), drift.Options{}); ok && (r.Level == drift.LevelAct || r.Level == drift.LevelStop) {
				t.Errorf("%s: a good day is %q", name, r.Level)
			}
		}
	}
}

// TestSpectralSteps: spectra of 5, 10 and 20 nm, of any start that colour can be computed from; a
// grid that it cannot be computed from is said, and colours are used.
func TestSpectralSteps(t *testing.T) {
	t.Parallel()
	s := newShop(t, 65, 1, nil)
	full := drift.Chart(*s.Chart())
	chart, _ := pick(full, nil, func(d []float64) bool { return d[1] == 0 })
	rd, err := s.Read(madeup.Occasion{Day: 1}, madeup.Faults{})
	if err != nil {
		t.Fatal(err)
	}
	at := func(v []float64, nm float64) float64 {
		if math.IsNaN(nm) {
			return 0.5
		}
		x := min(max(0, (nm-madeup.StartNM)/madeup.StepNM), float64(len(v)-1))
		i := min(int(x), len(v)-2)
		return v[i] + (x-float64(i))*(v[i+1]-v[i])
	}
	for _, c := range []struct {
		start, step, end float64
		space            string
	}{{380, 5, 730, "spectra"}, {380, 10, 730, "spectra"}, {400, 20, 700, "spectra"}, {400, 10, 700, "spectra"}, {400, 150, 700, "lab"}, {0, 0, 9, "lab"}, {math.NaN(), 10, 700, "lab"}} {
		n := 31
		if c.step > 0 && !math.IsNaN(c.start) {
			n = int((c.end-c.start)/c.step) + 1
		}
		smp := drift.Sample{Day: day(1), Spectra: &drift.Spectra{StartNM: c.start, StepNM: c.step}}
		for p, v := range rd.Spectra {
			if full.Device[p][1] > 0 { // the fewer patches, the sooner it is done
				continue
			}
			smp.Lab = append(smp.Lab, rd.Lab[p])
			row := make([]float64, n)
			for b := range row {
				row[b] = at(v, c.start+float64(b)*c.step)
			}
			smp.Spectra.Values = append(smp.Spectra.Values, row)
		}
		b, err := drift.Learn(chart, []drift.Sample{smp}, drift.Options{})
		var u *drift.UnusableError
		if errors.As(err, &u) {
			continue
		}
		if err != nil || b.Space != c.space {
			t.Errorf("from %g by %g: %v, %+v", c.start, c.step, err, b)
		}
	}
}
