package chart

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func step(mm float64) Spec {
	first := 30.0
	return Spec{ID: "pennant-cmyk", StepMM: mm, PitchUM: 70.556, Nozzles: 360, Passes: 4, FirstNozzleMM: &first,
		Mirrored: true, House: []House{{Name: "pennant red", Device: []float64{0, 95, 85, 0}}}}
}

// Every layout that New gives, for whatever sheet and channels, has the properties that the
// judge rests on.
func TestNewLayoutsAreFitToJudge(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := Spec{
			ID:       "x",
			SizeMM:   [2]float64{rapid.Float64Range(150, 900).Draw(t, "w"), rapid.Float64Range(120, 1200).Draw(t, "h")},
			MarginMM: rapid.Float64Range(3, 15).Draw(t, "margin"),
			PatchMM:  rapid.Float64Range(5, 12).Draw(t, "patch"),
			StepMM:   rapid.SampledFrom([]float64{0, 3.2, 6.35, 8, 25.4}).Draw(t, "step"),
			Seed:     rapid.Uint64().Draw(t, "seed"),
		}
		if rapid.Bool().Draw(t, "rgb") {
			s.Driven = DrivenRGB
		} else {
			s.Channels = rapid.SampledFrom([][]string{nil, {"K"}, {"C", "M", "Y"}, {"C", "M", "Y", "K", "LC", "LM"},
				{"C", "M", "Y", "K", "orange", "green", "violet", "fluo pink"}}).Draw(t, "channels")
		}
		l, err := New(s)
		var fe *FieldError
		if errors.As(err, &fe) && fe.Field == "size_mm" {
			return // too small, and said so
		}
		if err != nil {
			t.Fatal(err)
		}
		checkFit(t, l, s.withDefaults())
	})
}

// TestUsualSheetsAreNotRefused: refusing a sheet is for the odd ones. What shops print on must always
// get its chart.
func TestUsualSheetsAreNotRefused(t *testing.T) {
	for _, size := range [][2]float64{{210, 297}, {297, 210}, {297, 420}, {216, 279}} {
		for _, channels := range [][]string{{"C", "M", "Y", "K"}, {"C", "M", "Y", "K", "LC", "LM"}} {
			for seed := range uint64(10) {
				l, err := New(Spec{ID: "x", SizeMM: size, Channels: channels, Seed: seed})
				if err != nil {
					t.Errorf("%v mm, %d inks, seed %d: %v", size, len(channels), seed, err)
					continue
				}
				checkFit(t, l, Spec{ID: "x", SizeMM: size, Channels: channels, Seed: seed}.withDefaults())
			}
		}
	}
}

func checkFit(t rapid.TB, l *Layout, s Spec) {
	t.Helper()
	rows, cols := 0, 0
	for _, p := range l.Patches {
		rows, cols = max(rows, p.Row), max(cols, p.Col)
	}
	// Each channel in every row and column (ISO 12642-2's habit; from memory), but for the
	// last row, which may be cut short.
	for ch, name := range l.Channels {
		inRow, inCol := make([]bool, rows+1), make([]bool, cols+1)
		for _, p := range l.Patches {
			if l.Tint(p, ch) >= carriesTint {
				inRow[p.Row], inCol[p.Col] = true, true
			}
		}
		for r := 1; r <= rows; r++ {
			if !inRow[r] {
				t.Errorf("channel %s is not in row %d of %d x %d", name, r, rows, cols)
			}
		}
		for c := 1; c <= cols; c++ {
			if !inCol[c] {
				t.Errorf("channel %s is not in column %d", name, c)
			}
		}
	}
	// Ramps: each step of each channel alone at two places at least a third of the rows apart.
	alone := map[string][]int{}
	white := 0
	for _, p := range l.Patches {
		if l.White(p) {
			white++
			continue
		}
		n, which := 0, 0
		for ch := range len(l.Channels) {
			if l.Tint(p, ch) > 0 {
				n, which = n+1, ch
			}
		}
		if n == 1 {
			k := fmt.Sprint(which, p.Device)
			alone[k] = append(alone[k], p.Row)
		}
	}
	if white < 4 {
		t.Errorf("%d white patches, want 4 or more", white)
	}
	far := 0
	for k, rs := range alone {
		if len(rs) < 2 {
			continue
		}
		if slices.Max(rs)-slices.Min(rs) < (rows+2)/3 {
			t.Errorf("ramp patch %s is only in rows %v of %d", k, rs, rows)
		}
		far++
	}
	if far < len(l.Channels)*len(shortRamp) {
		t.Errorf("%d ramp steps stand twice, want %d or more", far, len(l.Channels)*len(shortRamp))
	}
	// Strips: all channels left and right, over the same length along the feed.
	for _, c := range s.stripChannels() {
		var sides []string
		for _, st := range l.Strips {
			if st.Channel == c {
				side := "left"
				if st.X > l.SizeMM[0]/2 {
					side = "right"
				}
				sides = append(sides, side)
			}
			if st.Y != l.Strips[0].Y || st.H != l.Strips[0].H {
				t.Errorf("strip %s runs from %g for %g mm, others from %g for %g", st.ID, st.Y, st.H, l.Strips[0].Y, l.Strips[0].H)
			}
		}
		if !slices.Equal(sides, []string{"left", "right"}) {
			t.Errorf("channel %s has strips at %v, want left and right", c, sides)
		}
	}
	// Marks: corners, and along every side at most 40 mm apart; nothing in the margin, and
	// white around each mark.
	m := s.MarginMM + MarkDiameterMM/2
	for _, want := range [][2]float64{{m, m}, {s.SizeMM[0] - m, m}, {m, s.SizeMM[1] - m}, {s.SizeMM[0] - m, s.SizeMM[1] - m}} {
		if !slices.ContainsFunc(l.Marks, func(k Mark) bool { return math.Hypot(k.X-want[0], k.Y-want[1]) < 0.01 }) {
			t.Errorf("no mark in the corner (%g, %g)", want[0], want[1])
		}
	}
	clear := func(what string, x, y, w, h float64) {
		if x < s.MarginMM-eps || y < s.MarginMM-eps || x+w > s.SizeMM[0]-s.MarginMM+eps || y+h > s.SizeMM[1]-s.MarginMM+eps {
			t.Errorf("%s reaches into the margin", what)
		}
		for _, k := range l.Marks {
			dx := max(x-k.X, 0, k.X-x-w)
			dy := max(y-k.Y, 0, k.Y-y-h)
			if math.Hypot(dx, dy) < MarkDiameterMM/2+1 {
				t.Errorf("%s is %.2f mm from the centre of the mark at (%g, %g)", what, math.Hypot(dx, dy), k.X, k.Y)
			}
		}
	}
	for _, p := range l.Patches {
		clear("patch "+p.ID, p.X, p.Y, p.W, p.H)
	}
	for _, st := range l.Strips {
		clear("strip "+st.ID, st.X, st.Y, st.W, st.H)
	}
	clear("code", l.Code.X, l.Code.Y, l.Code.W, l.Code.W)
}

