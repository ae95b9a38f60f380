package banding_test

import (
	"math"
	"slices"
	"testing"

	"swathkeeper/measure/banding"
	"swathkeeper/measure/madeup"
)

func warned(r banding.Result, code string) bool {
	return slices.ContainsFunc(r.Warnings, func(w banding.Warning) bool { return w.Code == code && w.Text != "" })
}

// What real scanner files carry besides the print. Every case holds a dead nozzle of cyan, which must
// still be found unless the case says otherwise.
func TestScannerArtefacts(t *testing.T) {
	t.Parallel()
	tr, d := setup(t)
	st := madeup.State{Faults: []madeup.Fault{{Channel: "C", Nozzle: 70, Loss: 1}}}
	cyan := func(ts []banding.Trace, f func(v []float64)) {
		for i := range ts {
			if ts[i].Strip == "C-left" {
				f(ts[i].Values)
			}
		}
	}
	for name, tc := range map[string]struct {
		spoil func(ts []banding.Trace) []banding.Trace
		code  string
		lost  bool
	}{
		"offset": {func(ts []banding.Trace) []banding.Trace {
			cyan(ts, func(v []float64) {
				for i := range v {
					v[i] += 7
				}
			})
			return ts
		}, "", false},
		"missing samples": {func(ts []banding.Trace) []banding.Trace {
			cyan(ts, func(v []float64) {
				for i := 200; i < len(v); i += 97 {
					v[i] = math.NaN()
				}
			})
			return ts
		}, "gap", false},
		"a gap in both strips": {func(ts []banding.Trace) []banding.Trace {
			for i := range ts {
				if ts[i].Channel == "C" {
					for k := 800; k < 1000; k++ {
						ts[i].Values[k] = math.NaN()
					}
				}
			}
			return ts
		}, "gap", false},
		"infinite": {func(ts []banding.Trace) []banding.Trace {
			cyan(ts, func(v []float64) { v[5], v[6] = math.Inf(1), math.Inf(-1) })
			return ts
		}, "gap", false},
		"clipped": {func(ts []banding.Trace) []banding.Trace {
			cyan(ts, func(v []float64) {
				for i := 1500; i < 1620; i++ {
					v[i] = 100
				}
			})
			return ts
		}, "clipped", false},
		"one strip blank": {func(ts []banding.Trace) []banding.Trace {
			cyan(ts, func(v []float64) {
				for i := range v {
					v[i] = 93
				}
			})
			return ts
		}, "flat", false},
		"mostly missing": {func(ts []banding.Trace) []banding.Trace {
			cyan(ts, func(v []float64) {
				for i := range 1500 {
					v[i] = math.NaN()
				}
			})
			return ts
		}, "gaps", false},
		"another unit": {func(ts []banding.Trace) []banding.Trace { ts[0].Unit = "volts"; return ts }, "unit", false},
		"a strip of 100 samples": {func(ts []banding.Trace) []banding.Trace {
			for i := range ts {
				ts[i].Values = ts[i].Values[:200]
			}
			return ts
		}, "short_strip", true},
		"too coarse": {func(ts []banding.Trace) []banding.Trace {
			for i := range ts {
				var v []float64
				for k := 0; k+5 <= len(ts[i].Values); k += 5 {
					s := 0.0
					for _, u := range ts[i].Values[k : k+5] {
						s += u / 5
					}
					v = append(v, s)
				}
				ts[i].Values, ts[i].PitchUM = v, ts[i].PitchUM*5
			}
			return ts
		}, "coarse", false},
		"strips of unequal length and start": {func(ts []banding.Trace) []banding.Trace {
			ts[0].Values = ts[0].Values[300:]
			ts[0].StartMM += 300 * ts[0].PitchUM / 1000
			return ts
		}, "", false},
		"one strip a hundred metres away": {func(ts []banding.Trace) []banding.Trace { ts[0].StartMM = 1e5; return ts }, "place", false},
		"one strip at another pitch":      {func(ts []banding.Trace) []banding.Trace { ts[0].PitchUM = 200; return ts }, "pitch", false},
		"a sample that is no reading": {func(ts []banding.Trace) []banding.Trace {
			for i := range ts {
				ts[i].Values[1000] = 1e308
			}
			cyan(ts, func(v []float64) { v[500] = 1e6 })
			return ts
		}, "gap", false},
		"pitch off by half a percent": {func(ts []banding.Trace) []banding.Trace {
			for i := range ts {
				ts[i].PitchUM *= 1.005
			}
			return ts
		}, "", false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			traces, err := tr.Traces(st, rng(31))
			if err != nil {
				t.Fatal(err)
			}
			r := judge(t, d, tc.spoil(traces))
			if tc.code != "" && !warned(r, tc.code) {
				t.Errorf("no warning %q: %+v", tc.code, r.Warnings)
			}
			found := slices.ContainsFunc(lines(r, "C"), func(l banding.Line) bool { return l.Repeats > 20 && l.Contrast < 0 })
			if found == tc.lost {
				t.Errorf("found %v: %+v", found, r.Channels)
			}
			if len(r.Marks) > 2 {
				t.Errorf("%d marks of what is no reading: %+v", len(r.Marks), r.Marks[0])
			}
			for _, c := range r.Channels {
				for _, v := range []float64{c.Score, c.Limit, c.Detectable, c.DetectableSingle} {
					if math.IsNaN(v) || math.IsInf(v, 0) {
						t.Errorf("channel %s: %+v is not finite", c.Channel, c)
					}
				}
			}
		})
	}
}

