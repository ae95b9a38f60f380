package pair_test

import (
	"bufio"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"swathkeeper/measure/pair"
)

// fogra reads the 1,617 patches of a published characterisation file: id, C,
// M, Y, K, X, Y, Z, L, a, b in each line (testdata/charts/SOURCES.md).
func fogra(t *testing.T, name string) pair.Side {
	t.Helper()
	f, err := os.Open("../../testdata/charts/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	s := pair.Side{Label: name, Channels: []string{"C", "M", "Y", "K"}}
	for in := bufio.NewScanner(f); in.Scan(); {
		w := strings.Fields(in.Text())
		if len(w) != 11 {
			continue
		}
		if _, err := strconv.Atoi(w[0]); err != nil {
			continue
		}
		v := make([]float64, 10)
		for i := range v {
			if v[i], err = strconv.ParseFloat(w[i+1], 64); err != nil {
				t.Fatal(err)
			}
		}
		s.ID = append(s.ID, w[0])
		s.Device = append(s.Device, v[:4])
		s.Lab = append(s.Lab, [3]float64{v[7], v[8], v[9]})
	}
	if len(s.ID) != 1617 {
		t.Fatalf("%d patches in %s", len(s.ID), name)
	}
	return s
}

func TestByID(t *testing.T) {
	a, b := fogra(t, "FOGRA39L.txt"), fogra(t, "TR006.txt")
	r, err := pair.Match(a, b, pair.Options{})
	if err != nil || r.By != pair.ByID || len(r.A) != 1617 || len(r.Warnings) != 0 {
		t.Fatalf("%d pairs by %s, %v, %q", len(r.A), r.By, err, r.Warnings)
	}
}

// turn renumbers ids that run across the rows so that they run down the
// columns: the trap.
func turn(s pair.Side, rows int) pair.Side {
	cols := len(s.ID) / rows
	ids := make([]string, len(s.ID))
	for k := range ids {
		ids[k] = strconv.Itoa(1 + k%cols*rows + k/cols)
	}
	s.ID = ids
	return s
}

func means(s pair.Side) (m [3]float64) {
	for _, v := range s.Lab {
		for k := range m {
			m[k] += v[k] / float64(len(s.Lab))
		}
	}
	return m
}

func meanDE(a, b pair.Side, ia, ib []int) float64 {
	sum := 0.0
	for i := range ia {
		x, y := a.Lab[ia[i]], b.Lab[ib[i]]
		sum += math.Sqrt((x[0]-y[0])*(x[0]-y[0]) + (x[1]-y[1])*(x[1]-y[1]) + (x[2]-y[2])*(x[2]-y[2]))
	}
	return sum / float64(len(ia))
}

// TestDownAndAcross is the classic trap: ids down in one file and across in
// the other. The mean colour is the same, so that a difference of means shows
// nothing; the pairs by id are all wrong.
func TestDownAndAcross(t *testing.T) {
	a := fogra(t, "FOGRA39L.txt")
	b := turn(fogra(t, "TR006.txt"), 21)
	right, err := pair.Match(a, fogra(t, "TR006.txt"), pair.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := means(b), means(fogra(t, "TR006.txt")); got != want {
		t.Fatalf("the means differ: %v, %v", got, want)
	}
	wrong, err := pair.Match(a, b, pair.Options{By: pair.ByID})
	if err != nil || meanDE(a, b, wrong.A, wrong.B) < 30 || len(wrong.Warnings) == 0 {
		t.Fatalf("by id as asked: %v, mean %.1f, warnings %q", err, meanDE(a, b, wrong.A, wrong.B), wrong.Warnings)
	}

	t.Run("with device values it is paired rightly", func(t *testing.T) {
		r, err := pair.Match(a, b, pair.Options{})
		if err != nil || r.By != pair.ByDevice {
			t.Fatalf("by %s, %v", r.By, err)
		}
		if !strings.Contains(strings.Join(r.Warnings, "\n"), "down in one file and across in the other (21 by 77)") {
			t.Errorf("warnings %q", r.Warnings)
		}
		// The ids were only renumbered: patch i is still in line i, except
		// among patches of equal device values.
		for i := range r.A {
			for k := range a.Device[r.A[i]] {
				if a.Device[r.A[i]][k] != b.Device[r.B[i]][k] {
					t.Fatalf("pair %d: %v with %v", i, a.Device[r.A[i]], b.Device[r.B[i]])
				}
			}
		}
		if len(r.A) < 1300 || math.Abs(meanDE(a, b, r.A, r.B)-meanDE(a, b, right.A, right.B)) > 0.1 {
			t.Errorf("%d pairs, mean %.3f, rightly %.3f", len(r.A), meanDE(a, b, r.A, r.B), meanDE(a, b, right.A, right.B))
		}
		if len(r.A)+len(r.OnlyA) != 1617 || len(r.A)+len(r.OnlyB) != 1617 {
			t.Errorf("%d pairs, %d and %d alone", len(r.A), len(r.OnlyA), len(r.OnlyB))
		}
	})
	t.Run("without them it is refused", func(t *testing.T) {
		a, b := a, b
		a.Device, b.Device = nil, nil
		_, err := pair.Match(a, b, pair.Options{})
		if !errors.Is(err, pair.ErrNone) || !strings.Contains(err.Error(), "down in one file and across in the other (21 by 77)") {
			t.Fatal(err)
		}
	})
	t.Run("position must be asked for", func(t *testing.T) {
		a, b := a, b
		a.Device, b.Device = nil, nil
		r, err := pair.Match(a, b, pair.Options{By: pair.ByPosition})
		if err != nil || len(r.A) != 1617 || len(r.Warnings) != 1 {
			t.Fatalf("%v, %q", err, r.Warnings)
		}
	})
}

// TestLettersAndNumbers is the same trap with ids of letter and number.
func TestLettersAndNumbers(t *testing.T) {
	full := fogra(t, "FOGRA39L.txt")
	const n = 10
	var a, b pair.Side
	for row := range n {
		for col := range n {
			k := row*n + col
			a.ID = append(a.ID, string(rune('A'+row))+strconv.Itoa(col+1))
			b.ID = append(b.ID, string(rune('A'+col))+strconv.Itoa(row+1))
			a.Lab, b.Lab = append(a.Lab, full.Lab[k]), append(b.Lab, full.Lab[k])
			a.Device, b.Device = append(a.Device, full.Device[k]), append(b.Device, full.Device[k])
		}
	}
	r, err := pair.Match(a, b, pair.Options{})
	if err != nil || r.By != pair.ByDevice || !strings.Contains(strings.Join(r.Warnings, ""), "letters of the ids are rows in one") {
		t.Errorf("by %s, %v, %q", r.By, err, r.Warnings)
	}
	for i := range r.A {
		if r.A[i] != r.B[i] {
			t.Fatalf("patch %d with %d", r.A[i], r.B[i])
		}
	}
	a.Device, b.Device = nil, nil
	if _, err := pair.Match(a, b, pair.Options{}); !errors.Is(err, pair.ErrNone) || !strings.Contains(err.Error(), "letters of the ids") {
		t.Error(err)
	}
}

// TestWays takes small cases one by one.
func TestWays(t *testing.T) {
	ids := func(s string) []string { return strings.Fields(s) }
	dev := func(v ...float64) (out [][]float64) {
		for _, x := range v {
			out = append(out, []float64{x})
		}
		return out
	}
	k := []string{"K"}
	for _, c := range []struct {
		name    string
		a, b    pair.Side
		by      string // asked for
		want    string // way; empty: refused
		pairs   string // of positions
		message string // in a warning or the error
	}{
		{name: "ids in another order", a: pair.Side{ID: ids("1 2 3")}, b: pair.Side{ID: ids("3 1 2")}, want: "id", pairs: "01 12 20"},
		{name: "ids written differently", a: pair.Side{ID: ids("A01 A02 A10")}, b: pair.Side{ID: ids("a1 a2 a10")}, want: "id", pairs: "00 11 22", message: "written differently"},
		{name: "a patch is missing", a: pair.Side{ID: ids("1 2 3")}, b: pair.Side{ID: ids("1 3")}, want: "id", pairs: "00 21", message: "1 of 3 patches"},
		{name: "nothing in common", a: pair.Side{ID: ids("1 2 3")}, b: pair.Side{ID: ids("x y z")}, message: "by position"},
		{name: "names", a: pair.Side{ID: ids("1 2 3"), Name: ids("A1 A2 A3")}, b: pair.Side{ID: ids("x y z"), Name: ids("A3 A2 A1")}, want: "name", pairs: "02 11 20", message: "paired by name"},
		{name: "names are the other's ids", a: pair.Side{ID: ids("1 2 3"), Name: ids("A1 A2 A3")}, b: pair.Side{ID: ids("A3 A2 A1")}, want: "name", pairs: "02 11 20", message: "are the ids of"},
		{name: "device values", a: pair.Side{ID: ids("1 2 3"), Device: dev(0, 50, 100), Channels: k}, b: pair.Side{ID: ids("x y z"), Device: dev(100, 0, 50), Channels: k}, want: "device", pairs: "01 12 20", message: "paired by device values"},
		{name: "device values, rounded", a: pair.Side{ID: ids("1 2 3"), Device: dev(0, 50.2, 100), Channels: k}, b: pair.Side{ID: ids("1 2 3"), Device: dev(0, 50, 100), Channels: k}, want: "id", pairs: "00 11 22"},
		{name: "device values that stand twice", a: pair.Side{ID: ids("1 2 3 4 5"), Device: dev(0, 0, 50, 70, 100), Channels: k}, b: pair.Side{ID: ids("v w x y z"), Device: dev(100, 0, 0, 50, 70), Channels: k}, want: "device", pairs: "23 34 40", message: "2 patches share their device values"},
		{name: "ids agree, device values do not", a: pair.Side{ID: ids("1 2 3"), Device: dev(0, 50, 100), Channels: k}, b: pair.Side{ID: ids("1 2 3"), Device: dev(10, 20, 30), Channels: k}, message: "are these two charts"},
		{name: "other channels", a: pair.Side{ID: ids("1 2 3"), Device: dev(0, 50, 100), Channels: k}, b: pair.Side{ID: ids("1 2 3"), Device: dev(0, 50, 100), Channels: []string{"C"}}, want: "id", pairs: "00 11 22", message: "not compared"},
		{name: "position", a: pair.Side{ID: ids("1 2 3")}, b: pair.Side{ID: ids("x y z")}, by: "position", want: "position", pairs: "00 11 22", message: "0 of 3 ids agree"},
		{name: "position, other device values", a: pair.Side{ID: ids("1 2"), Device: dev(0, 50), Channels: k}, b: pair.Side{ID: ids("1 2"), Device: dev(50, 0), Channels: k}, by: "position", message: "2 of 2 patches have other device values"},
		{name: "position, other number", a: pair.Side{ID: ids("1 2 3")}, b: pair.Side{ID: ids("1 2")}, by: "position", message: "as many patches"},
		{name: "device asked for, none there", a: pair.Side{ID: ids("1 2")}, b: pair.Side{ID: ids("1 2")}, by: "device", message: "do not both have device values"},
		{name: "an unknown way", a: pair.Side{ID: ids("1")}, b: pair.Side{ID: ids("1")}, by: "colour", message: "not known"},
		{name: "no patches", a: pair.Side{}, b: pair.Side{ID: ids("1")}, message: "no patches"},
		{name: "an id twice", a: pair.Side{ID: ids("1 1")}, b: pair.Side{ID: ids("1")}, message: "stands twice"},
		{name: "lists of other length", a: pair.Side{ID: ids("1 2"), Lab: make([][3]float64, 1)}, b: pair.Side{ID: ids("1")}, message: "different length"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := pair.Match(c.a, c.b, pair.Options{By: c.by})
			said := strings.Join(r.Warnings, "\n")
			if err != nil {
				said = err.Error()
			}
			if (err == nil) != (c.want != "") || r.By != c.want {
				t.Fatalf("by %q, %v", r.By, err)
			}
			if !strings.Contains(said, c.message) || c.message == "" && said != "" {
				t.Errorf("said %q, want %q", said, c.message)
			}
			var pairs []string
			for i := range r.A {
				pairs = append(pairs, strconv.Itoa(r.A[i])+strconv.Itoa(r.B[i]))
			}
			if got := strings.Join(pairs, " "); got != c.pairs {
				t.Errorf("pairs %s, want %s", got, c.pairs)
			}
		})
	}
}

// TestAnyPairing holds for whatever comes in: no patch is used twice, none is
// lost, and a pairing by device values pairs equal values only.
func TestAnyPairing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		side := func(label string) pair.Side {
			s := pair.Side{Label: label, Channels: []string{"K"}}
			s.ID = rapid.SliceOfNDistinct(rapid.StringMatching(`[A-C]?[0-9]{1,2}`), 1, 30, rapid.ID[string]).Draw(t, label)
			if rapid.Bool().Draw(t, label+" device") {
				for range s.ID {
					s.Device = append(s.Device, []float64{float64(rapid.IntRange(0, 20).Draw(t, "tint")) * 5})
				}
			}
			return s
		}
		a, b := side("a"), side("b")
		r, err := pair.Match(a, b, pair.Options{By: rapid.SampledFrom([]string{"", "id", "name", "device", "position"}).Draw(t, "by")})
		if err != nil {
			if len(r.A) > 0 {
				t.Fatal("pairs beside an error")
			}
			return
		}
		ua, ub := map[int]bool{}, map[int]bool{}
		for i := range r.A {
			if ua[r.A[i]] || ub[r.B[i]] {
				t.Fatal("a patch is used twice")
			}
			ua[r.A[i]], ub[r.B[i]] = true, true
			if r.By == pair.ByDevice && a.Device[r.A[i]][0] != b.Device[r.B[i]][0] {
				t.Fatal("other device values")
			}
		}
		if r.By != pair.ByPosition && (len(r.A)+len(r.OnlyA) != len(a.ID) || len(r.B)+len(r.OnlyB) != len(b.ID)) {
			t.Fatal("a patch is lost")
		}
	})
}

func BenchmarkMatch1617(b *testing.B) {
	var s pair.Side
	for i := range 1617 {
		s.ID = append(s.ID, strconv.Itoa(i+1))
		s.Device = append(s.Device, []float64{float64(i % 11 * 10), float64(i / 11 % 11 * 10), float64(i / 121 * 7), 0})
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := pair.Match(s, s, pair.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
