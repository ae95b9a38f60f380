package search

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"swathkeeper/measure/colour"
	"swathkeeper/protocol"
	"swathkeeper/protocol/measurement"
	"swathkeeper/worker/judge"
	"swathkeeper/worker/station"
)

// cut leaves only the first n patches of a reading.
func cut(r *protocol.Reading, n int) *protocol.Reading {
	out := *r
	p := *r.Patches
	p.ID, p.Lab = p.ID[:n], p.Lab[:n]
	out.Patches = &p
	return &out
}

// TestRankOverTheSamePatches: prints are ranked by the patches that all of them have, and one that
// lacks too many is not ranked at all.
func TestRankOverTheSamePatches(t *testing.T) {
	s, read := begun(t)
	good, bad := read(id1, 1, []float64{20, 10, 5, -10, 5, 0}), read(id2, 2, []float64{-20, 20, -10, -20, 25, -10})
	rank := func(rs ...*protocol.Reading) (*Ranking, error) {
		var files []string
		for i := range rs {
			files = append(files, string(rune('a'+i))+".json")
		}
		return Rank(s.Chart, s.Aim, rs, files)
	}
	n := len(good.Patches.ID)
	if _, err := rank(good, cut(bad, n/10)); err == nil || !strings.Contains(err.Error(), "b.json: ") ||
		!strings.Contains(err.Error(), "patches are missing; at most one in five may be; read it again") {
		t.Errorf("a tenth of a print is ranked: %v", err)
	}
	short := n - n/6
	b, err := rank(good, cut(bad, short))
	if err != nil {
		t.Fatal(err)
	}
	var sheets []sheet
	for _, r := range []*protocol.Reading{good, cut(bad, short)} {
		sample, err := judge.Sample(s.Chart, r)
		if err != nil {
			t.Fatal(err)
		}
		sheets = append(sheets, sheet{lab: sample.Lab, missing: sample.Missing})
	}
	wanted, err := s.Aim.wanted(s.Chart, sheets)
	if err != nil {
		t.Fatal(err)
	}
	if want := meanOver(wanted, sheets[0], sheets[1].missing); b.Prints[0].File != "a.json" || math.Abs(b.Prints[0].MeanDE00-want) > 1e-9 || b.Patches != short {
		t.Errorf("%s is first, %.4f over %d patches; over the %d that both have a.json is %.4f", b.Prints[0].File, b.Prints[0].MeanDE00, b.Patches, short, want)
	}
	if !strings.Contains(b.Note, "not in all prints") {
		t.Errorf("note %q", b.Note)
	}
	worse := *bad
	worse.Instrument.Kind = protocol.KindScanner
	if _, err := rank(good, &worse); err == nil || !strings.Contains(err.Error(), "scanner") {
		t.Errorf("a scanner's reading is ranked beside a spectrophotometer's: %v", err)
	}
}

// meanOver is the mean difference from the aim over the patches that are not missing.
func meanOver(w Wanted, s sheet, missing []bool) float64 {
	sum, n := 0.0, 0.0
	for p, k := range w.Weight {
		if k > 0 && !missing[p] {
			sum += colour.DE2000(s.lab[p], w.Lab[p])
			n++
		}
	}
	return sum / n
}

// TestSearchOverTheSamePatches: the prints of a search too.
func TestSearchOverTheSamePatches(t *testing.T) {
	s, read := begun(t)
	v, w := []float64{20, 10, 5, -10, 5, 0}, []float64{10, 5, 5, -10, 5, 0}
	one, two := read(id1, 1, v), read(id2, 2, w)
	n := len(one.Patches.ID)
	with := func(v []float64) map[string]float64 {
		m := map[string]float64{}
		for i, sl := range s.Sliders {
			m[sl.Name] = v[i]
		}
		return m
	}
	reach := *s
	for _, r := range []*protocol.Reading{one, cut(two, n-n/6)} {
		if err := s.Add(r, "a.json", with(map[bool][]float64{true: v, false: w}[r == one]), time.Now()); err != nil {
			t.Fatal(err)
		}
	}
	rep, err := s.Report()
	if err != nil {
		t.Fatal(err)
	}
	// Against the same aim, the first print over the patches that the second has.
	var sheets []sheet
	for _, p := range s.Prints {
		lab, missing := labs(p.Lab)
		sheets = append(sheets, sheet{lab: lab, missing: missing})
	}
	wanted, err := s.Aim.wanted(s.Chart, sheets)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := rep.Advice.Measured[0], meanOver(wanted, sheets[0], sheets[1].missing); math.Abs(got-want) > 1e-9 {
		t.Errorf("print 1 is %.4f from the aim; over the patches that both prints have it is %.4f", got, want)
	}
	if err := reach.Add(cut(two, n/2), "half.json", with(w), time.Now()); err == nil || !strings.Contains(err.Error(), "at most one in five may be; read it again") {
		t.Errorf("half a print is taken in: %v", err)
	}
}

// TestSameReadingTwice: under another name and id, and rounded as a table of colours is.
func TestSameReadingTwice(t *testing.T) {
	s, read := begun(t)
	v := []float64{-20, 10, 0, 5, -5, 10}
	first(t, s, read, v)
	again := read(id2, 1, v)
	for i := range again.Patches.Lab {
		for j, x := range again.Patches.Lab[i] {
			again.Patches.Lab[i][j] = math.Round(100*x) / 100
		}
	}
	with := map[string]float64{}
	for i, sl := range s.Sliders {
		with[sl.Name] = v[i] + 1
	}
	if err := s.Add(again, "1.csv", with, time.Now()); err == nil || !strings.Contains(err.Error(), "1.csv holds the same colours as print 1 (1.json)") {
		t.Errorf("the same reading is taken in twice: %v", err)
	}
	if len(s.Prints) != 1 {
		t.Error("it is among the prints")
	}
}

