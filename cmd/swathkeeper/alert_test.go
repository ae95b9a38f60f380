package main

import (
	"testing"
	"time"
)

func TestLengths(t *testing.T) {
	for in, want := range map[string]time.Duration{
		"30m": 30 * time.Minute, "8h": 8 * time.Hour, "2d": 48 * time.Hour, "1w": 7 * 24 * time.Hour, "1.5h": 90 * time.Minute,
	} {
		if got, err := parseLength(in); err != nil || got != want {
			t.Errorf("%s: %v %v", in, got, err)
		}
	}
	for _, in := range []string{"", "8", "h", "-8h", "0h", "wed", "monday", "99w", "8 h", "1e9h", "NaNh", "2026-03-04"} {
		if got, err := parseLength(in); err == nil {
			t.Errorf("%q was taken for %v", in, got)
		}
	}
}

func TestAlertKeysOnTheCommandLine(t *testing.T) {
	for _, key := range []string{"quay/heron/clean_head/C", "quay/heron/*", "quay/heron/check_press/-"} {
		if n, err := alertNote(key); err != nil || n.Site != "quay" || n.Printer != "heron" {
			t.Errorf("%s: %+v %v", key, n, err)
		}
	}
	for _, key := range []string{"", "heron", "quay/heron", "quay/heron/clean_head", "quay/her on/clean_head/C", "*/*/*", "quay/*/clean_head/C", "a/b/c/d/e"} {
		if _, err := alertNote(key); err == nil {
			t.Errorf("%q was taken", key)
		}
	}
}
