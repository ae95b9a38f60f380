// Package demo plays a week at the made-up Quay Street pennant works, before the real worker on a bus
// of its own. The shop, its printers and its troubles are simulated; what the worker says of them is not.
package demo

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/chat"
	"swathkeeper/worker/handclock"
	"swathkeeper/worker/station"
)

// Options of a demo.
type Options struct {
	Out     io.Writer
	Dir     string // where the history stays; empty: a temporary folder, named at the end
	Fast    bool   // no pause between readings
	Version string // of the program
	Self    string // how the program is called, for the commands that the end names
}

// NotEmptyError says that the folder holds something already.
type NotEmptyError struct{ Dir string }

func (e *NotEmptyError) Error() string { return e.Dir + ": the folder is not empty" }

// How long a person may read, after a line and after a message.
const (
	pauseLine    = 130 * time.Millisecond
	pauseMessage = 1200 * time.Millisecond
)

// answerWithin is how long the worker may take for one record, on a very busy machine.
const answerWithin = time.Minute

// week is a demo under way.
type week struct {
	out     io.Writer
	w       *worker.Worker
	clock   *handclock.Clock
	works   *works
	records chan *protocol.Record
	fast    bool
	lots    map[string]map[string]string // ink lots by printer and channel
}

// Run plays the week. It takes some 20 seconds, with Fast as long as the worker takes to judge it.
func Run(ctx context.Context, o Options) (err error) {
	dir := o.Dir
	if dir == "" {
		if dir, err = os.MkdirTemp("", "swathkeeper-demo-"); err != nil {
			return err
		}
	} else if entries, err := os.ReadDir(dir); err == nil && len(entries) > 0 {
		return &NotEmptyError{dir}
	}
	d := &week{
		out: o.Out, fast: o.Fast, clock: handclock.New(monday),
		records: make(chan *protocol.Record, 1024), lots: map[string]map[string]string{},
	}
	if d.works, err = newWorks(printers...); err != nil {
		return err
	}
	wo := worker.Options{
		DataDir: dir, Clock: d.clock, Log: zerolog.Nop(), Version: o.Version,
		OnRecord: func(r *protocol.Record) { d.records <- r },
	}
	wo.Alert.Zone = monday.Location()
	wo.Alert.RemindStop = 24 * time.Hour // a week in 20 seconds has no room for more
	if d.w, err = worker.New(wo); err != nil {
		return err
	}
	fmt.Fprintln(d.out, "The Quay Street pennant works: three printers, a heat press, a bench where charts are read.")
	fmt.Fprintln(d.out, "The shop is made up and its charts are simulated; the worker that watches it is the real one.")
	if err := d.w.Start(ctx); err != nil {
		return err
	}
	defer func() {
		stopCtx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 15*time.Second)
		defer cancel()
		err = errors.Join(err, d.w.Stop(stopCtx))
	}()
	if err := d.play(ctx); err != nil {
		return err
	}
	d.close(dir, o.Self)
	return nil
}

// play goes through the script.
func (d *week) play(ctx context.Context) error {
	stores, err := bus.OpenStores(ctx, d.w.JetStream())
	if err != nil {
		return err
	}
	defer stores.Close()
	if err := stores.PutChart(ctx, d.works.layout); err != nil {
		return err
	}
	events := script()
	first := slices.IndexFunc(events, func(e event) bool { return e.day >= firstWatched })
	fmt.Fprintf(d.out, "\nThe week before: fifteen charts of each printer are read on five days and said to be good.\n")
	if err := d.learn(ctx, events[:first]); err != nil {
		return err
	}
	for _, e := range events[first:] {
		records, err := d.tell(ctx, e)
		if err != nil {
			return err
		}
		if e.say != "" {
			fmt.Fprintf(d.out, "\n%s\n", e.say)
		}
		pause := pauseLine
		for _, r := range records {
			if d.show(r) {
				pause = pauseMessage
			}
		}
		if err := d.rest(ctx, pause); err != nil {
			return err
		}
	}
	return nil
}

