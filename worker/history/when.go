package history

import (
	"fmt"
	"strings"
	"time"
)

// ParseWhen reads a point in time as people write it, in now's zone: a length before now (30m, 2h,
// 7d, 2w), today, yesterday, the name of a weekday (its last beginning, today's included), or a date
// with or without a time of day. Days begin at the zone's midnight, also where clocks change: 1d is
// the same time of day yesterday. An empty text is the zero time.
func ParseWhen(s string, now time.Time) (time.Time, error) {
	text := strings.ToLower(strings.TrimSpace(s))
	if text == "" {
		return time.Time{}, nil
	}
	midnight := time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, now.Location())
	switch text {
	case "now":
		return now, nil
	case "today":
		return midnight, nil
	case "yesterday":
		return midnight.AddDate(0, 0, -1), nil
	}
	for d := time.Sunday; d <= time.Saturday; d++ {
		if name := strings.ToLower(d.String()); text == name || text == name[:3] {
			return midnight.AddDate(0, 0, -int((now.Weekday()-d+7)%7)), nil
		}
	}
	if t, ok := before(text, now); ok {
		return t, nil
	}
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02 15:04", "2006-01-02"} {
		if t, err := time.ParseInLocation(layout, strings.ToUpper(text), now.Location()); err == nil {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is neither a length such as 2h or 7d, nor a day such as monday or yesterday, nor a date such as 2026-03-04", s)
}

// before reads a length before now; NaN is none.
func before(text string, now time.Time) (time.Time, bool) {
	var n float64
	var unit, rest string
	if k, _ := fmt.Sscanf(text, "%f%1s%s", &n, &unit, &rest); k != 2 || !(n >= 0 && n <= 100_000) {
		return time.Time{}, false
	}
	whole := n == float64(int(n))
	switch unit {
	case "m":
		return now.Add(-time.Duration(n * float64(time.Minute))), true
	case "h":
		return now.Add(-time.Duration(n * float64(time.Hour))), true
	case "d", "w":
		if unit == "w" {
			n *= 7
		}
		if whole {
			return now.AddDate(0, 0, -int(n)), true
		}
		return now.Add(-time.Duration(n * float64(24*time.Hour))), true
	}
	return time.Time{}, false
}