func TestNothingUsable(t *testing.T) {
	t.Parallel()
	_, d := setup(t)
	if _, err := d.Judge(nil); err == nil {
		t.Error("no traces, no error")
	}
	r, err := d.Judge([]banding.Trace{{Strip: "x", Channel: "C", Unit: banding.Density, PitchUM: 80, Values: []float64{1, 2}}})
	if err == nil || r.Unusable != 1 || !warned(r, "short") {
		t.Errorf("two samples: %v, %+v", err, r)
	}
	if _, err := banding.Learn(banding.Geometry{StepMM: -1}, [][]banding.Trace{nil}, banding.Options{}); err == nil {
		t.Error("a negative step was taken")
	}
	if _, err := banding.Learn(banding.Geometry{}, nil, banding.Options{}); err == nil {
		t.Error("learned from nothing")
	}
	if _, err := banding.Learn(banding.Geometry{}, [][]banding.Trace{nil, {}}, banding.Options{}); err == nil {
		t.Error("learned from readings without traces")
	}
}

// Whatever the samples are, nothing may panic.
func FuzzJudge(f *testing.F) {
	f.Add(int64(1), 300, 84.6, 6.35, uint8(0))
	f.Add(int64(2), 64, 1e6, 0.001, uint8(1))
	f.Add(int64(3), 500, 0.5, 1e9, uint8(2))
	f.Add(int64(4), 120, 1000.0, 3.0, uint8(3))
	f.Fuzz(func(t *testing.T, seed int64, n int, pitch, step float64, how uint8) {
		if n < 0 || n > 3000 {
			return
		}
		r := rng(uint64(seed))
		var ts []banding.Trace
		for _, c := range []string{"C", "M"} {
			v := make([]float64, n)
			for i := range v {
				switch how % 5 {
				case 0:
					v[i] = r.NormFloat64()
				case 1:
					v[i] = float64(i%7) * 1e300
				case 2:
					v[i] = float64(r.IntN(3))
				case 3:
					v[i] = math.Sin(float64(i))
				case 4:
					if v[i] = r.NormFloat64(); r.IntN(5) == 0 {
						v[i] = math.NaN()
					}
				}
			}
			ts = append(ts, banding.Trace{Strip: c, Channel: c, Unit: banding.Lightness, PitchUM: pitch, Values: v})
		}
		g := banding.Geometry{StepMM: step}
		if d, err := banding.WithinReading(g, banding.Options{}); err == nil {
			d.Judge(ts)
		}
		if b, err := banding.Learn(g, [][]banding.Trace{ts}, banding.Options{}); err == nil {
			if d, err := b.Prepare(); err == nil {
				d.Judge(ts)
			}
		}
	})
}

// Without a baseline, too, one strip of another pitch or place takes nothing from the others.
func TestOddStripWithoutABaseline(t *testing.T) {
	t.Parallel()
	tr, _ := setup(t)
	d, err := banding.WithinReading(tr.Geometry(), banding.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for code, spoil := range map[string]func(*banding.Trace){
		"pitch": func(t *banding.Trace) { t.PitchUM = 2000 },
		"place": func(t *banding.Trace) { t.StartMM = -1e4 },
	} {
		ts, err := tr.Traces(madeup.State{Faults: []madeup.Fault{{Channel: "C", Nozzle: 70, Loss: 1}}}, rng(31))
		if err != nil {
			t.Fatal(err)
		}
		spoil(&ts[0])
		r := judge(t, d, ts)
		if !warned(r, code) || r.Unusable != 1 {
			t.Errorf("%s: %d unusable, warnings %+v", code, r.Unusable, r.Warnings)
		}
		if l := only(t, r, "C"); l.Kind != banding.Dropout || l.Repeats < 30 {
			t.Errorf("%s: %+v", code, l)
		}
	}
}
