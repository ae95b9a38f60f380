package worker

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/alert"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/history"
	"swathkeeper/worker/judge"
)

// printerState is what every record of a printer carries, so that its last record alone brings the
// worker back to where it was.
type printerState struct {
	Version int `json:"version"`
	// Inbox and InboxSeq are the newest input taken, in the inbox of that creation time.
	Inbox    time.Time `json:"inbox"`
	InboxSeq uint64    `json:"inbox_seq"`
	// InboxAt is when that input came into the inbox, by the bus's clock; zero in records of earlier releases.
	InboxAt time.Time `json:"inbox_at,omitzero"`
	// Learning holds the series whose readings are being taken as known-good, and since which
	// input; the key everySeries stands for all of them that are not named, and 0 says that this
	// one is not learning, or no longer.
	Learning map[string]uint64 `json:"learning,omitempty"`
	// Learned tells how many readings each series has gathered since.
	Learned map[string]int `json:"learned,omitempty"`
	// Notes holds the ids of the last notes, so that one sent twice is known.
	Notes []string    `json:"notes,omitempty"`
	Alert alert.State `json:"alert"`
	// Standing is what lists of printers show; nil in records of before it was kept.
	Standing *history.Standing `json:"standing,omitempty"`
	// Clock is the worker's time when the record was made: a clock that was set back shows by it.
	Clock time.Time `json:"clock,omitzero"`
}

// notesKept is how many note ids a printer remembers.
const notesKept = 16

const (
	printerVersion = 1
	everySeries    = "*"
)

// printer is one printer as the worker has it in memory; the records are the truth, and this is
// thrown away whenever they turn out to be newer.
type printer struct {
	site, name string
	lastSeq    uint64 // sequence of the printer's newest record, 0 when it has none
	state      printerState
	series     map[string]*judge.State
	wake       time.Time // when the alert rules want to be asked again; zero: not by themselves
	moved      bool      // the records name another inbox than the one in use, or one that had more
	stale      bool      // it is not certain that this is what its newest record says: to be read again
}

// clockBehind reports whether a clock that shows now was set back since the printer's last record.
func (p *printer) clockBehind(now time.Time) bool { return p.state.Clock.Sub(now) > clockSlack }

// setBack reports whether an input that by its place was judged long ago is a new one: it came after the
// newest that was judged. The inbox then has lost its end and counts its places a second time.
func (p *printer) setBack(in input) bool {
	return !p.state.InboxAt.IsZero() && in.came.After(p.state.InboxAt)
}

func (p *printer) learning(series string) (since uint64, ok bool) {
	if since, ok = p.state.Learning[series]; ok {
		return since, since > 0
	}
	since, ok = p.state.Learning[everySeries]
	return since, ok
}

// load reads a printer's state from its last record.
func (k *keeper) load(ctx context.Context, site, name string) (*printer, error) {
	key := site + "." + name
	if p := k.known(key); p != nil {
		return p, nil
	}
	p := &printer{site: site, name: name, series: map[string]*judge.State{}}
	last, err := k.records.Last(ctx, protocol.PrinterRecords(site, name))
	if err != nil {
		return nil, err
	}
	if last != nil {
		p.lastSeq = last.Top
		if last.Damaged {
			k.log.Error().Uint64("instead", last.Seq).Str("site", site).Str("printer", name).
				Msg("this printer's newest record is damaged on the disk: the one before it counts, and what came in between is forgotten, perhaps an alert; see to the disk, and bring the store back from a copy")
		} else if last.Top != last.Seq {
			k.log.Error().Uint64("seq", last.Top).Str("site", site).Str("printer", name).Msg("something that is no record lies among this printer's records; it is passed over")
		}
	}
	if last != nil && last.Record != nil {
		if err := json.Unmarshal(last.Record.PrinterState, &p.state); err != nil {
			return nil, fmt.Errorf("state in record %d: %w", last.Seq, err)
		}
		if p.state.Standing == nil && k.past != nil {
			if p.state.Standing, err = k.past(ctx, site, name); err != nil {
				return nil, err
			}
			p.state.Standing = p.state.Standing.After(last.Record)
		}
		p.wake = k.clock.Now() // the rules then say when they want to be asked next
		k.pulse.saw(p.state.Clock)
		p.moved = !p.state.Inbox.IsZero() && !p.state.Inbox.Equal(k.records.Inbox)
	}
	k.remember(key, p)
	return p, nil
}

// maxPrinters bounds how many printers are kept in memory; beyond it, some are forgotten and read
// again when their next reading comes.
const maxPrinters = 4096

func (k *keeper) remember(key string, p *printer) {
	k.table.Lock()
	defer k.table.Unlock()
	if len(k.printers) >= maxPrinters {
		for other, q := range k.printers {
			if q.wake.IsZero() { // those with a timer running must stay
				delete(k.printers, other)
				break
			}
		}
	}
	k.printers[key] = p
}

// known gives a printer that is in memory as its newest record says; nil: it must be read.
func (k *keeper) known(key string) *printer {
	if p := k.printers[key]; p != nil && !p.stale {
		return p
	}
	return nil
}

// forget lets a printer be read again before anything is decided on it. Until then it stays among those
// that have a timer: what it was to remind of, or to miss, comes with no input.
func (k *keeper) forget(p *printer) {
	k.table.Lock()
	defer k.table.Unlock()
	p.stale = true
}

// seriesState reads the state of a series: from its last verdict or its last change of baseline,
// whichever is newer.
func (k *keeper) seriesState(ctx context.Context, p *printer, series string) (*judge.State, error) {
	if st := p.series[series]; st != nil {
		return st, nil
	}
	// A verdict or a baseline that changed an alert is filed as an alert.
	var last []*bus.Stored
	for _, kind := range []string{protocol.KindVerdict, protocol.KindAlert, protocol.KindBaseline} {
		s, err := k.records.Last(ctx, protocol.RecordSubject(p.site, p.name, kind, series))
		if err != nil {
			return nil, err
		}
		last = append(last, s)
	}
	st, err := newestState(last...)
	if err != nil {
		return nil, err
	}
	if len(p.series) >= maxSeries {
		for other := range p.series {
			delete(p.series, other)
			break
		}
	}
	p.series[series] = st
	return st, nil
}

// maxSeries bounds how many printing conditions of a printer are kept in memory; one that is forgotten is
// read again when its next reading comes.
const maxSeries = 128

// newestState reads a series' state out of the newest record that holds one.
func newestState(last ...*bus.Stored) (*judge.State, error) {
	var raw json.RawMessage
	var seq uint64
	for _, s := range last {
		if s == nil || s.Record == nil || s.Seq <= seq {
			continue
		}
		switch {
		case s.Record.SeriesState != nil:
			raw, seq = s.Record.SeriesState, s.Seq
		case s.Record.Verdict != nil && s.Record.Verdict.State != nil:
			raw, seq = s.Record.Verdict.State, s.Seq
		}
	}
	st := &judge.State{}
	if raw == nil {
		return st, nil
	}
	if err := json.Unmarshal(raw, st); err != nil {
		return nil, fmt.Errorf("series state in record %d: %w", seq, err)
	}
	return st, nil
}
