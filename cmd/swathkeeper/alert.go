package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker/alert"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/chat"
	"swathkeeper/worker/history"
	"swathkeeper/worker/zones"
)

func init() { extra = append(extra, newAlert) }

func newAlert() *cobra.Command {
	c := &cobra.Command{
		Use:   "alert",
		Short: "List open alerts, hold one for a while, close one",
		Args:  cobra.NoArgs,
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newAlertList(), newAlertHold(), newAlertClose())
	return c
}

// lastRecords reads each printer's newest record, which holds what is open. Empty names match all.
func lastRecords(ctx context.Context, cl *client, site, printer string) ([]*protocol.Record, error) {
	records, err := bus.OpenRecords(ctx, cl.js)
	if err != nil {
		return nil, cl.explain(err)
	}
	printers, err := records.Printers(ctx)
	if err != nil {
		return nil, cl.explain(err)
	}
	var out []*protocol.Record
	for _, p := range printers {
		if (site != "" && p[0] != site) || (printer != "" && p[1] != printer) {
			continue
		}
		last, err := records.Last(ctx, protocol.PrinterRecords(p[0], p[1]))
		if err != nil {
			return nil, cl.explain(err)
		}
		if last != nil && last.Record != nil {
			out = append(out, last.Record)
		}
	}
	return out, nil
}

func newAlertList() *cobra.Command {
	var site, printer string
	var asJSON bool
	c := &cobra.Command{
		Use:   "list",
		Short: "List open alerts, with what to do and what to mind",
		Example: `  swathkeeper alert list
  swathkeeper alert list --printer heron --json`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cl, zone, err := lookAt(c, site, printer)
			if err != nil {
				return err
			}
			defer cl.close()
			last, err := lastRecords(cl.ctx, cl, site, printer)
			if last, err = found(cl, site, printer, last, err); err != nil {
				return err
			}
			var open []protocol.Alert
			for _, r := range last {
				open = append(open, r.Open...)
			}
			if asJSON {
				if open == nil {
					open = []protocol.Alert{}
				}
				return writeJSON(c, open)
			}
			for _, r := range last {
				if time.Now().Before(r.HeldUntil) {
					fmt.Fprintf(c.OutOrStdout(), "%s/%s: on hold until %s; nothing new is told but a stop\n", r.Site, r.Printer, zones.Stamp(r.HeldUntil, zone, stampLayout))
				}
			}
			if len(open) == 0 {
				_, err := fmt.Fprintln(c.OutOrStdout(), "nothing is open")
				return err
			}
			for i, a := range open {
				if i > 0 {
					fmt.Fprintln(c.OutOrStdout())
				}
				printAlert(page(c, zone), a)
			}
			return nil
		},
	}
	addWhich(c.Flags(), &site, &printer)
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func printAlert(s *history.Screen, a protocol.Alert) {
	when := func(t time.Time) string { return zones.Stamp(t, s.Zone, stampLayout) }
	tell := func(format string, args ...any) {
		fmt.Fprint(s.Out, s.Paragraph("  ", fmt.Sprintf(format, args...)))
	}
	fmt.Fprintln(s.Out, a.Key)
	tell("%s: %s, since %s", a.Level, chat.Cause(a), when(a.Since))
	if a.Held {
		tell("on hold until %s", when(a.HeldTill))
	}
	if a.Why != "" {
		tell("seen: %s", chat.OneLine(a.Why))
	}
	if a.LastGood != nil && a.Advice != protocol.AdviceSilent {
		tell("suspect: everything printed since %s", when(a.LastGood.At))
	}
	p := alert.PlanOf(a)
	for i, step := range p.Steps {
		tell("%d. %s", i+1, step)
	}
	for _, c := range p.Cautions {
		tell("care: %s", c)
	}
}

// alertFlags are what every note about an alert needs beside its key.
type alertFlags struct {
	why, who string
	asJSON   bool
}

func (f *alertFlags) add(c *cobra.Command) {
	c.Flags().StringVar(&f.why, "why", "", "why")
	c.Flags().StringVar(&f.who, "who", "", whoFlag)
	c.Flags().BoolVar(&f.asJSON, "json", false, recordFlag)
}

// send sends a note about what is open; fill says what to do with it. The key names the printer.
func (f *alertFlags) send(c *cobra.Command, key string, fill func(n *protocol.Note) error) error {
	n, err := alertNote(key)
	if err != nil {
		return err
	}
	n.Who = cmp.Or(f.who, currentUser())
	if err := fill(n); err != nil {
		return err
	}
	if f.why == "" {
		return usagef("say why, with --why: whoever looks later wants to know")
	}
	if err := needOpen(c, n, key); err != nil {
		return err
	}
	return sendNote(c, n, f.asJSON)
}

