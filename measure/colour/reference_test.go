package colour

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// reference is where the published values lie; SOURCES.md there names each one's origin.
const reference = "../../testdata/reference/"

// A table is a reference CSV: comments dropped, cells by column name.
type table struct {
	columns map[string]int
	rows    [][]string
}

func readTable(t testing.TB, name string) table {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(reference, name))
	if err != nil {
		t.Fatal(err)
	}
	tab := table{}
	for line := range strings.Lines(string(data)) {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		cells := strings.Split(line, ",")
		if tab.columns == nil {
			tab.columns = map[string]int{}
			for i, c := range cells {
				tab.columns[c] = i
			}
			continue
		}
		tab.rows = append(tab.rows, cells)
	}
	if len(tab.rows) == 0 {
		t.Fatalf("%s: no rows", name)
	}
	return tab
}

func (tab table) text(row []string, column string) string { return row[tab.columns[column]] }

// number returns a cell, and NaN where it is empty.
func (tab table) number(t testing.TB, row []string, column string) float64 {
	t.Helper()
	i, ok := tab.columns[column]
	if !ok {
		t.Fatalf("no column %q", column)
	}
	if row[i] == "" {
		return math.NaN()
	}
	v, err := strconv.ParseFloat(row[i], 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func (tab table) numbers(t testing.TB, row []string, columns ...string) []float64 {
	t.Helper()
	out := make([]float64, len(columns))
	for i, c := range columns {
		out[i] = tab.number(t, row, c)
	}
	return out
}

func (tab table) lab(t testing.TB, row []string, l, a, b string) Lab {
	t.Helper()
	v := tab.numbers(t, row, l, a, b)
	return Lab{v[0], v[1], v[2]}
}

// spectra returns each named column of a table of spectra.
func spectra(t testing.TB, name string) (nm []float64, byName map[string][]float64) {
	t.Helper()
	tab := readTable(t, name)
	byName = map[string][]float64{}
	for _, row := range tab.rows {
		nm = append(nm, tab.number(t, row, "nm"))
		for c := range tab.columns {
			if c != "nm" {
				byName[c] = append(byName[c], tab.number(t, row, c))
			}
		}
	}
	return nm, byName
}

func readJSON(t testing.TB, name string, into any) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(reference, name))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, into); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
}

func near(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.8g, want %.8g within %g", what, got, want, tolerance)
	}
}

func nearXYZ(t testing.TB, what string, got, want XYZ, tolerance float64) {
	t.Helper()
	near(t, what+" X", got.X, want.X, tolerance)
	near(t, what+" Y", got.Y, want.Y, tolerance)
	near(t, what+" Z", got.Z, want.Z, tolerance)
}

func nearLab(t testing.TB, what string, got, want Lab, tolerance float64) {
	t.Helper()
	near(t, what+" L", got.L, want.L, tolerance)
	near(t, what+" a", got.A, want.A, tolerance)
	near(t, what+" b", got.B, want.B, tolerance)
}

func mustWeights(t testing.TB, i Illuminant, start, step float64, n int) *Weights {
	t.Helper()
	w, err := NewWeights(i, start, step, n)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// every keeps each k-th value.
func every(v []float64, k int) []float64 {
	var out []float64
	for i := 0; i < len(v); i += k {
		out = append(out, v[i])
	}
	return out
}
