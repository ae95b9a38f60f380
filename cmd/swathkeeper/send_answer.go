package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/spf13/cobra"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/detail"
	"swathkeeper/worker/station"
)

var errNotSetUp = errors.New("nobody takes readings on this bus: the worker has not set it up yet")

// packed gives readings as they travel.
func packed(items []station.Item) ([][]byte, error) {
	out := make([][]byte, len(items))
	for i, it := range items {
		var err error
		if out[i], err = station.Pack(it.Reading); err != nil {
			return nil, fmt.Errorf("%s: %w%s", it.Name, err, missingFlag(err))
		}
	}
	return out, nil
}

// sendItems publishes readings, and prints of each what the worker on this machine made of it.
func sendItems(c *cobra.Command, cl *client, items []station.Item, fill station.Fill, asJSON bool) error {
	if !cl.cfg.outside() { // a station elsewhere has no right to see which charts are known
		if err := nameEditions(c, cl, items, fill); err != nil {
			return err
		}
	}
	data, err := packed(items)
	if err != nil {
		return err
	}
	zone, answers := time.Local, (*answers)(nil)
	if !asJSON && !cl.cfg.outside() {
		if zone, err = cl.zone(); err != nil {
			return err
		}
		if cl.embed == nil {
			if answers, err = listenForAnswers(c.Context(), cl.nc); err != nil {
				return err
			}
			defer answers.stop()
		}
	}
	refused := 0
	for i, it := range items {
		r := it.Reading
		seq, twice, err := station.Publish(c.Context(), cl.js, r, data[i])
		if errors.Is(err, nats.ErrNoResponders) {
			return errNotSetUp
		}
		if err != nil {
			return fmt.Errorf("reading %s: %w", r.ID, err)
		}
		if asJSON {
			if err := writeJSON(c, map[string]any{"id": r.ID, "site": r.Site, "printer": r.Printer, "series": r.Series(), "seq": seq, "known": twice}); err != nil {
				return err
			}
			continue
		}
		text := "sent"
		switch {
		case twice:
			text = "sent before, stored once"
		case answers != nil:
			rec, err := answers.of(seq)
			if err != nil {
				return err
			}
			if rec == nil {
				text = "sent; no answer yet, `swathkeeper history` will show it"
				break
			}
			if rec.Refusal != nil {
				refused++
			}
			text = strings.TrimPrefix(rec.Text, r.Printer+": ")
		case cl.embed != nil:
			text = "stored; no worker runs now, so it is judged when one starts"
		}
		if _, err := fmt.Fprintf(c.OutOrStdout(), "%s  %s/%s %s  %s\n", filepath.Base(it.Name), r.Site, r.Printer, r.TakenAt.In(zone).Format(stampLayout), text); err != nil {
			return err
		}
	}
	if refused > 0 {
		return fmt.Errorf("the worker refused %d of %s", refused, detail.Count(len(items), "reading"))
	}
	return nil
}

// nameEditions reads measurement files again that know their chart by its name alone: a layout is
// known by its edition too, and where there is just one, that is the one which was printed.
func nameEditions(c *cobra.Command, cl *client, items []station.Item, fill station.Fill) error {
	var stores *bus.Stores
	for i, it := range items {
		if it.File == nil || it.Reading.Chart == "" || it.Reading.Edition != "" {
			continue
		}
		if stores == nil {
			var err error
			if stores, err = bus.OpenStores(c.Context(), cl.js); err != nil && cl.embed != nil {
				return errNotSetUp
			} else if err != nil {
				return cl.explain(err)
			}
			defer stores.Close()
		}
		l, err := findChart(c, stores, it.Reading.Chart)
		if err != nil {
			return err
		}
		fill.Chart = chartName(l)
		again, err := station.ReadItems(it.Name, fill)
		if err != nil {
			return err
		}
		if len(again) == 1 {
			items[i] = again[0]
		}
	}
	return nil
}

// answers hears what the worker records.
type answers struct {
	ctx  context.Context
	sub  *nats.Subscription
	over bool // one answer was waited for in vain: the others are not waited for
}

func listenForAnswers(ctx context.Context, nc *nats.Conn) (*answers, error) {
	sub, err := nc.SubscribeSync(protocol.SubjectRecords)
	if err != nil {
		return nil, err
	}
	if err := nc.FlushTimeout(answerWait); err != nil { // heard before the first is sent
		return nil, err
	}
	return &answers{ctx: ctx, sub: sub}, nil
}

func (a *answers) stop() { _ = a.sub.Unsubscribe() }

// of gives the record of an input, nil where it does not come within answerWait.
func (a *answers) of(seq uint64) (*protocol.Record, error) {
	ctx, cancel := context.WithTimeout(a.ctx, answerWait)
	defer cancel()
	for !a.over {
		m, err := a.sub.NextMsgWithContext(ctx)
		switch {
		case a.ctx.Err() != nil:
			return nil, a.ctx.Err()
		case err != nil:
			a.over = true
			return nil, nil
		}
		if rec, err := protocol.DecodeRecord(m.Data); err == nil && rec.InboxSeq == seq {
			return rec, nil
		}
	}
	return nil, nil
}
