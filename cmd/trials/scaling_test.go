package main

import (
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestScaling: every part of the trial runs at a small size, its tables are full, and the page and its
// plots are written. Times are not looked at.
func TestScaling(t *testing.T) {
	if testing.Short() {
		t.Skip("some seconds")
	}
	t.Chdir(t.TempDir())
	res, err := runScaling(t.Context(), io.Discard, scalingOptions{Patches: []int{50, 60}, Strips: []int{0, 1, 2}, Series: []int{1, 3}, Printers: []int{1, 4}, History: []int{100, 2000}, Visits: 6, Chart: 60})
	if err != nil {
		t.Fatal(err)
	}
	for _, tab := range res.Tables {
		if len(tab.X) < 2 {
			t.Errorf("%s: %d lines", tab.Name, len(tab.X))
		}
		for i, row := range tab.Y {
			if len(row) != len(tab.Cols) {
				t.Fatalf("%s: %d figures for %d columns", tab.Name, len(row), len(tab.Cols))
			}
			for k, v := range row {
				if math.IsNaN(v) || v <= 0 && tab.Cols[k].Name != "memory, MB" && tab.Cols[k].Name != "first reading, ms" {
					t.Errorf("%s at %g: %s is %g", tab.Name, tab.X[i], tab.Cols[k].Name, v)
				}
			}
		}
	}
	// A reading of spectra is larger than one of colours, and one with strips larger still; the record of
	// each is not.
	if len(res.Stored) != 3 || res.Stored[1].Inbox < 3*res.Stored[0].Inbox || res.Stored[2].Inbox < 5*res.Stored[0].Inbox || res.Stored[2].Record > 2*res.Stored[0].Record {
		t.Errorf("stored: %+v", res.Stored)
	}
	page, err := scalingPage(res, "plots")
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(page, "NaN") || strings.Contains(page, "%!") {
		t.Errorf("the page says\n%s", page)
	}
	for _, tab := range res.Tables {
		if st, err := os.Stat(filepath.Join("plots", "scaling-"+tab.Name+".png")); err != nil || st.Size() < 5000 {
			t.Errorf("plot of %s: %v", tab.Name, err)
		}
	}
	left, err := filepath.Glob(".scaling-*")
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v %v", left, err)
	}
}

// TestPower: known curves have their powers.
func TestPower(t *testing.T) {
	t.Parallel()
	tab := &scaleTable{Cols: []scaleCol{{Name: "square"}, {Name: "level"}, {Name: "line"}}}
	for _, x := range []int{0, 1, 10, 100} {
		f := float64(x)
		tab.add(x, f*f, 7, 3*f)
	}
	for name, want := range map[string]float64{"square": 2, "level": 0, "line": 1} {
		if got := tab.power(name, 10); math.Abs(got-want) > 1e-9 {
			t.Errorf("%s: power %g, want %g", name, got, want)
		}
	}
}
