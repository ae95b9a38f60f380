package main

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"swathkeeper/worker/bus"
	"swathkeeper/worker/retention"
)

// keepConfig says how long things are kept: 400d, 60w, 3y, or forever.
type keepConfig struct {
	Readings string `koanf:"readings"`
	Records  string `koanf:"records"`
}

// policy turns the settings into a policy; what is not set keeps its default.
func (k keepConfig) policy() (*retention.Policy, error) {
	p := retention.DefaultPolicy()
	for _, f := range []struct {
		name, text string
		to         *time.Duration
	}{{"readings", k.Readings, &p.Readings}, {"records", k.Records, &p.Records}} {
		if f.text == "" {
			continue
		}
		d, err := keepFor(f.text)
		if err != nil {
			return nil, usagef("keep.%s: %w", f.name, err)
		}
		*f.to = d
	}
	if err := p.Validate(); err != nil {
		return nil, usagef("keep: %w", err)
	}
	return &p, nil
}

// keepFor reads how long something is kept; 0 is for ever.
func keepFor(s string) (time.Duration, error) {
	text := strings.ToLower(strings.TrimSpace(s))
	if text == "forever" {
		return 0, nil
	}
	const day = 24 * time.Hour
	units := map[byte]time.Duration{'d': day, 'w': 7 * day, 'y': 365 * day}
	if len(text) > 1 {
		unit, ok := units[text[len(text)-1]]
		n, err := strconv.ParseUint(text[:len(text)-1], 10, 16)
		if ok && err == nil && n > 0 && n < 40_000 {
			return time.Duration(n) * unit, nil
		}
	}
	return 0, fmt.Errorf("%q is none of 400d, 60w, 3y and forever", s)
}

// keptFor tells how long things are kept, for doctor.
func keptFor(p *retention.Policy) string {
	days := func(d time.Duration) string {
		if d == 0 {
			return "for ever"
		}
		return fmt.Sprintf("%d days", d/(24*time.Hour))
	}
	return fmt.Sprintf("kept: readings %s, records %s, scans %s; journal and baselines for ever ([keep] in the settings)",
		days(p.Readings), days(p.Records), days(bus.ScanAge))
}
