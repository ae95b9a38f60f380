package zones

import (
	"errors"
	"testing"
	"time"
	_ "time/tzdata"
)

func load(t *testing.T, name string) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// The days on which clocks change. Source: IANA time zone database, tzdata 2025b: Europe/Paris goes
// to summer time on 2026-03-29 at 01:00 UTC and back on 2026-10-25 at 01:00 UTC, America/New_York
// back on 2026-11-01 at 06:00 UTC, Australia/Lord_Howe back by half an hour on 2026-04-04 at 15:00
// UTC.
func TestStamp(t *testing.T) {
	for _, c := range []struct{ zone, at, want string }{
		{"Europe/Paris", "2026-03-29T00:59:00Z", "2026-03-29 01:59"},
		{"Europe/Paris", "2026-03-29T01:00:00Z", "2026-03-29 03:00"},
		{"Europe/Paris", "2026-10-24T23:59:00Z", "2026-10-25 01:59"},
		{"Europe/Paris", "2026-10-25T00:00:00Z", "2026-10-25 02:00 CEST"},
		{"Europe/Paris", "2026-10-25T00:59:59Z", "2026-10-25 02:59 CEST"},
		{"Europe/Paris", "2026-10-25T01:00:00Z", "2026-10-25 02:00 CET"},
		{"Europe/Paris", "2026-10-25T01:59:00Z", "2026-10-25 02:59 CET"},
		{"Europe/Paris", "2026-10-25T02:00:00Z", "2026-10-25 03:00"},
		{"America/New_York", "2026-11-01T05:30:00Z", "2026-11-01 01:30 EDT"},
		{"America/New_York", "2026-11-01T06:30:00Z", "2026-11-01 01:30 EST"},
		{"America/New_York", "2026-11-01T07:00:00Z", "2026-11-01 02:00"},
		{"Australia/Lord_Howe", "2026-04-04T14:29:00Z", "2026-04-05 01:29"},
		{"Australia/Lord_Howe", "2026-04-04T14:30:00Z", "2026-04-05 01:30 +11"},
		{"Australia/Lord_Howe", "2026-04-04T15:29:00Z", "2026-04-05 01:59 +1030"},
		{"Australia/Lord_Howe", "2026-04-04T15:30:00Z", "2026-04-05 02:00"},
		{"Asia/Kolkata", "2026-10-25T01:00:00Z", "2026-10-25 06:30"},
		{"UTC", "2026-10-25T01:00:00Z", "2026-10-25 01:00"},
	} {
		at, err := time.Parse(time.RFC3339, c.at)
		if err != nil {
			t.Fatal(err)
		}
		if got := Stamp(at, load(t, c.zone), "2006-01-02 15:04"); got != c.want {
			t.Errorf("%s in %s: %q, want %q", c.at, c.zone, got, c.want)
		}
	}
	// Seconds just before a change are still of the hour that comes twice.
	at := time.Date(2026, 10, 25, 0, 59, 59, 999, time.UTC)
	if got := Stamp(at, load(t, "Europe/Paris"), "15:04"); got != "02:59 CEST" {
		t.Error(got)
	}
}

func TestName(t *testing.T) {
	for zone, want := range map[*time.Location]string{
		nil: "", load(t, "Europe/Paris"): "Europe/Paris", time.UTC: "UTC", time.FixedZone("", 3600): "", time.FixedZone("UTC+1", 3600): "",
	} {
		if got := Name(zone); got != want {
			t.Errorf("%v: %q, want %q", zone, got, want)
		}
	}
	none := func(string) (string, error) { return "", errors.New("no link") }
	link := func(to string) func(string) (string, error) {
		return func(string) (string, error) { return to, nil }
	}
	for _, c := range []struct {
		tz   string
		link func(string) (string, error)
		want string
	}{
		{"America/New_York", none, "America/New_York"},
		{":Europe/Paris", link("/usr/share/zoneinfo/UTC"), "Europe/Paris"},
		{"", link("/usr/share/zoneinfo/Europe/Lisbon"), "Europe/Lisbon"},
		{"", link("../usr/share/zoneinfo/Asia/Tokyo"), "Asia/Tokyo"},
		{"", link("/var/db/timezone/zoneinfo/Europe/Rome"), "Europe/Rome"},
		{"", none, ""},
		{"", link("/etc/myzone"), ""},
	} {
		got := machine(func(string) string { return c.tz }, c.link)
		if got != c.want {
			t.Errorf("TZ %q: %q, want %q", c.tz, got, c.want)
		}
	}
}
