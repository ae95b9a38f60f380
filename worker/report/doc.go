// Package report puts what happened to one printer onto one page of HTML that needs nothing else: no
// script, no picture and no font from elsewhere. It reads well on a screen, light or dark, on a
// phone, and on A4 paper.
package report

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
	"swathkeeper/worker/detail"
	"swathkeeper/worker/history"
)

// Page is what a report shows.
type Page struct {
	Site, Printer string
	From, To      time.Time
	Made          time.Time
	Zone          *time.Location
	Now           history.Printer
	Readings      int
	Series        []Series
	Events        []Event
	Spans         []Span
}

// Series is what one kind of print went through.
type Series struct {
	Name   string // the printing condition, in words
	Tracks []detail.Track
	// Patches compare the newest reading with the baseline; Of is when it was taken.
	Patches []detail.Patch
	Of      time.Time
	Missing []string
	// SetNow says that some tolerance drawn is the one set now: its baseline was not found.
	SetNow bool
}

// Event is one line of what happened: a change of an alert, or something that was done.
type Event struct {
	At    time.Time
	Kind  string // alert, journal, baseline, refused
	Level string
	What  string
	Why   string
	// Helped says what came of something that was done.
	Helped string
	Mark   string // one or two letters on the time axis; empty: none
	note   string
}

// Span is how long an alert was open.
type Span struct {
	Key, What, Level string
	From, To         time.Time // To is the end of the report where it is open still
	Open             bool
}

// mostReadings bounds what a report draws: the newest of a period are shown.
const mostReadings = 1500

// Collect reads what a report of a printer shows. tol are the tolerances set now, for readings whose
// own are not known.
func Collect(ctx context.Context, js jetstream.JetStream, site, printer string, from, to, now time.Time, zone *time.Location, tol drift.Tolerances) (*Page, error) {
	list, err := history.Printers(ctx, js, site, printer)
	if err != nil {
		return nil, err
	}
	switch len(list) {
	case 0:
		if err := history.Known(ctx, js, site, printer); err != nil {
			return nil, err
		}
		return nil, fmt.Errorf("printer %s has no records that can be read", printer)
	case 1:
	default:
		return nil, fmt.Errorf("printer %s stands at several sites: give --site too", printer)
	}
	p := &Page{Site: list[0].Site, Printer: list[0].Printer, From: from, To: to, Made: now, Zone: zone, Now: list[0]}
	c := collector{page: p, series: map[string][]*protocol.Verdict{}, newest: map[string]*protocol.Record{}, open: map[string]int{}, setNow: tol, tolerances: map[string]*drift.Tolerances{}}
	q := history.Query{Site: p.Site, Printer: p.Printer, Since: from, Until: to}
	err = history.Read(ctx, js, q, func(e history.Entry) error {
		c.take(e.Record)
		return nil
	})
	if err != nil {
		return nil, err
	}
	if err := c.finish(ctx, js); err != nil {
		return nil, err
	}
	return p, nil
}

// collector gathers records into a page.
type collector struct {
	page   *Page
	series map[string][]*protocol.Verdict
	order  []string
	newest map[string]*protocol.Record
	open   map[string]int // index of a span by its alert's key

	setNow     drift.Tolerances
	tolerances map[string]*drift.Tolerances // by baseline; nil: not found
}

func (c *collector) take(r *protocol.Record) {
	p := c.page
	if v := r.Verdict; v != nil {
		p.Readings++
		if !v.Late {
			if _, ok := c.series[v.Series]; !ok {
				c.order = append(c.order, v.Series)
			}
			list := append(c.series[v.Series], v)
			c.series[v.Series] = list[max(0, len(list)-mostReadings):]
			c.newest[v.Series] = r
		}
	}
	for _, o := range r.Outcomes {
		for i := range p.Events {
			if p.Events[i].note == o.Note {
				p.Events[i].Helped = outcomeWords[o.Outcome]
			}
		}
	}
	for _, ch := range r.Changes {
		c.change(r, ch)
	}
	switch {
	case r.Note != nil && r.Note.Journal != nil:
		p.Events = append(p.Events, journalEvent(r))
	case r.Baseline != nil && r.Baseline.Do == protocol.BaselineAccept:
		p.Events = append(p.Events, Event{At: r.At, Kind: "baseline", Mark: "B", What: "new baseline of " + detail.Count(r.Baseline.Count, "reading"), Why: r.Baseline.Reason})
	case r.Baseline != nil && r.Baseline.Do == protocol.BaselineRetire:
		p.Events = append(p.Events, Event{At: r.At, Kind: "baseline", Mark: "B", What: "baseline retired", Why: r.Baseline.Reason})
	case r.Refusal != nil:
		p.Events = append(p.Events, Event{At: r.At, Kind: "refused", What: "something sent was refused", Why: r.Refusal.Text()})
	}
}

// outcomeWords say what came of something that was done.
var outcomeWords = map[string]string{protocol.Helped: "helped", protocol.NoChange: "changed nothing", protocol.Worse: "made it worse"}

