package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"os/user"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/detail"
	"swathkeeper/worker/history"
	"swathkeeper/worker/judge"
	"swathkeeper/worker/station"
	"swathkeeper/worker/zones"
)

func newBaseline() *cobra.Command {
	c := &cobra.Command{
		Use:   "baseline",
		Short: "The known-good state: learn, accept, show, list, retire",
		Long: `The known-good state of a printer, which its readings are compared with.

Print and read a chart that is right, say 'learn', send its readings, say 'accept'.
Ten readings or more over at least three days give the surest limits; with fewer than
five there is no statistical alarm yet, and verdicts say so.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(
		newBaselineNote(protocol.BaselineLearn, "Take the printer's next readings as known-good", "  swathkeeper baseline learn --site quay --printer heron"),
		newBaselineNote(protocol.BaselineAccept, "Freeze what was learned and judge by it from now on", "  swathkeeper baseline accept --site quay --printer heron\n  swathkeeper baseline accept --site quay --printer heron --why 'new black ink'"),
		newBaselineNote(protocol.BaselineRetire, "Stop judging by the baseline of a series", "  swathkeeper baseline retire --site quay --printer heron --series 0123456789ab --why 'head replaced'"),
		newBaselineShow(), newBaselineList())
	return c
}

func newBaselineNote(do, short, example string) *cobra.Command {
	n := &protocol.Note{Schema: protocol.SchemaNote, Baseline: &protocol.BaselineNote{Do: do}}
	var asJSON bool
	c := &cobra.Command{
		Use:     do,
		Short:   short,
		Example: example,
		Args:    cobra.NoArgs,
		RunE:    func(c *cobra.Command, _ []string) error { return sendNote(c, n, asJSON) },
	}
	addNoteFlags(c, n)
	c.Flags().StringVar(&n.Baseline.Series, "series", "", seriesFlag)
	if do != protocol.BaselineLearn {
		why := "why"
		if do == protocol.BaselineAccept {
			why += "; needed where a baseline is in force already"
		}
		c.Flags().StringVar(&n.Baseline.Reason, "why", "", why)
	}
	c.Flags().BoolVar(&asJSON, "json", false, recordFlag)
	return c
}

// addNoteFlags adds what every note needs.
func addNoteFlags(c *cobra.Command, n *protocol.Note) {
	f := c.Flags()
	f.StringVar(&n.Site, "site", "", "site, such as quay (default: the one that has this printer)")
	f.StringVar(&n.Printer, "printer", "", "printer, such as heron")
	f.StringVar(&n.Who, "who", "", whoFlag)
}

func currentUser() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return ""
}

// answerWait is how long a command waits for the worker's record of a note. Freezing a baseline of a
// large chart on a busy machine takes its time.
const answerWait = 2 * time.Minute

// sendNote puts a note into the inbox and prints what the worker made of it. Where no worker runs,
// it says that the note waits.
func sendNote(c *cobra.Command, n *protocol.Note, asJSON bool) error {
	if err := needToken("printer", n.Printer); err != nil {
		return err
	}
	if n.Site != "" {
		if err := needToken("site", n.Site); err != nil {
			return err
		}
	}
	id, err := uuid.NewV7()
	if err != nil {
		return err
	}
	n.ID, n.At = id.String(), time.Now()
	if n.Who == "" {
		n.Who = currentUser()
	}
	whole := *n
	whole.Site = cmp.Or(n.Site, "any") // what else is wrong is said before the bus is asked
	if err := whole.Validate(); err != nil {
		return &usageError{err}
	}
	cl, err := connect(c)
	if err != nil {
		return err
	}
	defer cl.close()
	if n.Site == "" {
		if n.Site, err = cl.siteOf(n.Printer); err != nil {
			return err
		}
	}
	ctx, cancel := context.WithTimeout(c.Context(), answerWait)
	defer cancel()
	rec, err := exchangeNote(ctx, cl, n)
	if err != nil {
		return err
	}
	if rec == nil {
		if asJSON {
			return writeJSON(c, map[string]any{"note": n.ID, "stored": true, "answered": false})
		}
		_, err := fmt.Fprintln(c.OutOrStdout(), "stored; no worker runs now, so it is acted on when one starts")
		return err
	}
	if asJSON {
		if err := writeJSON(c, rec); err != nil {
			return err
		}
	} else if rec.Refusal == nil {
		printAnswer(c.OutOrStdout(), rec)
	}
	if rec.Refusal != nil {
		return fmt.Errorf("the worker refused it: %s", rec.Refusal.Text())
	}
	return nil
}

// printAnswer says what the worker made of a note, and what it doubts in a baseline that was learned.
func printAnswer(out io.Writer, rec *protocol.Record) {
	fmt.Fprintln(out, rec.Text)
	if rec.Baseline != nil {
		for _, text := range rec.Baseline.Warnings {
			fmt.Fprintln(out, "note: "+text)
		}
	}
}

// siteOf finds the site of a printer whose name only one site has.
func (c *client) siteOf(printer string) (string, error) {
	records, err := bus.OpenRecords(c.ctx, c.js)
	if err != nil {
		return "", usagef("give --site (what is kept cannot be asked which site %s is at: %w)", printer, err)
	}
	known, err := records.Printers(c.ctx)
	if err != nil {
		return "", usagef("give --site (what is kept cannot be asked which site %s is at: %w)", printer, err)
	}
	var sites []string
	for _, p := range known {
		if p[1] == printer {
			sites = append(sites, p[0])
		}
	}
	switch len(sites) {
	case 0:
		return "", usagef("give --site: no printer %s has been read yet", printer)
	case 1:
		return sites[0], nil
	}
	return "", usagef("give --site: there is a %s at %s", printer, strings.Join(sites, " and "))
}

// exchangeNote stores a note and waits for its record; nil when this command holds the store
// itself, since then nobody is there to answer.
func exchangeNote(ctx context.Context, cl *client, n *protocol.Note) (*protocol.Record, error) {
	if cl.embed != nil {
		_, err := station.PublishNote(ctx, cl.js, n)
		return nil, err
	}
	sub, err := cl.nc.SubscribeSync(protocol.PrinterRecords(n.Site, n.Printer))
	if err != nil {
		return nil, err
	}
	defer func() { _ = sub.Unsubscribe() }()
	if err := cl.nc.FlushWithContext(ctx); err != nil {
		return nil, err
	}
	seq, err := station.PublishNote(ctx, cl.js, n)
	if err != nil {
		return nil, err
	}
	for {
		m, err := sub.NextMsgWithContext(ctx)
		if err != nil {
			return nil, fmt.Errorf("the note is stored, but no worker has answered within %s; `swathkeeper history` will show what came of it", answerWait)
		}
		rec, err := protocol.DecodeRecord(m.Data)
		if err == nil && rec.InboxSeq == seq {
			return rec, nil
		}
	}
}

// baselineRow is one baseline, in force or not, as list shows it.
type baselineRow struct {
	Site      string              `json:"site"`
	Printer   string              `json:"printer"`
	Series    string              `json:"series"`
	State     string              `json:"state"` // learning, in force, replaced, retired
	ID        string              `json:"id"`
	Grade     string              `json:"grade"`
	Count     int                 `json:"count"`
	Days      int                 `json:"days"`
	At        time.Time           `json:"at,omitzero"`
	Digest    string              `json:"digest"`
	Reason    string              `json:"reason,omitempty"`
	Condition *protocol.Condition `json:"condition,omitempty"`
}

// listBaselines reads every baseline from the records.
func listBaselines(c *cobra.Command, cl *client, site, printer string) ([]baselineRow, error) {
	var rows []baselineRow
	end := func(id, state string) {
		for i := range rows {
			if rows[i].ID == id {
				rows[i].State = state
			}
		}
	}
	q := history.Query{Site: site, Printer: printer, Kind: protocol.KindBaseline}
	err := history.Read(cl.ctx, cl.js, q, func(e history.Entry) error {
		b := e.Record.Baseline
		if b == nil {
			return nil
		}
		switch b.Do {
		case protocol.BaselineAccept:
			end(b.Replaces, "replaced")
			rows = append(rows, baselineRow{Site: e.Record.Site, Printer: e.Record.Printer, Series: e.Record.Series, State: "in force",
				ID: b.ID, Grade: b.Grade, Count: b.Count, Days: b.Days, At: e.Record.At, Digest: b.Digest, Reason: b.Reason})
		case protocol.BaselineRetire:
			end(b.Replaces, "retired")
		}
		return nil
	})
	return rows, err
}

// stateLearning is the state of a baseline that is not frozen yet.
const stateLearning = "learning"

// listLearning gives a row for each series that is gathering readings, or one of no series for a
// printer that has none yet.
func listLearning(cl *client, site, printer string) ([]baselineRow, error) {
	printers, err := history.Printers(cl.ctx, cl.js, site, printer)
	if err != nil {
		return nil, err
	}
	var rows []baselineRow
	for _, p := range printers {
		if p.Learned == nil {
			continue
		}
		row := baselineRow{Site: p.Site, Printer: p.Printer, Series: protocol.NoSeries, State: stateLearning}
		if len(p.Learned) == 0 {
			rows = append(rows, row)
		}
		for _, series := range slices.Sorted(maps.Keys(p.Learned)) {
			row.Series, row.Count = series, p.Learned[series]
			rows = append(rows, row)
		}
	}
	return rows, nil
}

func newBaselineList() *cobra.Command {
	var site, printer string
	var asJSON bool
	c := &cobra.Command{
		Use:     "list",
		Short:   "List the baselines, old ones too",
		Example: "  swathkeeper baseline list --printer heron",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cl, zone, err := lookAt(c, site, printer)
			if err != nil {
				return err
			}
			defer cl.close()
			rows, err := listBaselines(c, cl, site, printer)
			if rows, err = found(cl, site, printer, rows, err); err != nil {
				return err
			}
			learning, err := listLearning(cl, site, printer)
			if err != nil {
				return err
			}
			rows = append(rows, learning...)
			if asJSON {
				return writeJSONLines(c, rows)
			}
			if len(rows) == 0 {
				_, err := fmt.Fprintln(c.OutOrStdout(), "no baseline yet; begin with `swathkeeper baseline learn`")
				return err
			}
			w := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
			fmt.Fprintln(w, "printer\tseries\tstate\tgrade\treadings\tdays\tsince\twhy")
			for _, r := range rows {
				since, days := "-", "-"
				if r.State != stateLearning {
					since, days = zones.Stamp(r.At, zone, stampLayout), strconv.Itoa(r.Days)
				}
				fmt.Fprintf(w, "%s/%s\t%s\t%s\t%s\t%d\t%s\t%s\t%s\n", r.Site, r.Printer, r.Series, r.State, cmp.Or(r.Grade, "-"), r.Count, days, since, r.Reason)
			}
			if err := w.Flush(); err != nil || len(learning) == 0 {
				return err
			}
			_, err = fmt.Fprintln(c.OutOrStdout(), "\nlearning: readings are taken as known-good until `swathkeeper baseline accept` puts the baseline in force")
			return err
		},
	}
	addWhich(c.Flags(), &site, &printer)
	c.Flags().BoolVar(&asJSON, "json", false, "print one baseline a line as JSON")
	return c
}

func newBaselineShow() *cobra.Command {
	var site, printer, series string
	var asJSON bool
	c := &cobra.Command{
		Use:     "show",
		Short:   "Show the baseline in force: what it was learned from, and what is doubtful about it",
		Example: "  swathkeeper baseline show --site quay --printer heron\n  swathkeeper baseline show --site quay --printer heron --json > heron.json",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if err := checkSeries(series); err != nil {
				return err
			}
			cl, zone, err := lookAt(c, site, printer)
			if err != nil {
				return err
			}
			defer cl.close()
			rows, err := listBaselines(c, cl, site, printer)
			if rows, err = found(cl, site, printer, rows, err); err != nil {
				return err
			}
			rows = slices.DeleteFunc(rows, func(r baselineRow) bool {
				return r.State != "in force" || (series != "" && r.Series != series)
			})
			if len(rows) == 0 {
				return fmt.Errorf("no baseline is in force there; `swathkeeper baseline list` shows all")
			}
			stores, err := bus.OpenStores(c.Context(), cl.js)
			if err != nil {
				return err
			}
			defer stores.Close()
			for _, r := range rows {
				data, err := stores.Baseline(c.Context(), r.Digest)
				if err != nil {
					return err
				}
				if asJSON {
					if err := writeJSON(c, json.RawMessage(data)); err != nil {
						return err
					}
					continue
				}
				b, err := judge.DecodeBaseline(data)
				if err != nil {
					return err
				}
				if err := printBaseline(c, b, zone); err != nil {
					return err
				}
			}
			return nil
		},
	}
	c.Flags().StringVar(&site, "site", "", "site")
	c.Flags().StringVar(&printer, "printer", "", "printer")
	c.Flags().StringVar(&series, "series", "", seriesFlag)
	c.Flags().BoolVar(&asJSON, "json", false, "print the whole baseline as JSON, as 'judge --baseline' takes it")
	return c
}

func printBaseline(c *cobra.Command, b *judge.Baseline, zone *time.Location) error {
	w := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "baseline\t%s\n", b.ID)
	fmt.Fprintf(w, "printer\t%s/%s, series %s\n", b.Site, b.Printer, b.Series)
	fmt.Fprintf(w, "condition\t%s/%s, %s\n", b.Condition.Media, b.Condition.Preset, b.Condition.Stage)
	fmt.Fprintf(w, "chart\t%s\n", chartName(b.Chart))
	fmt.Fprintf(w, "learned\tfrom %s on %s, %s to %s: %s\n", detail.Count(b.Count, "reading"), detail.Count(b.Days, "day"), b.From.In(zone).Format(time.DateOnly), b.To.In(zone).Format(time.DateOnly), b.Grade)
	for _, text := range b.Warnings {
		fmt.Fprintf(w, "note\t%s\n", text)
	}
	fmt.Fprintf(w, "limits\t`swathkeeper show %s` has them, beside the newest reading\n", b.Printer)
	return w.Flush()
}
