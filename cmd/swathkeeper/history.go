package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker/history"
	"swathkeeper/worker/parquetfile"
)

// historyFlags is the command line of history.
type historyFlags struct {
	q            history.Query
	since, until string
	asJSON, csv  bool
	ids          bool
	parquet      string
}

func newHistory() *cobra.Command {
	var h historyFlags
	c := &cobra.Command{
		Use:   "history",
		Short: "What happened: verdicts, alerts, journal entries, refusals, baselines",
		Long: `What happened, oldest first: one line for each reading, alert, journal entry,
refused message and baseline. The level is stop, act, note or steady: stop and act are
beyond the shop's tolerance, a note is real but within it. Differences of colour are in
dE00, the CIEDE2000 formula: as a rule of thumb, an eye hardly sees less than 1 side by side.

Where no worker runs, the store is looked at as it lies; nothing in it changes.`,
		Example: `  swathkeeper history --since monday
  swathkeeper history --printer heron --since 7d --level act
  swathkeeper history --printer heron --kind journal --last 10
  swathkeeper history --follow
  swathkeeper history --since 30d --json | jq -r 'select(.verdict.outcome=="stop") | .text'
  swathkeeper history --since 365d --parquet year.parquet`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if c.Flags().Changed("last") && h.q.Last < 1 {
				return usagef("--last %d: give a number above 0", h.q.Last)
			}
			return h.run(c)
		},
	}
	f := c.Flags()
	addWhich(f, &h.q.Site, &h.q.Printer)
	f.StringVar(&h.q.Kind, "kind", "", "only verdict, alert, refusal, journal or baseline")
	f.StringVar(&h.q.Advice, "advice", "", "only this advice, such as "+protocol.AdviceClean)
	f.StringVar(&h.q.Level, "level", "", "only this level or worse: note, act, stop")
	f.StringVar(&h.q.Channel, "channel", "", "only this ink, such as C or cyan")
	f.StringVar(&h.q.Series, "series", "", "only "+seriesFlag)
	f.BoolVar(&h.q.Changes, "changes", false, "only what changed an alert")
	f.StringVar(&h.since, "since", "", "from then on: 2h, 7d, monday, yesterday, 2026-03-04 or 2026-03-04T07:12")
	f.StringVar(&h.until, "until", "", "up to then")
	f.IntVar(&h.q.Last, "last", 0, "only the last N")
	f.BoolVar(&h.q.Follow, "follow", false, "go on with what comes, until interrupted")
	f.BoolVar(&h.asJSON, "json", false, "print one record a line as JSON")
	f.BoolVar(&h.ids, "ids", false, "begin each line with the id that 'swathkeeper show' takes")
	f.BoolVar(&h.csv, "csv", false, "print CSV with a header, times in UTC")
	f.StringVar(&h.parquet, "parquet", "", "write a Parquet file; - is the standard output")
	return c
}

// check checks the flags, before anything is asked for.
func (h *historyFlags) check() error {
	if _, _, err := spanAt(h.since, h.until, time.Now()); err != nil {
		return err
	}
	for letter, word := range map[string]string{"C": "cyan", "M": "magenta", "Y": "yellow", "K": "black"} {
		if strings.EqualFold(h.q.Channel, word) {
			h.q.Channel = letter
		}
	}
	if err := checkSeries(h.q.Series); err != nil {
		return err
	}
	switch h.q.Kind {
	case "", protocol.KindVerdict, protocol.KindAlert, protocol.KindRefusal, protocol.KindJournal, protocol.KindBaseline:
	default:
		return usagef("--kind %q: give verdict, alert, refusal, journal or baseline", h.q.Kind)
	}
	switch h.q.Level {
	case "", protocol.LevelNote, protocol.LevelAct, protocol.LevelStop:
	default:
		return usagef("--level %q: give note, act or stop", h.q.Level)
	}
	if h.q.Advice != "" && !slices.Contains(protocol.Advices(), h.q.Advice) {
		return usagef("--advice %q: give one as messages name it, such as %s or %s", h.q.Advice, protocol.AdviceClean, protocol.AdviceInk)
	}
	n := 0
	for _, on := range []bool{h.asJSON, h.csv, h.parquet != ""} {
		if on {
			n++
		}
	}
	if n > 1 {
		return usagef("give one of --json, --csv and --parquet")
	}
	if h.q.Follow && h.until != "" {
		return usagef("--follow shows what comes until it is interrupted; leave --until out, or --follow")
	}
	if h.q.Follow && h.parquet != "" {
		return usagef("--follow has no end and a Parquet file needs one; leave one of them out")
	}
	return nil
}