// alertNote begins a note about an alert, whose key names the printer.
func alertNote(key string) (*protocol.Note, error) {
	parts := strings.Split(key, "/")
	if (len(parts) != 4 && (len(parts) != 3 || parts[2] != "*")) || !protocol.IsToken(parts[0]) || !protocol.IsToken(parts[1]) {
		return nil, usagef("%q is no alert's key; `swathkeeper alert list` shows them, and site/printer/* means all of a printer", key)
	}
	return &protocol.Note{Schema: protocol.SchemaNote, Site: parts[0], Printer: parts[1]}, nil
}

// needOpen refuses a key that is not open, or a printer that is not known, rather than let a slip of
// the pen pass for a hold.
func needOpen(c *cobra.Command, n *protocol.Note, key string) error {
	cl, err := look(c)
	if err != nil {
		return err
	}
	defer cl.close()
	last, err := lastRecords(cl.ctx, cl, n.Site, n.Printer)
	if err != nil {
		return err
	}
	if strings.HasSuffix(key, "/*") {
		if len(last) == 0 {
			return fmt.Errorf("nothing is known of printer %s/%s; `swathkeeper printers` lists those that are", n.Site, n.Printer)
		}
		return nil
	}
	for _, r := range last {
		for _, a := range r.Open {
			if a.Key == key {
				return nil
			}
		}
	}
	return fmt.Errorf("%s is not open; `swathkeeper alert list` shows what is", key)
}

func newAlertHold() *cobra.Command {
	var f alertFlags
	var length string
	c := &cobra.Command{
		Use:   "hold KEY",
		Short: "Say nothing more about an alert for a while, unless it passes the stop limit",
		Long: `Say nothing more about an alert for a while, unless it passes the stop limit.

` + alertKey + ` With site/printer/* the whole printer is held: what is open, and what
comes up until then. What was seen meanwhile and is still there afterwards is told then;
alert close 'site/printer/*' ends it early.`,
		Example: `  swathkeeper alert hold quay/heron/clean_head/C --for 8h --why 'the engineer comes at noon'
  swathkeeper alert hold 'quay/heron/*' --for 2d --why 'printer is being moved'`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return f.send(c, args[0], func(n *protocol.Note) error {
				d, err := parseLength(length)
				if err != nil {
					return usagef("--for: %w", err)
				}
				n.Hold = &protocol.HoldNote{Key: args[0], Until: time.Now().Add(d), Why: f.why}
				return nil
			})
		},
	}
	c.Flags().StringVar(&length, "for", "", "how long: 30m, 8h, 2d")
	f.add(c)
	return c
}

func newAlertClose() *cobra.Command {
	var f alertFlags
	c := &cobra.Command{
		Use:     "close KEY",
		Short:   "Close an alert by hand; if the next readings still show it, it is raised again",
		Long:    "Close an alert by hand; if the next readings still show it, it is raised again.\n\n" + alertKey,
		Example: "  swathkeeper alert close quay/heron/check_press/- --why 'platen repaired'",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return f.send(c, args[0], func(n *protocol.Note) error {
				n.Close = &protocol.CloseNote{Key: args[0], Why: f.why}
				return nil
			})
		},
	}
	f.add(c)
	return c
}

var lengthOf = regexp.MustCompile(`^([0-9]{1,4}(?:\.[0-9]{1,2})?)([mhdw])$`)

// parseLength reads a length of time such as 30m, 8h or 2d.
func parseLength(s string) (time.Duration, error) {
	if s == "" {
		return 0, errors.New("say how long, such as 8h")
	}
	m := lengthOf.FindStringSubmatch(strings.TrimSpace(s))
	if m == nil {
		return 0, fmt.Errorf("%q is no length such as 30m, 8h or 2d", s)
	}
	n, err := strconv.ParseFloat(m[1], 64)
	unit := map[string]time.Duration{"m": time.Minute, "h": time.Hour, "d": 24 * time.Hour, "w": 7 * 24 * time.Hour}[m[2]]
	d := time.Duration(n * float64(unit))
	switch {
	case err != nil || d <= 0:
		return 0, fmt.Errorf("%q is no length such as 30m, 8h or 2d", s)
	case d > protocol.LongestHold:
		return 0, fmt.Errorf("%s is longer than a month; hold it for less, or close it", s)
	}
	return d, nil
}
