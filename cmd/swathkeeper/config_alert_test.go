package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func configured(t *testing.T, toml string) (*config, error) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "swathkeeper.toml")
	if err := os.WriteFile(path, []byte(toml), 0o600); err != nil {
		t.Fatal(err)
	}
	c := newRun()
	addBusFlags(c)
	if err := c.ParseFlags([]string{"--config", path}); err != nil {
		t.Fatal(err)
	}
	return loadConfig(c)
}

func TestAlertSettings(t *testing.T) {
	cfg, err := configured(t, `
[alert]
remind = "12h"
closed_days = ["Saturday", "sunday"]
opens_at = "05:30"
[[alert.closed]]
from = "2026-08-01"
till = "2026-08-14"
[[alert.closed]]
from = "2026-09-01T12:00"
till = "2026-09-01T16:00"
printer = "heron"
[[alert.expect]]
site = "quay"
printer = "heron"
station = "bench-1"
every = "26h"
`)
	if err != nil {
		t.Fatal(err)
	}
	zone := time.FixedZone("shop", 3600)
	o, err := cfg.alertOptions(zone)
	if err != nil {
		t.Fatal(err)
	}
	if o.Remind != 12*time.Hour || len(o.ClosedDays) != 2 || o.OpensAt != 5*time.Hour+30*time.Minute || len(o.Closed) != 2 || len(o.Expect) != 1 {
		t.Fatalf("%+v", o)
	}
	if want := time.Date(2026, 8, 15, 0, 0, 0, 0, zone); !o.Closed[0].Till.Equal(want) {
		t.Errorf("closed till %v, want the end of its last day", o.Closed[0].Till)
	}
	if o.Closed[1].Printer != "heron" || o.Closed[1].Till.Sub(o.Closed[1].From) != 4*time.Hour || o.Expect[0].Every != 26*time.Hour {
		t.Errorf("%+v %+v", o.Closed[1], o.Expect[0])
	}
}

func TestWrongAlertSettingsAreNamed(t *testing.T) {
	for toml, want := range map[string]string{
		"[alert]\nclosed_days = [\"funday\"]":                                    "closed_days",
		"[alert]\nopens_at = \"6\"":                                              "opens_at",
		"[[alert.closed]]\nfrom = \"soon\"\ntill = \"2026-08-14\"":               "closed[0].from",
		"[[alert.closed]]\nfrom = \"2026-08-14\"\ntill = \"2026-08-01\"":         "Closed[0]",
		"[[alert.expect]]\nsite = \"quay\"\nprinter = \"heron\"\nevery = \"1s\"": "Expect[0]",
		"[alert]\nconfirm = 9":                                                   "Confirm",
	} {
		cfg, err := configured(t, toml)
		if err == nil {
			_, err = cfg.alertOptions(time.UTC)
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", toml, err)
		}
	}
}
