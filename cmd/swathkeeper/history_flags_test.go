package main

import (
	"bytes"
	"strings"
	"testing"
)

// TestHistoryFilters: a misspelt filter is a wrong command line, not an empty history or a crash.
func TestHistoryFilters(t *testing.T) {
	for _, args := range [][]string{
		{"--kind", "verdicts"}, {"--level", "high"}, {"--advice", "clean"}, {"--last", "-3"}, {"--since", "xx"}, {"--site", "a.b"}, {"--printer", ""}, {"--since", ""}, {"--parquet", ""}, {"--zone", ""},
	} {
		var out, errs bytes.Buffer
		full := append([]string{"history", "--data", t.TempDir()}, args...)
		if got := run(strings.NewReader(""), &out, &errs, full); got != exitUsage || !strings.Contains(errs.String(), args[0]) {
			t.Errorf("%v: exit status %d, %q", args, got, errs.String())
		}
	}
}

// TestRunRefusesSettings: a setting that cannot be is a wrong command line.
func TestRunRefusesSettings(t *testing.T) {
	t.Setenv("SWATHKEEPER_TOLERANCE__MEAN_DE00", "-1")
	var out, errs bytes.Buffer
	if got := run(strings.NewReader(""), &out, &errs, []string{"run", "--data", t.TempDir(), "--listen", "127.0.0.1:0"}); got != exitUsage || !strings.Contains(errs.String(), "mean_de00") {
		t.Errorf("exit status %d, %q", got, errs.String())
	}
}
