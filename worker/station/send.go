package station

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"
	"unicode"

	"swathkeeper/worker/bus"
)

// SentFile is the list, in done/, of what was sent: time, file, printer, reading and its place in
// the inbox.
const SentFile = "sent.txt"

// send brings what is in the spool to the bus, oldest first, until ctx ends.
func (w *watcher) send(ctx context.Context) error {
	away := false
	wait := firstWait
	for {
		e, err := w.spool.next(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if err != nil {
			w.o.Log.Error().Err(err).Str("file", e.Path).Msg("an entry of the spool is damaged and set aside: this file was not sent; move it back from done to where it came from")
			w.spool.setAside(e)
			continue
		}
		err = w.sendEntry(ctx, e)
		switch {
		case ctx.Err() != nil:
			return nil
		case errors.Is(err, ErrDenied):
			// The file goes where its owner sees it; the rest is sent on.
			w.refuse(e.Root, e.Rel, e.Path, err)
			if err := w.spool.done(e, true); err != nil {
				return fmt.Errorf("spool: %w", err)
			}
		case err != nil:
			if !away || !w.o.IsAway(err) {
				w.o.Log.Warn().Err(err).Int("files", w.spool.count()).Msg("the bus takes nothing now; files wait in the spool")
			}
			away = true
			t := time.NewTimer(wait)
			select {
			case <-ctx.Done():
			case <-t.C:
			}
			t.Stop()
			wait = min(2*wait, lastWait)
			continue
		default:
			if err := w.spool.done(e, false); err != nil {
				return fmt.Errorf("spool: %w", err)
			}
		}
		if away {
			w.o.Log.Info().Int("files", w.spool.count()).Msg("the bus takes readings again")
		}
		away, wait = false, firstWait
	}
}

// Waits between attempts while the bus is away.
const (
	firstWait = 100 * time.Millisecond
	lastWait  = 2 * time.Second
)

// sendEntry sends what of an entry was not sent yet.
func (w *watcher) sendEntry(ctx context.Context, e *entry) error {
	if e.Scan != "" && w.o.Store != nil {
		// The picture first, so that a reading never names one that is not there.
		err := w.o.Store(ctx, e.Scan, e.Path)
		switch {
		case err == nil:
			w.scansFull = false
		case ctx.Err() != nil:
		case errors.Is(err, bus.ErrScansFull):
			// Every picture meets this until there is room: once is enough.
			if !w.scansFull {
				w.o.Log.Error().Err(err).Str("file", e.Path).Msg("the bus keeps no more pictures: readings are sent without, and the pictures stay in done; whoever runs the worker gives them room, see `swathkeeper doctor` there")
			}
			w.scansFull = true
		case w.o.IsAway(err):
			return err
		default:
			// The reading is what counts.
			w.o.Log.Error().Err(err).Str("file", e.Path).Msg("the picture is not kept at the bus; its reading is sent without")
		}
	}
	for _, p := range e.Data {
		if w.spool.wasSent(p.ID) {
			continue
		}
		seq, twice, err := w.o.Publish(ctx, p.Site, p.Printer, p.ID, p.Body)
		if err != nil {
			return err
		}
		if len(e.Data) > 1 {
			if err := w.spool.markSent(p.ID); err != nil {
				return err
			}
		}
		w.o.Log.Info().Str("reading", p.ID).Str("site", p.Site).Str("printer", p.Printer).Uint64("inbox_seq", seq).Bool("known", twice).Str("file", e.Rel).Msg("sent")
		if w.o.OnSent != nil {
			w.o.OnSent(p.Site, p.Printer, p.ID, seq, twice)
		}
		w.listSent(e, p, seq)
	}
	return nil
}

// oneLine keeps a file's name on one line of a list.
func oneLine(name string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return '?'
		}
		return r
	}, name)
}

// listSent is for people; what counts is the spool.
func (w *watcher) listSent(e *entry, p packed, seq uint64) {
	f, err := os.OpenFile(filepath.Join(e.Root, DoneDir, SentFile), os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o644)
	if err == nil {
		_, err = fmt.Fprintf(f, "%s  %s  %s/%s  %s  %d\n", time.Now().Format(time.RFC3339), oneLine(e.Rel), p.Site, p.Printer, p.ID, seq)
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		w.o.Log.Warn().Err(err).Msg("list of what was sent")
	}
}
