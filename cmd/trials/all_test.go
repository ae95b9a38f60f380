package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// smallParts runs commands of the page in this process at small sizes.
func smallParts(ctx context.Context, args []string) error {
	small := map[string][]string{
		"colour":   {"--shops", "1", "--only", "weak"},
		"settings": {"--shops", "1"},
	}
	if small[args[0]] == nil {
		return nil // measured on a machine, or long even when small
	}
	root := &cobra.Command{Use: "trials", SilenceUsage: true}
	for _, t := range trials {
		root.AddCommand(t())
	}
	root.SetArgs(append(args, small[args[0]]...))
	root.SetOut(io.Discard)
	root.SetErr(io.Discard)
	return root.ExecuteContext(ctx)
}

// TestAllReproduces: what is simulated comes out the same to the last byte, plots and all.
func TestAllReproduces(t *testing.T) {
	if testing.Short() {
		t.Skip("some seconds")
	}
	t.Parallel()
	var runs [2]map[string][]byte
	for i := range runs {
		dir := t.TempDir()
		if err := runAll(t.Context(), io.Discard, filepath.Join(dir, "TRIALS.md"), nil, smallParts); err != nil {
			t.Fatal(err)
		}
		runs[i] = map[string][]byte{}
		for _, pattern := range []string{"*.md", "trials/*.png"} {
			names, err := filepath.Glob(filepath.Join(dir, pattern))
			if err != nil {
				t.Fatal(err)
			}
			for _, name := range names {
				if runs[i][filepath.Base(name)], err = os.ReadFile(name); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	if len(runs[0]) != 3 {
		t.Errorf("%d files, want the page and two plots", len(runs[0]))
	}
	for name, data := range runs[0] {
		if !bytes.Equal(data, runs[1][name]) {
			t.Errorf("%s differs from run to run", name)
		}
	}
}

// TestPageHoldsEveryGoal: the page in the repository has a figure for each goal of the sections it holds,
// and the table in short says what its tables say.
func TestPageHoldsEveryGoal(t *testing.T) {
	t.Parallel()
	page := filepath.Join("..", "..", "measure", "TRIALS.md")
	data, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	tables := pageTables(string(data))
	held := map[string]bool{}
	for _, tab := range tables {
		held[tab.section] = true
	}
	for _, g := range goals {
		if !held[g.section] {
			continue
		}
		if _, _, ok := g.worst(string(data), tables); !ok {
			t.Errorf("%s: %s, %s has no column %q with such rows", page, g.section, g.part, g.column)
		}
	}
	if again := withShort(string(data)); again != string(data) {
		t.Errorf("%s: its goals are not what its tables say; run `go run ./cmd/trials all --only short`", page)
	}
}

// TestInShort: the worst row counts, none is better than any number, and what is not there is left out.
func TestInShort(t *testing.T) {
	t.Parallel()
	body := "## Colour\n\n### In control\n\nWords.\n\n| world | baseline | strength sd, % | act | one in |\n|---|---|---|---|---|\n" +
		"| steady press | 10 | 0.5 | 0 | none |\n| steady press | 10 | 1 | 2 | 5000 |\n| varied physics | 10 | 2 | 3 | 476 |\n| varied physics | 3 | 2 | 0 | none |\n" +
		"## Lines\n\n### False alarms\n\n| alarms | rate |\n|---|---|\n| 13 | 1 in 769 |\n" +
		"\n" + (&speedResult{VerdictMS: 1.25, AlertP50MS: 3.1, AlertP99MS: 9, IdleMB: 35, Runs: []speedRun{
		{Name: "400 patches, sync-always", Readings: 1500, Ratio: 0.72, Ratios: []float64{0.72, 0.51, 0.93}},
		{Name: "400 patches + 8 traces, sync-always", Readings: 750, Ratio: 0.39, Ratios: []float64{0.39}},
		{Name: "400 patches, not sync", Readings: 1500, Ratio: 0.2, Ratios: []float64{0.2}},
	}}).table()
	got := inShort(body)
	for _, want := range []string{
		"7 met, 3 missed",
		"| Worker over a bare loop, patches only, waiting for the disk | 0.7 | 0.72 (0.51-0.93) | met |",
		"| The same with traces | 0.4 | 0.39 (0.39-0.39) | **missed** |",
		"| False `act`, steady press, baseline of 10: one reading in | 740 | 5000 | met |",
		"| False `act`, varied physics, baseline of 10, sd 2 %: one in | 740 | 476 | **missed** |",
		"baseline of 3, worst: one in | none | none | met |",
		"| One verdict on 400 patches and 8 traces, one core, ms | 1.0 | 1.25 | **missed** |",
		"| The same, 99 of 100, ms | 25 | 9.0 | met |",
		"| False alarms of lines: one reading in | 740 | 769 | met |",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
}