// change makes an event of an alert's change and draws its span.
func (c *collector) change(r *protocol.Record, ch protocol.Change) {
	p := c.page
	what := detail.AdviceWords(ch.Advice, ch.Channel)
	if ch.Advice == protocol.AdviceSilent {
		what = "no readings from " + orDash(ch.Channel)
	}
	e := Event{At: r.At, Kind: "alert", Level: ch.Level, What: ch.Change + ": " + what, Why: ch.Why}
	switch ch.Change {
	case protocol.ChangeCleared, protocol.ChangeClosed, protocol.ChangeAbsorbed, protocol.ChangeHeld:
		e.Level = ""
	}
	p.Events = append(p.Events, e)
	switch ch.Change {
	case protocol.ChangeRaised:
		since := ch.Since
		if since.Before(p.From) {
			since = p.From
		}
		c.open[ch.Key] = len(p.Spans)
		p.Spans = append(p.Spans, Span{Key: ch.Key, What: what, Level: ch.Level, From: since, To: p.To, Open: true})
	case protocol.ChangeCleared, protocol.ChangeClosed, protocol.ChangeAbsorbed:
		i, ok := c.open[ch.Key]
		if !ok { // it was raised before the period
			i = len(p.Spans)
			p.Spans = append(p.Spans, Span{Key: ch.Key, What: what, Level: ch.Level, From: p.From})
		}
		p.Spans[i].To, p.Spans[i].Open = r.At, false
		delete(c.open, ch.Key)
	default:
		if i, ok := c.open[ch.Key]; ok && ch.Level == protocol.LevelStop {
			p.Spans[i].Level = ch.Level
		}
	}
}

// marksOf are the letters of the journal on the time axis.
var marksOf = map[string]string{
	protocol.DidClean: "C", protocol.DidInk: "I", protocol.DidProfile: "P", protocol.DidPress: "H", protocol.DidMedia: "M", protocol.DidService: "S", protocol.DidNote: "N",
}

var journalWords = map[string]string{
	protocol.DidClean: "head cleaned", protocol.DidInk: "ink changed", protocol.DidProfile: "profile refitted", protocol.DidPress: "heat press",
	protocol.DidMedia: "media changed", protocol.DidService: "service", protocol.DidNote: "note",
}

func journalEvent(r *protocol.Record) Event {
	n := r.Note
	e := Event{At: n.At, Kind: "journal", Mark: marksOf[n.Journal.What], What: journalWords[n.Journal.What], Why: n.Text, note: n.ID}
	if n.Journal.Channel != "" {
		e.What += ", " + detail.Channel(n.Journal.Channel)
	}
	if n.Journal.Lot != "" {
		e.What += ", lot " + n.Journal.Lot
	}
	if n.Who != "" {
		e.Why += cond(e.Why != "", " ", "") + "(" + n.Who + ")"
	}
	if n.Journal.What != protocol.DidNote {
		e.Helped = "no answer yet"
	}
	return e
}

// finish adds what needs more than the records: the chart now against the baseline, alerts that were
// open all through.
func (c *collector) finish(ctx context.Context, js jetstream.JetStream) error {
	p := c.page
	for _, a := range p.Now.Open {
		if _, ok := c.open[a.Key]; !ok && a.Since.Before(p.To) {
			from := a.Since
			if from.Before(p.From) {
				from = p.From
			}
			p.Spans = append(p.Spans, Span{Key: a.Key, What: detail.AdviceWords(a.Advice, a.Channel), Level: a.Level, From: from, To: p.To, Open: true})
		}
	}
	for _, id := range c.order {
		r := c.newest[id]
		s := Series{Name: detail.Condition(r.Verdict.Condition), Of: r.Verdict.At}
		for _, v := range c.series[id] {
			if err := c.lookUp(ctx, js, v); err != nil {
				return err
			}
		}
		s.Tracks = detail.Tracks(c.series[id], func(v *protocol.Verdict) *drift.Tolerances {
			if t := c.tolerances[v.Baseline.ID]; t != nil {
				return t
			}
			s.SetNow = true
			return &c.setNow
		})
		slices.SortStableFunc(s.Tracks, func(a, b detail.Track) int {
			return slices.Index(trackOrder, a.Kind) - slices.Index(trackOrder, b.Kind)
		})
		d, err := detail.LoadSheet(ctx, js, r)
		if err != nil {
			return err
		}
		s.Patches, s.Missing = d.Patches, d.Missing
		p.Series = append(p.Series, s)
	}
	slices.SortStableFunc(p.Events, func(a, b Event) int { return a.At.Compare(b.At) })
	return nil
}

// lookUp finds the tolerances that a verdict was judged by, once for each baseline.
func (c *collector) lookUp(ctx context.Context, js jetstream.JetStream, v *protocol.Verdict) error {
	if _, ok := c.tolerances[v.Baseline.ID]; ok || v.Colour == nil {
		return nil
	}
	t, err := detail.TolerancesAt(ctx, js, v)
	c.tolerances[v.Baseline.ID] = t
	return err
}

// trackOrder is the order of control charts; kinds not named come first, so that none is missed.
var trackOrder = []string{"mean", "strength", "tone", "tone_left", "hue", "load", "lines", "white", "flare", "cast", "depth"}

func orDash(s string) string {
	if s == "" {
		return "the station"
	}
	return s
}

func cond(ok bool, yes, no string) string {
	if ok {
		return yes
	}
	return no
}
