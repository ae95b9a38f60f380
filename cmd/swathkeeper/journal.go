package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker/chat"
	"swathkeeper/worker/detail"
	"swathkeeper/worker/history"
	"swathkeeper/worker/zones"
)

func newJournal() *cobra.Command {
	c := &cobra.Command{
		Use:   "journal",
		Short: "Tell the worker what was done to a printer",
		Args:  cobra.NoArgs,
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newJournalAdd(), newJournalList())
	return c
}

// whatIsDone is what a journal entry can be about.
var whatIsDone = []string{protocol.DidClean, protocol.DidInk, protocol.DidProfile, protocol.DidPress, protocol.DidMedia, protocol.DidService, protocol.DidNote}

func newJournalAdd() *cobra.Command {
	n := &protocol.Note{Schema: protocol.SchemaNote, Journal: &protocol.JournalNote{}}
	var asJSON bool
	c := &cobra.Command{
		Use:   "add " + strings.Join(whatIsDone, "|"),
		Short: "Enter what was done; the next readings tell whether it helped",
		Example: `  swathkeeper journal add clean --site quay --printer heron --channel C
  swathkeeper journal add ink --site quay --printer heron --channel C --lot 2231
  swathkeeper journal add note --site quay --printer heron --text 'window open all night'`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if !slices.Contains(whatIsDone, args[0]) {
				return usagef("%q: give one of %s", args[0], strings.Join(whatIsDone, ", "))
			}
			n.Journal.What = args[0]
			return sendNote(c, n, asJSON)
		},
	}
	addNoteFlags(c, n)
	f := c.Flags()
	f.StringVar(&n.Journal.Channel, "channel", "", "channel of a clean or an ink, such as C")
	f.StringVar(&n.Journal.Lot, "lot", "", "lot of an ink or a medium")
	f.StringVar(&n.Text, "text", "", "anything else, at most 500 characters")
	f.BoolVar(&asJSON, "json", false, recordFlag)
	return c
}

// journalRow is a journal entry with what it brought.
type journalRow struct {
	At       time.Time                 `json:"at"`
	Site     string                    `json:"site"`
	Printer  string                    `json:"printer"`
	Note     *protocol.Note            `json:"note"`
	Outcomes []protocol.JournalOutcome `json:"outcomes,omitempty"`
}

// outcomeText says what an entry brought.
func (r journalRow) outcomeText() string {
	words := map[string]string{protocol.Helped: "helped", protocol.NoChange: "no change", protocol.Worse: "made worse"}
	var b []string
	for _, o := range r.Outcomes {
		text := words[o.Outcome]
		if parts := strings.SplitN(o.Key, "/", 3); len(parts) == 3 {
			advice, channel, _ := strings.Cut(parts[2], "/")
			text += " (" + detail.AdviceWords(advice, strings.TrimPrefix(channel, "-")) + ")"
		}
		b = append(b, text)
	}
	if len(b) == 0 && r.Note.Journal.What != protocol.DidNote {
		return "no answer yet"
	}
	return strings.Join(b, ", ")
}

// journalOf gives what was done, with what came of it. Only the printers that something was done to
// are looked through for that, from then on.
func journalOf(cl *client, q history.Query) ([]*journalRow, error) {
	var rows []*journalRow
	byNote := map[string]*journalRow{}
	var of []history.Query // the printers, each from its first entry on
	q.Kind = protocol.KindJournal
	err := history.Read(cl.ctx, cl.js, q, func(e history.Entry) error {
		r := e.Record
		if r.Note == nil || r.Note.Journal == nil {
			return nil
		}
		row := &journalRow{At: r.Note.At, Site: r.Site, Printer: r.Printer, Note: r.Note}
		rows = append(rows, row)
		byNote[r.Note.ID] = row
		if !slices.ContainsFunc(of, func(p history.Query) bool { return p.Site == r.Site && p.Printer == r.Printer }) {
			// The reading that answers may have been taken before the entry was written down.
			of = append(of, history.Query{Site: r.Site, Printer: r.Printer, Since: r.Note.At.AddDate(0, 0, -1)})
		}
		return nil
	})
	for _, p := range of {
		if err != nil {
			break
		}
		err = history.Read(cl.ctx, cl.js, p, func(e history.Entry) error {
			for _, o := range e.Record.Outcomes {
				if row := byNote[o.Note]; row != nil {
					row.Outcomes = append(row.Outcomes, o)
				}
			}
			return nil
		})
	}
	return rows, err
}

func newJournalList() *cobra.Command {
	var q history.Query
	var since string
	var asJSON bool
	c := &cobra.Command{
		Use:   "list",
		Short: "List what was done, and whether it helped",
		Example: `  swathkeeper journal list --printer heron
  swathkeeper journal list --since 30d --json`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if _, _, err := spanAt(since, "", time.Now()); err != nil {
				return err
			}
			cl, zone, err := lookAt(c, q.Site, q.Printer)
			if err != nil {
				return err
			}
			defer cl.close()
			if q.Since, _, _, err = cl.span(since, ""); err != nil {
				return err
			}
			rows, err := journalOf(cl, q)
			if rows, err = found(cl, q.Site, q.Printer, rows, err); err != nil {
				return err
			}
			for _, r := range rows {
				if asJSON {
					if err := writeJSON(c, r); err != nil {
						return err
					}
					continue
				}
				what := r.Note.Journal.What
				for _, s := range []string{r.Note.Journal.Channel, cond(r.Note.Journal.Lot != "", "lot "+r.Note.Journal.Lot, ""), r.Note.Text} {
					if s != "" {
						what += " " + chat.OneLine(s)
					}
				}
				line := fmt.Sprintf("%s  %s/%s  %s", zones.Stamp(r.At, zone, stampLayout), r.Site, r.Printer, what)
				if r.Note.Who != "" {
					line += " (" + chat.OneLine(r.Note.Who) + ")"
				}
				if o := r.outcomeText(); o != "" {
					line += ": " + o
				}
				fmt.Fprintln(c.OutOrStdout(), line)
			}
			if len(rows) == 0 && !asJSON {
				fmt.Fprintln(c.ErrOrStderr(), "nothing yet")
			}
			return nil
		},
	}
	f := c.Flags()
	addWhich(f, &q.Site, &q.Printer)
	f.StringVar(&since, "since", "", "from then on: 7d, 2026-03-04")
	f.BoolVar(&asJSON, "json", false, "print one entry a line as JSON")
	return c
}
