package chat

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// catchUp is how late a daily message may be told, by a worker that was not running at its time.
const catchUp = 12 * time.Hour

// job is something told once a day.
type job struct {
	id      string
	of      time.Duration // time of day
	compose func(ctx context.Context, day time.Time) (m *Message, done func(context.Context) error, err error)
}

func (t *teller) jobs() []job {
	var out []job
	if t.quiet != nil {
		out = append(out, job{"morning", t.quiet.till, t.morning})
	}
	if t.Digest != "" {
		of, err := parseClock(t.Digest)
		if err == nil { // Validate has read it
			out = append(out, job{"digest", of, t.digest})
		}
	}
	return out
}

// runDaily tells what is told once a day, until ctx ends. Of several workers on one bus, one tells.
func (t *teller) runDaily(ctx context.Context) {
	fresh := t.fresh
	begun := map[string]*errand{}
	for ctx.Err() == nil {
		now := t.c.o.Clock.Now()
		var next time.Time
		for _, j := range t.jobs() {
			last, after := daily(j.of, now, t.c.o.Zone)
			if next.IsZero() || after.Before(next) {
				next = after
			}
			if fresh || now.Sub(last) > catchUp {
				continue // a new target begins with what comes
			}
			id := j.id + "." + last.Format("2006-01-02")
			e := begun[j.id]
			if e == nil || e.id != id {
				e = &errand{id: id, compose: func(ctx context.Context) (*Message, func(context.Context) error, error) { return j.compose(ctx, last) }}
				begun[j.id] = e
			}
			if err := t.once(ctx, e); err != nil && ctx.Err() == nil {
				t.log.Error().Err(err).Str("job", j.id).Msg("daily message waits")
				if retry := now.Add(time.Minute); retry.Before(next) {
					next = retry
				}
			}
		}
		fresh = false
		if t.wait(ctx, next, func() error { return nil }) != nil {
			return
		}
	}
}

// errand is something that is told once for everybody, and how far this program has come with it.
type errand struct {
	id      string
	compose func(ctx context.Context) (m *Message, done func(context.Context) error, err error)

	claimed time.Time // by this program; zero: it is not
	told    bool
	over    bool
	done    func(context.Context) error // what is left to do once it is told; nil: nothing
}

// once tells an errand's message, if nobody has. After an error it may be called again, and goes on where
// it was: its own claim is no other worker's, and what was told is not told again.
func (t *teller) once(ctx context.Context, e *errand) error {
	if e.over {
		return nil
	}
	now := t.c.o.Clock.Now
	if e.claimed.IsZero() || now().Sub(e.claimed) >= claimFor {
		at := now()
		mine, err := t.sent.claim(ctx, e.id)
		if err != nil || !mine {
			return err
		}
		e.claimed = at
	}
	if !e.told {
		m, done, err := e.compose(ctx)
		if err != nil {
			return err
		}
		if m != nil {
			m.Schema, m.Target = SchemaMessage, t.Name
			m.ID = protocol.DerivedID(t.Name, e.id)
			m.Title = firstLine(m.Text)
			// While its service is away the claim is kept, or another worker would tell it too.
			keep := func() error {
				at := now()
				if at.Sub(e.claimed) < claimFor/2 {
					return nil
				}
				err := t.sent.put(ctx, e.id, 0)
				if err == nil {
					e.claimed = at
				}
				return err
			}
			if err := t.deliver(ctx, *m, keep); err != nil {
				return err
			}
		}
		e.told, e.done = true, done
	}
	if e.done != nil {
		if err := e.done(ctx); err != nil {
			return err
		}
		e.done = nil
	}
	err := t.sent.put(ctx, e.id, 1)
	e.over = err == nil
	return err
}

// morning tells, in one message, what quiet hours held back and is still open, and which alerts
// that people knew of are over.
func (t *teller) morning(ctx context.Context, day time.Time) (*Message, func(context.Context) error, error) {
	held, err := t.sent.heldBack(ctx)
	if err != nil || len(held) == 0 {
		return nil, nil, err
	}
	done := func(ctx context.Context) error { return t.sent.forget(ctx, held) }
	records, err := bus.OpenRecords(ctx, t.c.js)
	if err != nil {
		return nil, nil, err
	}
	open := map[string]protocol.Alert{}
	var still, over []kept
	asked := map[string]bool{}
	for _, k := range sortedKept(held) {
		if p := protocol.PrinterRecords(k.Site, k.Printer); !asked[p] {
			asked[p] = true
			last, err := records.Last(ctx, p)
			if err != nil {
				return nil, nil, err
			}
			if last != nil && last.Record != nil {
				for _, a := range last.Record.Open {
					open[a.Key] = a
				}
			}
		}
		a, isOpen := open[k.Last.Key]
		switch {
		case isOpen && !a.Held:
			k.Last.Level = a.Level
			still = append(still, k)
		case !isOpen && k.First != protocol.ChangeRaised:
			over = append(over, k)
		}
	}
	if len(still)+len(over) == 0 {
		return nil, done, nil
	}
	m := &Message{Kind: KindOpen, At: day, Level: protocol.LevelAct}
	for _, k := range still {
		m.Open = append(m.Open, open[k.Last.Key])
		if k.Last.Level == protocol.LevelStop {
			m.Level = protocol.LevelStop
		}
	}
	if len(still) == 1 && len(over) == 0 {
		k := still[0]
		m.Site, m.Printer, m.Change = k.Site, k.Printer, &k.Last
		m.Text = renderChange(k.Site, k.Printer, k.Last, nil, k.At, k.At, t.c.o.Zone)
		return m, done, nil
	}
	var lines []string
	for _, k := range still {
		stop := ""
		if k.Last.Level == protocol.LevelStop {
			stop = "STOP "
		}
		lines = append(lines, "- "+stop+where(k.Site, k.Printer)+": "+cause(k.Last)+", since "+clock(k.Last.Since, t.c.o.Zone)+".")
	}
	for _, k := range over {
		lines = append(lines, "- Over: "+where(k.Site, k.Printer)+", "+cause(k.Last)+".")
	}
	m.Text = list(fmt.Sprintf("Good morning. %s still open after the quiet hours.", plural(len(still), "alert")), lines,
		"What to do, and what to mind while doing it: swathkeeper alert list.")
	return m, done, nil
}

