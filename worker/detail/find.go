package detail

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/history"
)

// ErrNotFound says that nothing answers to a name.
var ErrNotFound = errors.New("nothing answers to that")

// Find gives what a name stands for: the id, or its beginning, of a record, verdict, reading or
// note; the key of an alert, site/printer/advice/channel; or a printer, as printer or site/printer,
// for its newest reading. since bounds how far back an id is looked for.
func Find(ctx context.Context, js jetstream.JetStream, name string, q history.Query) (*Detail, error) {
	parts := strings.Split(name, "/")
	switch {
	case len(parts) == 4:
		return findAlert(ctx, js, name, parts)
	case len(parts) == 2:
		if protocol.IsToken(parts[0]) && protocol.IsToken(parts[1]) {
			return findPrinter(ctx, js, parts[0], parts[1])
		}
		return nil, fmt.Errorf("%q: %w; give an id, a printer or the key of an alert", name, ErrNotFound)
	case len(parts) != 1:
		return nil, fmt.Errorf("%q: %w; give an id, a printer or the key of an alert", name, ErrNotFound)
	}
	if history.IsIDPrefix(name) {
		found, err := history.Find(ctx, js, name, q)
		if err != nil {
			return nil, err
		}
		switch len(found) {
		case 0:
		case 1:
			return Load(ctx, js, found[0].Record)
		default:
			var ids []string
			for _, e := range found {
				ids = append(ids, e.Record.ID)
			}
			return nil, fmt.Errorf("%q begins the names of several: %s", name, strings.Join(ids[:min(4, len(ids))], ", "))
		}
	}
	if protocol.IsToken(name) {
		return findPrinter(ctx, js, "", name)
	}
	return nil, fmt.Errorf("%q: %w; `swathkeeper history --ids` shows what can be asked for", name, ErrNotFound)
}

// findPrinter shows the newest verdict of a printer.
func findPrinter(ctx context.Context, js jetstream.JetStream, site, printer string) (*Detail, error) {
	all, err := history.Printers(ctx, js, site, printer)
	if err != nil {
		return nil, err
	}
	switch len(all) {
	case 0:
		if site != "" || !history.IsIDPrefix(printer) {
			if err := history.Known(ctx, js, site, printer); err != nil {
				return nil, err
			}
		}
		return nil, fmt.Errorf("%q: %w; `swathkeeper printers` and `swathkeeper history --ids` show what can be asked for", printer, ErrNotFound)
	case 1:
	default:
		return nil, fmt.Errorf("printer %s stands at several sites: ask for %s/%s or %s/%s", printer, all[0].Site, printer, all[1].Site, printer)
	}
	p := all[0]
	var last *protocol.Record
	q := history.Query{Site: p.Site, Printer: p.Printer, Kind: protocol.KindVerdict, Last: 1}
	err = history.Read(ctx, js, q, func(e history.Entry) error {
		last = e.Record
		return nil
	})
	if err != nil {
		return nil, err
	}
	if last == nil {
		return nil, fmt.Errorf("%s/%s has no reading yet: %w", p.Site, p.Printer, ErrNotFound)
	}
	return Load(ctx, js, last)
}

// findAlert shows an alert, open or not: its course, and the record that showed it last.
func findAlert(ctx context.Context, js jetstream.JetStream, key string, parts []string) (*Detail, error) {
	records, err := bus.OpenRecords(ctx, js)
	if err != nil {
		return nil, err
	}
	if !protocol.IsToken(parts[0]) || !protocol.IsToken(parts[1]) {
		return nil, fmt.Errorf("%q is no alert's key; `swathkeeper alert list` shows them", key)
	}
	newest, err := records.Last(ctx, protocol.PrinterRecords(parts[0], parts[1]))
	if err != nil {
		return nil, err
	}
	var open *protocol.Alert
	if newest != nil && newest.Record != nil {
		for i := range newest.Record.Open {
			if newest.Record.Open[i].Key == key {
				open = &newest.Record.Open[i]
			}
		}
	}
	var steps []Step
	var last *protocol.Record
	q := history.Query{Site: parts[0], Printer: parts[1], Advice: parts[2], Changes: true}
	if open != nil {
		q.Since = open.Since
	}
	err = history.Read(ctx, js, q, func(e history.Entry) error {
		for _, c := range e.Record.Changes {
			if c.Key == key {
				if c.Change == protocol.ChangeRaised {
					steps = steps[:0]
				}
				steps = append(steps, Step{Record: e.Record.ID, Change: c, Entry: history.RowOf(e.Record)})
				if last == nil || last.Verdict == nil || e.Record.Verdict != nil && !over(c.Change) {
					last = e.Record
				}
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if last == nil {
		return nil, fmt.Errorf("alert %s: %w; `swathkeeper alert list` shows what is open", key, ErrNotFound)
	}
	d, err := Load(ctx, js, last)
	if err != nil {
		return nil, err
	}
	d.Key, d.Alert, d.Steps = key, open, steps
	return d, nil
}

// over reports whether a change ends an alert: the record of it holds no evidence.
func over(change string) bool {
	return change == protocol.ChangeCleared || change == protocol.ChangeClosed || change == protocol.ChangeAbsorbed
}