// checkSeries refuses what no series is called; empty is all of them.
func checkSeries(series string) error {
	if series != "" && !protocol.IsSeries(series) {
		return usagef("--series %q: give its 12 hex digits, as `swathkeeper baseline list` shows them", series)
	}
	return nil
}

func (h *historyFlags) run(c *cobra.Command) error {
	if err := h.check(); err != nil {
		return err
	}
	cl, zone, err := lookAt(c, h.q.Site, h.q.Printer)
	if err != nil {
		return err
	}
	defer cl.close()
	if h.q.Since, h.q.Until, _, err = cl.span(h.since, h.until); err != nil {
		return err
	}
	if h.q.Follow && cl.embed != nil {
		return fmt.Errorf("no worker runs on %s, so nothing new will come; start one with `swathkeeper run`, or leave --follow out", cl.cfg.Data)
	}
	if h.q.Follow { // it may be on its way, but more likely its name was mistyped
		if err := cl.known(h.q.Site, h.q.Printer); err != nil {
			fmt.Fprintf(c.ErrOrStderr(), "swathkeeper: %v; waiting for its first reading\n", err)
		}
	}
	n := 0
	if h.asJSON {
		err = history.Read(cl.ctx, cl.js, h.q, func(e history.Entry) error {
			n++
			// As it is stored, which spares writing it anew.
			_, err := c.OutOrStdout().Write(append(bytes.TrimSpace(e.Data), '\n'))
			return err
		})
	} else {
		err = h.rows(c, cl, zone, &n)
	}
	if err = cl.explain(err); err != nil && !(h.q.Follow && errors.Is(err, context.Canceled)) {
		return err
	}
	if n == 0 && !h.q.Follow {
		if err := cl.known(h.q.Site, h.q.Printer); err != nil {
			return err
		}
	}
	if n == 0 && !h.asJSON && !h.csv && !h.q.Follow {
		fmt.Fprintln(c.ErrOrStderr(), "nothing matches; `swathkeeper printers` shows which printers are known")
	}
	return nil
}

// rows writes one line for each record, on the screen or into a file.
func (h *historyFlags) rows(c *cobra.Command, cl *client, zone *time.Location, n *int) error {
	var write func(history.Row) error
	switch {
	case h.csv:
		w, err := history.NewCSV(c.OutOrStdout())
		if err != nil {
			return err
		}
		write = w.Write
	case h.parquet != "":
		to := writeWholeBy
		if h.parquet == "-" {
			to = func(_ string, write func(io.Writer) error) error { return write(c.OutOrStdout()) }
		}
		return to(h.parquet, func(f io.Writer) error {
			w := parquetfile.New(f)
			err := errors.Join(h.each(cl, n, w.Write), w.Close())
			if err == nil && *n == 0 {
				err = cl.known(h.q.Site, h.q.Printer) // then there is no file either
			}
			return err
		})
	default:
		s := screen(c, zone)
		s.IDs = h.ids
		write = s.Line
	}
	return h.each(cl, n, write)
}

// each calls write for every row and counts them.
func (h *historyFlags) each(cl *client, n *int, write func(history.Row) error) error {
	return history.ReadRows(cl.ctx, cl.js, h.q, func(r history.Row) error {
		*n++
		return write(r)
	})
}
