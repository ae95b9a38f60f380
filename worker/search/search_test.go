package search

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"swathkeeper/measure/madeup"
	"swathkeeper/measure/settings"
	"swathkeeper/protocol"
	"swathkeeper/protocol/measurement"
	"swathkeeper/worker/judge"
	"swathkeeper/worker/station"
)

// begun is a search on a made-up printer, and how its prints are read.
func begun(t *testing.T) (*State, func(id string, day int, v []float64) *protocol.Reading) {
	t.Helper()
	cfg := madeup.DefaultConfig()
	full := madeup.RGBChart()
	cfg.Chart = &madeup.Chart{Channels: full.Channels, Driven: full.Driven}
	for p := 0; p < len(full.IDs); p += 3 {
		cfg.Chart.IDs, cfg.Chart.Device = append(cfg.Chart.IDs, full.IDs[p]), append(cfg.Chart.Device, full.Device[p])
	}
	var err error
	if cfg.Panel, err = madeup.NewPanel(3, madeup.PanelTone); err != nil {
		t.Fatal(err)
	}
	shop, err := madeup.NewShop(3, cfg)
	if err != nil {
		t.Fatal(err)
	}
	c := &protocol.Chart{Schema: protocol.SchemaChart, ID: "pennant-rgb", Edition: "e1", Channels: full.Channels, Driven: full.Driven}
	for p, id := range cfg.Chart.IDs {
		c.Patches = append(c.Patches, protocol.Patch{ID: id, Device: cfg.Chart.Device[p]})
	}
	s := &State{Schema: Schema, Site: "quay", Printer: "heron", Media: "pennant-knit", Stage: protocol.StagePressed, Chart: c, Aim: Aim{Kind: AimScreen}}
	for _, d := range cfg.Panel.Dials() {
		s.Sliders = append(s.Sliders, settings.Slider{Name: d.Name, Kind: d.Kind, Channel: d.Channel, Low: d.Low, High: d.High, Step: d.Step})
	}
	return s, func(id string, day int, v []float64) *protocol.Reading {
		r, err := shop.Read(madeup.Occasion{Day: day}, madeup.Faults{Dials: v})
		if err != nil {
			t.Fatal(err)
		}
		out := &protocol.Reading{
			Schema: protocol.SchemaReading, ID: id, TakenAt: time.Date(2026, 3, 2+day, 7, 0, 0, 0, time.UTC), Site: "quay", Printer: "heron",
			Chart: c.ID, Edition: c.Edition, Condition: protocol.Condition{Media: "pennant-knit", Preset: "search", Stage: protocol.StagePressed},
			Instrument: protocol.Instrument{Kind: protocol.KindSpectrophotometer, Mode: "M1"}, Patches: &protocol.Patches{ID: cfg.Chart.IDs},
		}
		for _, lab := range r.Lab {
			out.Patches.Lab = append(out.Patches.Lab, [3]float64{lab.L, lab.A, lab.B})
		}
		return out
	}
}

const id1, id2 = "0198c5a4-7b1e-7c3a-9f0e-2a6d1c4b8e11", "0198c5a4-7b1e-7c3a-9f0e-2a6d1c4b8e12"