func TestNewIsDeterministic(t *testing.T) {
	a, err := New(step(6.35))
	if err != nil {
		t.Fatal(err)
	}
	b, _ := New(step(6.35))
	ja, _ := json.Marshal(a)
	jb, _ := json.Marshal(b)
	if string(ja) != string(jb) {
		t.Error("the same wish gave two layouts")
	}
	other := step(6.35)
	other.Seed = 1
	c, _ := New(other)
	if c.Edition == a.Edition {
		t.Error("another arrangement has the same edition")
	}
}

func TestEditionFollowsContent(t *testing.T) {
	a, err := New(step(6.35))
	if err != nil {
		t.Fatal(err)
	}
	was := a.Edition
	if err := a.SetEdition(); err != nil || a.Edition != was {
		t.Errorf("edition %s, then %s (%v)", was, a.Edition, err)
	}
	a.Patches[7].Device[0]++
	if _ = a.SetEdition(); a.Edition == was {
		t.Error("a changed device value left the edition")
	}
}

func TestHouseColoursHaveTwoPatches(t *testing.T) {
	l, err := New(step(6.35))
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, p := range l.Patches {
		if p.House == "pennant red" {
			n++
		}
	}
	if n != 2 {
		t.Errorf("%d patches of the house colour, want 2", n)
	}
}

func TestPatchRowsAreNotASimpleRatioOfTheStep(t *testing.T) {
	for _, mm := range []float64{2, 3.2, 4, 6.35, 8, 12.7, 16} {
		l, err := New(step(mm))
		if err != nil {
			t.Fatal(err)
		}
		r := l.Patches[0].H / mm
		for q := 1.0; q <= 3; q++ {
			if gap := math.Abs(q*r - math.Round(q*r)); gap < 0.02 {
				t.Errorf("step %g mm: rows of %g mm, %g rows are %.3f steps", mm, l.Patches[0].H, q, q*r)
			}
		}
	}
}

func TestWishesThatCannotBeMetAreNamed(t *testing.T) {
	red := []float64{5, 95, 85, 0}
	for _, c := range []struct {
		name, field string
		change      func(*Spec)
	}{
		{"id", "id", func(s *Spec) { s.ID = "Pennant CMYK" }},
		{"tiny sheet", "size_mm", func(s *Spec) { s.SizeMM = [2]float64{100, 100} }},
		{"huge sheet", "size_mm", func(s *Spec) { s.SizeMM = [2]float64{1e9, 100} }},
		{"NaN sheet", "size_mm", func(s *Spec) { s.SizeMM[0] = math.NaN() }},
		{"too many channels", "channels", func(s *Spec) { s.Channels = make([]string, 40) }},
		{"channel twice", "channels[1]", func(s *Spec) { s.Channels = []string{"C", "C"} }},
		{"driven", "driven", func(s *Spec) { s.Driven = "lab" }},
		{"five channels in RGB", "channels", func(s *Spec) { s.Driven = DrivenRGB; s.Channels = []string{"C", "M", "Y", "K", "O"} }},
		{"house without name", "house", func(s *Spec) { s.House = []House{{Device: []float64{0, 0, 0, 0}}} }},
		{"house over 100", "patches[0].device", func(s *Spec) { s.House = []House{{Name: "red", Device: []float64{0, 200, 0, 0}}} }},
		{"patch too small", "patch_mm", func(s *Spec) { s.PatchMM = 1 }},
		{"negative step", "step_mm", func(s *Spec) { s.StepMM = -1 }},
		{"step in metres", "step_mm", func(s *Spec) { s.StepMM = 0.00635 }},
		{"step in micrometres", "step_mm", func(s *Spec) { s.StepMM = 6350 }},
		{"passes", "passes", func(s *Spec) { s.Passes = 100000 }},
		{"house twice", "house", func(s *Spec) { s.House = []House{{"red", red}, {"red", red}} }},
	} {
		s := step(6.35)
		s.House = nil
		c.change(&s)
		_, err := New(s)
		var fe *FieldError
		if !errors.As(err, &fe) || fe.Field != c.field {
			t.Errorf("%s: %v, want an error about %s", c.name, err, c.field)
		}
	}
}
