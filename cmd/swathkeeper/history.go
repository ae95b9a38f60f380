package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker/history"
)

func newHistory() *cobra.Command {
	var q history.Query
	var since, until string
	var asJSON bool
	c := &cobra.Command{
		Use:   "history",
		Short: "What happened: verdicts, alerts, journal entries, refusals, baselines",
		Example: `  swathkeeper history
  swathkeeper history --printer heron --since 7d
  swathkeeper history --changes --json`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			zone, err := cfg.location()
			if err != nil {
				return err
			}
			now := time.Now().In(zone)
			if q.Since, err = parseWhen(since, now); err != nil {
				return usagef("--since: %w", err)
			}
			if q.Until, err = parseWhen(until, now); err != nil {
				return usagef("--until: %w", err)
			}
			for flag, v := range map[string]string{"site": q.Site, "printer": q.Printer} {
				if v != "" {
					if err := needToken(flag, v); err != nil {
						return err
					}
				}
			}
			cl, err := connect(c)
			if err != nil {
				return err
			}
			defer cl.close()
			n := 0
			err = history.Read(c.Context(), cl.js, q, func(e history.Entry) error {
				n++
				if asJSON {
					return writeJSON(c, e.Record)
				}
				_, err := fmt.Fprintf(c.OutOrStdout(), "%s  %-8s  %s  %s\n", e.Record.At.In(zone).Format("2006-01-02 15:04"), e.Record.Kind, e.Record.Site, e.Record.Text)
				return err
			})
			if err == nil && n == 0 && !asJSON {
				fmt.Fprintln(c.ErrOrStderr(), "nothing yet")
			}
			return err
		},
	}
	f := c.Flags()
	f.StringVar(&q.Site, "site", "", "only this site")
	f.StringVar(&q.Printer, "printer", "", "only this printer")
	f.StringVar(&q.Kind, "kind", "", "only verdict, alert, refusal, journal or baseline")
	f.StringVar(&q.Advice, "advice", "", "only this advice, such as "+protocol.AdviceClean)
	f.StringVar(&q.Level, "level", "", "only this level or worse: note, act, stop")
	f.BoolVar(&q.Changes, "changes", false, "only what changed an alert")
	f.StringVar(&since, "since", "", "from then on: 2h, 7d, 2026-03-04 or 2026-03-04T07:12")
	f.StringVar(&until, "until", "", "up to then")
	f.IntVar(&q.Last, "last", 0, "only the last N")
	f.BoolVar(&asJSON, "json", false, "print one record a line as JSON")
	return c
}

// parseWhen reads a point in time: a length before now, or a date with or without a time, in now's
// zone.
func parseWhen(s string, now time.Time) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	var n float64
	var unit string
	if _, err := fmt.Sscanf(s, "%f%1s", &n, &unit); err == nil && len(s) <= 8 && n >= 0 {
		day := 24 * time.Hour
		if d, ok := map[string]time.Duration{"m": time.Minute, "h": time.Hour, "d": day, "w": 7 * day}[unit]; ok {
			return now.Add(-time.Duration(n * float64(d))), nil
		}
	}
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04", "2006-01-02 15:04", "2006-01-02"} {
		if t, err := time.ParseInLocation(layout, s, now.Location()); err == nil {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is neither a length such as 2h or 7d nor a date such as 2026-03-04", s)
}