// first takes a first print in, under settings v, and gives what is then known.
func first(t *testing.T, s *State, read func(id string, day int, v []float64) *protocol.Reading, v []float64) *Report {
	t.Helper()
	with := map[string]float64{}
	for i, sl := range s.Sliders {
		with[sl.Name] = v[i]
	}
	if err := s.Add(read(id1, 1, v), "1.json", with, time.Now()); err != nil {
		t.Fatal(err)
	}
	r, err := s.Report()
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestKeepsEverything: a search written to its file and read back goes on exactly as it was.
func TestKeepsEverything(t *testing.T) {
	s, read := begun(t)
	v := []float64{-20, 10, 0, 5, -5, 10}
	a := first(t, s, read, v)
	s.Next = a.Advice.Next
	name := filepath.Join(t.TempDir(), "settings-heron.json")
	if err := s.Save(name); err != nil {
		t.Fatal(err)
	}
	back, err := Load(name)
	if err != nil {
		t.Fatal(err)
	}
	b, err := back.Report()
	if err != nil {
		t.Fatal(err)
	}
	for i := range a.Advice.Next {
		if a.Advice.Next[i] != b.Advice.Next[i] || back.Next[i] != s.Next[i] {
			t.Fatalf("read back it asks for %v, before for %v", b.Advice.Next, a.Advice.Next)
		}
	}
	// The second print as asked, but for one slider: its true value is kept.
	if err := back.Add(read(id2, 2, back.Next), "2.json", map[string]float64{"contrast": 12}, time.Now()); err != nil {
		t.Fatal(err)
	}
	if p := back.Prints[1]; p.Values[1] != 12 || p.Asked || p.Values[0] != s.Next[0] {
		t.Errorf("the second print is kept as %+v, asked %v", p.Values, p.Asked)
	}
	preset, series := back.Preset("deep", 0, b)
	if preset.Name != "deep" || len(preset.Sliders) != 6 || *preset.Sliders[0].Value != -20 {
		t.Errorf("preset %+v", preset)
	}
	want := read(id1, 1, v)
	want.Condition.Preset = "deep"
	if series != want.Series() {
		t.Errorf("series %s, its readings will be of %s", series, want.Series())
	}
}

// TestRefusedPrints: what does not belong to a search is refused, with what to do, and leaves it
// as it was.
func TestRefusedPrints(t *testing.T) {
	s, read := begun(t)
	v := []float64{0, 0, 0, 0, 0, 0}
	with := map[string]float64{}
	for i, sl := range s.Sliders {
		with[sl.Name] = v[i]
	}
	if err := s.Add(read(id1, 1, v), "1.json", with, time.Now()); err != nil {
		t.Fatal(err)
	}
	for want, spoil := range map[string]func(r *protocol.Reading, with map[string]float64){
		"taken in already":      func(r *protocol.Reading, _ map[string]float64) { r.ID = id1 },
		"read on media":         func(r *protocol.Reading, _ map[string]float64) { r.Condition.Media = "other-knit" },
		"read on stage":         func(r *protocol.Reading, _ map[string]float64) { r.Condition.Stage = protocol.StageTransfer },
		"measured as M0":        func(r *protocol.Reading, _ map[string]float64) { r.Instrument.Mode = "M0" },
		"no reading of":         func(r *protocol.Reading, _ map[string]float64) { r.Patches.ID[3] = "Z99" },
		"outside the slider":    func(_ *protocol.Reading, with map[string]float64) { with["contrast"] = 51 },
		"there is no slider":    func(_ *protocol.Reading, with map[string]float64) { with["hue"] = 5 },
		"is not known; say it":  func(_ *protocol.Reading, with map[string]float64) { delete(with, "contrast") },
		"outside the slider's ": func(_ *protocol.Reading, with map[string]float64) { with["contrast"] = math.NaN() },
	} {
		r := read(id2, 2, v)
		r.Patches.ID = append([]string(nil), r.Patches.ID...)
		w := map[string]float64{}
		for k, x := range with {
			w[k] = x
		}
		spoil(r, w)
		if err := s.Add(r, "2.json", w, time.Now()); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
		if len(s.Prints) != 1 {
			t.Fatalf("%s: it was taken in", want)
		}
	}
}

func TestDamagedFiles(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "settings-heron.json")
	if _, err := Load(name); err == nil || !strings.Contains(err.Error(), "settings start") {
		t.Errorf("no file: %v", err)
	}
	for text, want := range map[string]string{
		"": "damaged", "{": "damaged", "[]": "damaged", `{"schema":"swathkeeper.chart/1"}`: "not swathkeeper.search/1",
		`{"schema":"swathkeeper.search/1"}`:            "no chart",
		`{"schema":"swathkeeper.search/1","chart":{}}`: "its chart",
	} {
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		if _, err := Load(name); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", text, err)
		}
	}
}

// TestTableAim takes a published characterisation table (testdata/charts/SOURCES.md) as the aim of
// a chart whose patches it holds in part: those it holds get its colours, the others colours
// between. Held back from the fit, table patches are met to what its own smoothness allows.
func TestTableAim(t *testing.T) {
	files, err := station.Measurements("../../testdata/charts/FOGRA39L.txt", station.Fill{})
	if err != nil {
		t.Fatal(err)
	}
	table := files[0]
	c := &protocol.Chart{Schema: protocol.SchemaChart, ID: "some", Channels: []string{"C", "M", "Y", "K"}, Driven: protocol.DrivenInk}
	add := func(id string, d ...float64) {
		c.Patches = append(c.Patches, protocol.Patch{ID: id, Device: d})
	}
	add("x1", 100, 0, 0, 0)
	add("x2", 0, 100, 100, 0)
	add("x3", 0, 0, 0, 0)
	add("x4", 33, 27, 62, 4) // not in the table
	a, err := FileAim(c, table)
	if err != nil {
		t.Fatal(err)
	}
	// FOGRA39: cyan 55, -37, -50; red 47, 68, 48; paper 95, 0, -2 (ISO 12647-2:2004 aims it
	// characterises; from memory, to 1).
	for p, want := range [][3]float64{{55, -37, -50}, {47, 68, 48}, {95, 0, -2}} {
		for i := range want {
			if math.Abs(a.Lab[p][i]-want[i]) > 1.1 {
				t.Errorf("%s is %.1f, want about %v", c.Patches[p].ID, *a.Lab[p], want)
				break
			}
		}
	}
	if a.Note == "" || a.Lab[3] == nil || a.Lab[3][0] < 55 || a.Lab[3][0] > 75 {
		t.Errorf("between the patches: %v, note %q", a.Lab[3], a.Note)
	}
	if _, err := ScreenAim(c); err == nil {
		t.Error("inks have a screen's colours")
	}
	if _, err := FileAim(c, &measurement.File{Name: "empty.txt"}); err == nil {
		t.Error("an empty file is an aim")
	}
}