// TestOneInstrument: what protocol.Series keeps apart is not mixed in a search either.
func TestOneInstrument(t *testing.T) {
	s, read := begun(t)
	v := make([]float64, 6)
	first(t, s, read, v)
	with := map[string]float64{}
	for i, sl := range s.Sliders {
		with[sl.Name] = v[i]
	}
	for want, spoil := range map[string]func(r *protocol.Reading){
		"instrument":   func(r *protocol.Reading) { r.Instrument.Kind = protocol.KindScanner },
		"path managed": func(r *protocol.Reading) { r.Condition.Path = protocol.PathManaged },
	} {
		r := read(id2, 2, v)
		spoil(r)
		if err := s.Add(r, "2.json", with, time.Now()); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
	r := read(id2, 2, v)
	r.Condition.Path = protocol.PathDevice // what an absent one stands for
	if err := s.Add(r, "2.json", with, time.Now()); err != nil {
		t.Error(err)
	}
}

// fileOf is a reading as it comes from its file.
func fileOf(r *protocol.Reading) *measurement.File {
	f := &measurement.File{Name: "march.json", ID: r.Patches.ID, Lab: r.Patches.Lab, Reading: r}
	f.Condition.Mode = r.Instrument.Mode
	return f
}

// TestReadingAsAim: another chart's reading is no aim unless its device values say which patch is
// which, and its measuring condition goes with it.
func TestReadingAsAim(t *testing.T) {
	s, read := begun(t)
	r := read(id1, 1, make([]float64, 6))
	a, err := FileAim(s.Chart, fileOf(r))
	if err != nil {
		t.Fatal(err)
	}
	if a.Mode != "M1" || a.Media != "pennant-knit" || a.Stage != protocol.StagePressed || a.Note != "" {
		t.Errorf("%+v", a)
	}
	for _, other := range []func(r *protocol.Reading){
		func(r *protocol.Reading) { r.Chart = "pennant-other" }, func(r *protocol.Reading) { r.Edition = "e2" },
	} {
		o := *r
		other(&o)
		if _, err := FileAim(s.Chart, fileOf(&o)); err == nil || !strings.Contains(err.Error(), "march.json is a reading of chart "+o.Chart) {
			t.Errorf("chart %s, edition %s is an aim for %s, %s: %v", o.Chart, o.Edition, s.Chart.ID, s.Chart.Edition, err)
		}
		f := fileOf(&o)
		f.Channels = []string{"R", "G", "B"}
		for _, p := range s.Chart.Patches {
			f.Device = append(f.Device, p.Device)
		}
		if a, err := FileAim(s.Chart, f); err != nil || slices.Contains(a.Lab, nil) {
			t.Errorf("with device values: %v", err)
		}
	}
	s.Aim = a
	m0 := read(id2, 2, make([]float64, 6))
	m0.Instrument.Mode = "M0"
	with := map[string]float64{}
	for _, sl := range s.Sliders {
		with[sl.Name] = 0
	}
	if err := s.Add(m0, "m0.json", with, time.Now()); err == nil || !strings.Contains(err.Error(), "m0.json was measured as M0, the aim as M1") {
		t.Errorf("an M0 print against an M1 aim: %v", err)
	}
	if _, err := Rank(s.Chart, a, []*protocol.Reading{m0}, []string{"m0.json"}); err == nil || !strings.Contains(err.Error(), "the aim as M1") {
		t.Errorf("an M0 print is ranked against an M1 aim: %v", err)
	}
	if notes := a.Notes("felt", protocol.StageTransfer); len(notes) != 2 {
		t.Errorf("another media and stage: %q", notes)
	}
	if notes := a.Notes("pennant-knit", protocol.StagePressed); notes != nil {
		t.Errorf("%q", notes)
	}
}

// TestEqualDeviceValues: a table's patches of the chart's device values are the chart's patches,
// whatever their ids, and however few they are. FOGRA39L holds the solids and the paper.
func TestEqualDeviceValues(t *testing.T) {
	files, err := station.Measurements("../../testdata/charts/FOGRA39L.txt", station.Fill{})
	if err != nil {
		t.Fatal(err)
	}
	c := &protocol.Chart{Schema: protocol.SchemaChart, ID: "some", Channels: []string{"C", "M", "Y", "K"}, Driven: protocol.DrivenInk}
	c.Patches = append(c.Patches, protocol.Patch{ID: "x1", Device: []float64{100, 0, 0, 0}}, protocol.Patch{ID: "x2", Device: []float64{0, 0, 0, 0}})
	for k := range 8 {
		c.Patches = append(c.Patches, protocol.Patch{ID: string(rune('a' + k)), Device: []float64{33, 27, 61 + float64(k), 4.5}})
	}
	a, err := FileAim(c, files[0])
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(a.Note, "8 of the chart's 10 patches are not in ") {
		t.Errorf("note %q", a.Note)
	}
	want := -1
	for i, d := range files[0].Device {
		if slices.Equal(d, []float64{100, 0, 0, 0}) {
			want = i
		}
	}
	patches, err := files[0].Patches()
	if err != nil || want < 0 {
		t.Fatal(want, err)
	}
	if got := *a.Lab[0]; math.Abs(got[0]-patches.Lab[want][0]) > 0.5 {
		t.Errorf("cyan is %v, in the table %v", got, patches.Lab[want])
	}
}
