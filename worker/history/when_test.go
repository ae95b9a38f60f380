package history_test

import (
	"testing"
	"time"

	"swathkeeper/worker/history"
)

func TestParseWhen(t *testing.T) {
	paris, err := time.LoadLocation("Europe/Paris")
	if err != nil {
		t.Skip(err)
	}
	// Monday; the clocks went from 2:00 to 3:00 the day before. Source: IANA time zone database.
	now := time.Date(2026, 3, 30, 9, 30, 0, 0, paris)
	for in, want := range map[string]string{
		"":                     "0001-01-01T00:00:00Z",
		"2h":                   "2026-03-30T07:30:00+02:00",
		"90m":                  "2026-03-30T08:00:00+02:00",
		"1d":                   "2026-03-29T09:30:00+02:00",
		"2d":                   "2026-03-28T09:30:00+01:00", // the same time of day, one hour more ago
		"1w":                   "2026-03-23T09:30:00+01:00",
		"0.5d":                 "2026-03-29T21:30:00+02:00",
		"today":                "2026-03-30T00:00:00+02:00",
		"yesterday":            "2026-03-29T00:00:00+01:00",
		"Monday":               "2026-03-30T00:00:00+02:00",
		"tue":                  "2026-03-24T00:00:00+01:00",
		"sunday":               "2026-03-29T00:00:00+01:00",
		"2026-03-04":           "2026-03-04T00:00:00+01:00",
		"2026-03-04 07:12":     "2026-03-04T07:12:00+01:00",
		"2026-03-04T07:12":     "2026-03-04T07:12:00+01:00",
		"2026-03-04T07:12:00Z": "2026-03-04T07:12:00Z",
	} {
		got, err := history.ParseWhen(in, now)
		if err != nil {
			t.Errorf("%q: %v", in, err)
			continue
		}
		if text := got.Format(time.RFC3339); text != want {
			t.Errorf("%q: got %s, want %s", in, text, want)
		}
	}
	for _, in := range []string{"soon", "7x", "-3d", "2026-02-31", "2h30", "NaNd", "1e300d", "d"} {
		if got, err := history.ParseWhen(in, now); err == nil {
			t.Errorf("%q: got %s, want an error", in, got)
		}
	}
}