// list puts lines between a head and a foot, under MaxText characters; what does not fit is
// counted.
func list(head string, lines []string, foot string) string {
	text := head
	for i, l := range lines {
		more := fmt.Sprintf("\n- and %d more.", len(lines)-i)
		if runes(text)+runes(l)+1+runes(more)+1+runes(foot) >= MaxText {
			return text + more + "\n" + foot
		}
		text += "\n" + l
	}
	return text + "\n" + foot
}

func runes(s string) int { return len([]rune(s)) }

func plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

func sortedKept(m map[string]kept) []kept {
	var out []kept
	for _, k := range m {
		out = append(out, k)
	}
	slices.SortFunc(out, func(a, b kept) int { return strings.Compare(a.Last.Key, b.Last.Key) })
	return out
}

// digest sums up the last day: readings by outcome and open alerts, printer by printer.
func (t *teller) digest(ctx context.Context, day time.Time) (*Message, func(context.Context) error, error) {
	printers, err := t.lastDay(ctx, day.Add(-24*time.Hour))
	if err != nil {
		return nil, nil, err
	}
	m := &Message{Kind: KindDigest, At: day, Level: protocol.LevelAct}
	total := 0
	var lines []string
	for _, p := range printers {
		total += p.readings
		var parts []string
		parts = append(parts, plural(p.readings, "reading"))
		for _, o := range []struct{ outcome, word string }{
			{protocol.LevelAct, "beyond tolerance"}, {protocol.LevelStop, "beyond the stop limit"}, {protocol.Unusable, "unusable"}, {protocol.Learning, "for the baseline"},
		} {
			if n := p.outcomes[o.outcome]; n > 0 {
				parts = append(parts, fmt.Sprintf("%d %s", n, o.word))
			}
		}
		line := "- " + where(p.site, p.name) + ": " + strings.Join(parts, ", ")
		if len(p.open) == 0 {
			line += "; nothing open."
		} else {
			m.Open = append(m.Open, p.open...)
			line += "; open: " + openNames(p.open) + "."
		}
		lines = append(lines, line)
	}
	head := fmt.Sprintf("The day to %s: %s, %s open.", clock(day, t.c.o.Zone), plural(total, "reading"), plural(len(m.Open), "alert"))
	m.Text = list(head, lines, "More: swathkeeper history.")
	return m, nil, nil
}

func openNames(open []protocol.Alert) string {
	var b []string
	for _, a := range open {
		name := Cause(a)
		if a.Level == protocol.LevelStop {
			name = "STOP " + name
		}
		b = append(b, name)
	}
	return strings.Join(b, ", ")
}

// printerDay is one printer's last day.
type printerDay struct {
	site, name string
	readings   int
	outcomes   map[string]int
	open       []protocol.Alert
}

// lastDay reads the target's records since a time. Printers with nothing recorded since are listed
// only if something is open on them.
func (t *teller) lastDay(ctx context.Context, since time.Time) ([]*printerDay, error) {
	stream, err := t.c.js.Stream(ctx, protocol.StreamRecord)
	if err != nil {
		return nil, err
	}
	records, err := bus.OpenRecords(ctx, t.c.js)
	if err != nil {
		return nil, err
	}
	days := map[string]*printerDay{}
	for _, filter := range t.records() {
		info, err := stream.Info(ctx, jetstream.WithSubjectFilter(filter))
		if err != nil {
			return nil, err
		}
		for subject := range info.State.Subjects {
			parts := strings.Split(subject, ".")
			if len(parts) < 4 {
				continue
			}
			site, name := parts[2], parts[3]
			if days[site+"."+name] != nil {
				continue
			}
			d := &printerDay{site: site, name: name, outcomes: map[string]int{}}
			days[site+"."+name] = d
			last, err := records.Last(ctx, protocol.PrinterRecords(site, name))
			if err != nil {
				return nil, err
			}
			if last != nil && last.Record != nil {
				d.open = last.Record.Open
			}
		}
	}
	err = t.since(ctx, since, func(r *protocol.Record) {
		if d := days[r.Site+"."+r.Printer]; d != nil && r.Verdict != nil {
			d.readings++
			d.outcomes[r.Verdict.Outcome]++
		}
	})
	if err != nil {
		return nil, err
	}
	var out []*printerDay
	for _, d := range days {
		if d.readings > 0 || len(d.open) > 0 {
			out = append(out, d)
		}
	}
	slices.SortFunc(out, func(a, b *printerDay) int { return strings.Compare(a.site+"."+a.name, b.site+"."+b.name) })
	return out, nil
}

// since reads the target's records stored from a time on, up to the newest there is now.
func (t *teller) since(ctx context.Context, from time.Time, f func(*protocol.Record)) error {
	for _, subject := range t.records() {
		err := bus.ReadDirect(ctx, t.c.js, protocol.StreamRecord, subject, 0, from, func(m bus.Message) error {
			if rec, err := protocol.DecodeRecord(m.Data); err == nil {
				f(rec)
			}
			return nil
		})
		if err != nil {
			return fmt.Errorf("records of the last day: %w", err)
		}
	}
	return nil
}