// learn plays the week of good readings, told by a dot for every few of them.
func (d *week) learn(ctx context.Context, events []event) error {
	learned := 0
	for _, e := range events {
		records, err := d.tell(ctx, e)
		if err != nil {
			return err
		}
		if learned++; learned%6 == 0 {
			fmt.Fprint(d.out, ".")
		}
		for _, r := range records {
			if r.Refusal != nil {
				return fmt.Errorf("demo: %s", r.Text)
			}
			if r.Baseline != nil && r.Baseline.Do == protocol.BaselineAccept {
				fmt.Fprintf(d.out, "\n  %s", r.Text)
				learned = 0
			}
		}
	}
	fmt.Fprintln(d.out)
	return nil
}

// rest lets the reader read.
func (d *week) rest(ctx context.Context, pause time.Duration) error {
	if d.fast {
		return nil
	}
	t := time.NewTimer(pause)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// tell sends one reading or note and waits for its record. With it come those that the worker made by
// itself since, such as a reminder that fell due, all in the order of their times.
func (d *week) tell(ctx context.Context, e event) ([]*protocol.Record, error) {
	at := e.at()
	d.clock.Set(at.Add(time.Minute))
	seq, err := d.send(ctx, e, at)
	if err != nil {
		return nil, err
	}
	patience := time.NewTimer(answerWithin)
	defer patience.Stop()
	var records []*protocol.Record
	for {
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case r := <-d.records:
			records = append(records, r)
			if r.InboxSeq == seq {
				slices.SortStableFunc(records, func(a, b *protocol.Record) int { return a.At.Compare(b.At) })
				return records, nil
			}
		case <-patience.C:
			return nil, fmt.Errorf("demo: the worker did not answer within %v", answerWithin)
		}
	}
}

// send puts what happens into the inbox and gives its place there.
func (d *week) send(ctx context.Context, e event, at time.Time) (uint64, error) {
	js := d.w.JetStream()
	if e.note != nil {
		n := *e.note
		n.Schema, n.ID, n.At, n.Site, n.Printer = protocol.SchemaNote, newID(d.works.rng, at), at, "quay", e.printer
		if j := n.Journal; j != nil && j.What == protocol.DidInk {
			d.lots[e.printer] = map[string]string{j.Channel: j.Lot}
		}
		return station.PublishNote(ctx, js, &n)
	}
	r, err := d.works.read(e.printer, e.day, at, e.fault, d.lots[e.printer])
	if err != nil {
		return 0, err
	}
	data, err := station.Pack(r)
	if err != nil {
		return 0, err
	}
	seq, _, err := station.Publish(ctx, js, r, data)
	return seq, err
}

// show prints a record as a line, and what chat would say as a box; it says whether there was one.
func (d *week) show(r *protocol.Record) (message bool) {
	zone := monday.Location()
	fmt.Fprintf(d.out, "  %s  %s\n", r.At.In(zone).Format("Mon 15:04"), r.Text)
	for _, text := range chat.Render(*r, zone) {
		fmt.Fprintln(d.out, "    +--")
		for _, line := range strings.Split(strings.TrimSpace(text), "\n") {
			fmt.Fprintf(d.out, "    | %s\n", line)
		}
		fmt.Fprintln(d.out, "    +--")
		message = true
	}
	return message
}

// close says how to look at what happened.
func (d *week) close(dir, self string) {
	fmt.Fprintf(d.out, "\nThat was the week. Its history is in %s; look at it with\n", dir)
	self = cmp.Or(self, "swathkeeper")
	for _, args := range []string{"history --changes", "journal list", "show heron", "report --printer heron --since " + monday.Format(time.DateOnly) + " --out heron.html"} {
		fmt.Fprintf(d.out, "  %s %s --data %s\n", self, args, dir)
	}
}
