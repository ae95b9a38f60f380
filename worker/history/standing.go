package history

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// Standing is how a printer stands, in a few figures. It travels in every record of the printer, so
// that its newest record alone tells; at most about 700 bytes.
type Standing struct {
	LastAt  time.Time `json:"last_at,omitzero"` // taken_at of the newest reading
	Outcome string    `json:"outcome,omitempty"`
	// When the head was cleaned, an ink was changed, and a baseline came into force last; zero where
	// that has not been told.
	Clean    time.Time `json:"clean,omitzero"`
	Ink      time.Time `json:"ink,omitzero"`
	Baseline time.Time `json:"baseline,omitzero"`
	// Means are the chart means of the latest judged readings, oldest first.
	Means []Mean `json:"means,omitempty"`
}

// Mean is one reading's mean difference from its baseline.
type Mean struct {
	Series string  `json:"s"` // the first 4 digits: it only tells the series of one printer apart
	DE00   float64 `json:"d"` // to 0.01
}

// meansKept is how many readings a standing shows.
const meansKept = 16

// After gives the standing with one more record; the receiver, which may be nil, is left alone.
func (s *Standing) After(r *protocol.Record) *Standing {
	n := Standing{}
	if s != nil {
		n = *s
		n.Means = slices.Clone(s.Means)
	}
	if v := r.Verdict; v != nil && !v.Late {
		n.LastAt, n.Outcome = v.At, v.Outcome
		if c := v.Colour; c != nil && len(v.Series) >= 4 {
			n.Means = append(n.Means, Mean{v.Series[:4], math.Round(c.MeanDE00*100) / 100})
			n.Means = n.Means[max(0, len(n.Means)-meansKept):]
		}
	}
	if j := noteJournal(r); j != nil {
		switch j.What {
		case protocol.DidClean:
			n.Clean = newer(n.Clean, r.Note.At)
		case protocol.DidInk:
			n.Ink = newer(n.Ink, r.Note.At)
		}
	}
	if b := r.Baseline; b != nil && b.Do == protocol.BaselineAccept {
		n.Baseline = newer(n.Baseline, r.At)
	}
	return &n
}

func newer(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// Trend gives the means of the series that was read last, oldest first.
func (s *Standing) Trend() []float64 {
	if s == nil || len(s.Means) == 0 {
		return nil
	}
	var out []float64
	for _, m := range s.Means {
		if m.Series == s.Means[len(s.Means)-1].Series {
			out = append(out, m.DE00)
		}
	}
	return out
}

// StandingOf makes up the standing of a printer whose records were written before they carried one.
// The journal and the baselines are looked through in full; the means begin anew.
func StandingOf(ctx context.Context, js jetstream.JetStream, site, printer string) (*Standing, error) {
	s := &Standing{}
	for _, kind := range []string{protocol.KindJournal, protocol.KindBaseline} {
		err := Read(ctx, js, Query{Site: site, Printer: printer, Kind: kind}, func(e Entry) error {
			s = s.After(e.Record)
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	return s, nil
}

// Printer is one printer as it stands now.
type Printer struct {
	Site     string           `json:"site"`
	Printer  string           `json:"printer"`
	State    string           `json:"state"` // stop, act, held, silent, waits, note, steady, learning, ready, unlearned, unusable or new
	Open     []protocol.Alert `json:"open"`
	Standing *Standing        `json:"standing"`
	// Learned tells how many readings each series has gathered for a baseline that is being learned;
	// nil where none is.
	Learned map[string]int `json:"learned,omitempty"`
}

// printersAtOnce is how many printers are asked for at a time.
const printersAtOnce = 8

// Printers gives how each printer stands, by its newest record. Empty names match all.
func Printers(ctx context.Context, js jetstream.JetStream, site, printer string) ([]Printer, error) {
	records, err := bus.OpenRecords(ctx, js)
	if err != nil {
		return nil, err
	}
	names, err := records.Printers(ctx)
	if err != nil {
		return nil, err
	}
	names = slices.DeleteFunc(names, func(p [2]string) bool {
		return site != "" && p[0] != site || printer != "" && p[1] != printer
	})
	out := make([]Printer, len(names))
	errs := make([]error, printersAtOnce)
	var wg sync.WaitGroup
	for k := range printersAtOnce {
		wg.Go(func() {
			for i := k; i < len(names) && errs[k] == nil; i += printersAtOnce {
				out[i], errs[k] = printerNow(ctx, js, records, names[i][0], names[i][1])
			}
		})
	}
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return nil, err
		}
	}
	return slices.DeleteFunc(out, func(p Printer) bool { return p.Printer == "" }), nil
}

func printerNow(ctx context.Context, js jetstream.JetStream, records *bus.Records, site, name string) (Printer, error) {
	last, err := records.Last(ctx, protocol.PrinterRecords(site, name))
	if err != nil || last == nil || last.Record == nil {
		return Printer{}, err
	}
	var st struct {
		Standing *Standing         `json:"standing"`
		Learning map[string]uint64 `json:"learning"`
		Learned  map[string]int    `json:"learned"`
	}
	if err := json.Unmarshal(last.Record.PrinterState, &st); err != nil && len(last.Record.PrinterState) > 0 {
		return Printer{}, fmt.Errorf("state in record %d: %w", last.Seq, err)
	}
	p := Printer{Site: site, Printer: name, Open: last.Record.Open, Standing: st.Standing}
	for _, since := range st.Learning {
		if since > 0 { // 0: no longer
			p.Learned = st.Learned
			if p.Learned == nil {
				p.Learned = map[string]int{}
			}
		}
	}
	if p.Standing == nil {
		if p.Standing, err = StandingOf(ctx, js, site, name); err != nil {
			return Printer{}, err
		}
		p.Standing = p.Standing.After(last.Record)
	}
	if p.Open == nil {
		p.Open = []protocol.Alert{}
	}
	p.State = stateOf(p.Open, p.Standing, p.Learned != nil)
	return p, nil
}

// stateOf says in a word how a printer stands: what is open comes first, then its last reading.
func stateOf(open []protocol.Alert, s *Standing, learning bool) string {
	state := ""
	held, silent := false, false
	for _, a := range open {
		switch {
		case a.Held:
			held = true
		case a.Advice == protocol.AdviceSilent:
			silent = true
		case ranks[a.Level] > ranks[state]:
			state = a.Level
		}
	}
	switch {
	case state != "":
		return state
	case silent:
		return "silent"
	case held:
		return "held"
	case s.Outcome == "":
		return "new"
	case s.Outcome == protocol.LevelAct || s.Outcome == protocol.LevelStop:
		return "waits" // one reading does not raise an alert
	case s.Outcome == protocol.Learning && !learning && !s.Baseline.IsZero():
		return "ready" // the baseline is in force, and nothing has been read since
	case s.Outcome == protocol.Learning && !learning:
		return "unlearned" // there is nothing to compare with, and nobody has said what is good
	}
	return s.Outcome
}