// TestNoise: the noise of a search is what a baseline of repeated readings tells. The made-up shop's
// inks differ by 1 % from day to day.
func TestNoise(t *testing.T) {
	s, read := begun(t)
	var good []*protocol.Reading
	for day := range 10 {
		good = append(good, read(fmt.Sprintf("0198c5a4-7b1e-7c3a-9f0e-2a6d1c4b8f%02d", day), day, make([]float64, 6)))
	}
	b, err := judge.Learn("0198c5a4-7b1e-7c3a-9f0e-2a6d1c4b8e99", s.Chart, good, judge.Options{})
	if err != nil {
		t.Fatal(err)
	}
	n, err := NoiseOf(b)
	if err != nil {
		t.Fatal(err)
	}
	if n.PrintPercent < 0.5 || n.PrintPercent > 3 || n.PatchDE00 < 0.2 || n.PatchDE00 > 1.5 {
		t.Errorf("%+v", n)
	}
	if _, err := NoiseOf(&judge.Baseline{}); err == nil {
		t.Error("a baseline without patches has a noise")
	}
}

// TestForetold: what is foretold of a print goes with it, so that its outcome corrects later
// foretellings, but only where it was made as asked.
func TestForetold(t *testing.T) {
	s, read := begun(t)
	rep := first(t, s, read, []float64{-20, 10, 0, 5, -5, 10})
	s.Propose(rep.Advice)
	s.Kept = "deep"
	other := *s
	if err := s.Add(read(id2, 2, s.Next), "2.json", nil, time.Now()); err != nil {
		t.Fatal(err)
	}
	if p := s.Prints[1]; p.Foretold != rep.Advice.NextDE || p.ForetoldSE != rep.Advice.NextSE {
		t.Errorf("foretold %.2f +- %.2f, kept %.2f +- %.2f", rep.Advice.NextDE, rep.Advice.NextSE, p.Foretold, p.ForetoldSE)
	}
	if s.Kept != "" {
		t.Error("a search with a new print still counts as kept")
	}
	if err := other.Add(read(id2, 2, other.Next), "2.json", map[string]float64{"contrast": 44}, time.Now()); err != nil {
		t.Fatal(err)
	}
	if p := other.Prints[1]; p.ForetoldSE != 0 {
		t.Error("a print under other values has a foretelling")
	}
}

// TestLock: a second command waits until the first is done.
func TestLock(t *testing.T) {
	name := filepath.Join(t.TempDir(), "settings-heron.json")
	release, err := Lock(t.Context(), name)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	if _, err := Lock(ctx, name); err == nil {
		t.Error("two hold the same search")
	}
	release()
	if release, err = Lock(t.Context(), name); err != nil {
		t.Fatal(err)
	}
	release()
}

// TestDoubtedAim: a doubted print tells nothing of the fabric's black; without it the aim is what it
// would be had the print not been made.
func TestDoubtedAim(t *testing.T) {
	s, read := begun(t)
	v := []float64{-20, 10, 0, 5, -5, 10}
	first(t, s, read, v)
	add := func(k int, v []float64, r *protocol.Reading) *Report {
		t.Helper()
		r.ID = fmt.Sprintf("0198c5a4-7b1e-7c3a-9f0e-2a6d1c4b8e%02d", 20+k)
		with := map[string]float64{}
		for i, sl := range s.Sliders {
			with[sl.Name] = v[i]
		}
		if err := s.Add(r, fmt.Sprint(k, ".json"), with, time.Now()); err != nil {
			t.Fatal(err)
		}
		out, err := s.Report()
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	add(2, []float64{-10, 5, 0, 5, 0, 5}, read(id2, 2, []float64{-10, 5, 0, 5, 0, 5}))
	before := add(3, []float64{-5, 0, 5, 0, 0, 0}, read(id2, 3, []float64{-5, 0, 5, 0, 0, 0}))
	// The fourth was read on something black: every patch far too dark.
	r := read(id2, 4, []float64{0, 0, 5, 0, 0, 0})
	for p := range r.Patches.Lab {
		lab := &r.Patches.Lab[p]
		if lab[0] < 60 {
			lab[0] *= 0.3
		} else {
			lab[0] -= 18
		}
	}
	after := add(4, []float64{0, 0, 5, 0, 0, 0}, r)
	if len(after.Advice.Suspect) != 1 || after.Advice.Suspect[0] != 3 {
		t.Fatalf("doubted are %v of %.2f", after.Advice.Suspect, after.Advice.Measured)
	}
	if after.BlackL != before.BlackL || after.Out != before.Out {
		t.Errorf("a doubted print takes the black from L* %.2f to %.2f, and what is out of reach from %d to %d patches", before.BlackL, after.BlackL, before.Out, after.Out)
	}
}
