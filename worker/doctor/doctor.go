// Package doctor looks at a worker's data folder, bus and store from outside, whether the worker
// runs or not, and says of each thing how it is and what to do next. It changes nothing.
package doctor

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/health"
	"swathkeeper/worker/history"
	"swathkeeper/worker/retention"
	"swathkeeper/worker/zones"
)

// How a thing is.
const (
	Fine  = "fine"
	Look  = "look"  // works, and wants looking at
	Fault = "fault" // does not work
)

// Finding is what is said about one thing.
type Finding struct {
	Area    string `json:"area"` // configuration, worker, bus, store, disk, clock, chat, stations or baselines
	Verdict string `json:"verdict"`
	Text    string `json:"text"`           // what was seen
	Next    string `json:"next,omitempty"` // what to do first; empty where nothing is to be done
}

func fine(area, format string, args ...any) Finding {
	return Finding{Area: area, Verdict: Fine, Text: fmt.Sprintf(format, args...)}
}

func look(area, next, format string, args ...any) Finding {
	return Finding{Area: area, Verdict: Look, Text: fmt.Sprintf(format, args...), Next: next}
}

func fault(area, next, format string, args ...any) Finding {
	return Finding{Area: area, Verdict: Fault, Text: fmt.Sprintf(format, args...), Next: next}
}

// Worst gives the gravest verdict of findings.
func Worst(list []Finding) string {
	worst := Fine
	for _, f := range list {
		if f.Verdict == Fault || worst == Fine {
			worst = f.Verdict
		}
	}
	return worst
}

// Bus looks at the streams, stores and the judging consumer. own says that they are a worker's own,
// which sets them up itself; what stands in without is not looked at.
func Bus(ctx context.Context, js jetstream.JetStream, own bool, without ...string) []Finding {
	err := bus.Check(ctx, js, without...)
	switch {
	case err == nil:
		if gone, err := bus.FindGone(ctx, js); err == nil && gone != nil {
			return []Finding{fault("bus", "stop the worker, and bring the store back from a copy (`swathkeeper import`)", "%s", gone)}
		}
		var out []Finding
		remarks, err := bus.Remarks(ctx, js, without...)
		if err != nil {
			out = append(out, fault("bus", "see that the NATS servers run and can be reached", "%v", err))
		}
		for _, r := range remarks {
			out = append(out, look("bus", r.Next, "%s", r.Text))
		}
		return append(out, fine("bus", "everything that holds readings, records and baselines is there, and nothing is forgotten by itself"))
	case errors.Is(err, bus.ErrNotProvisioned) && lost(ctx, js):
		return []Finding{fault("bus", "bring the store back from a copy (`swathkeeper import`) before a worker starts: what is made anew is empty", "%v, while others hold messages: a part of this store is lost", err)}
	case errors.Is(err, bus.ErrNotProvisioned) && own:
		return []Finding{fault("bus", "start the worker: it makes what is missing", "%v", err)}
	case errors.Is(err, bus.ErrNotProvisioned):
		return []Finding{fault("bus", "do `swathkeeper init --nats ...` once, as the bus's administrator", "%v", err)}
	case bus.IsAway(err):
		return []Finding{fault("bus", "see that the NATS servers run and can be reached; a cluster needs more than half of its servers", "%v", err)}
	}
	return []Finding{fault("bus", "change it as the message says; until then no worker uses this bus", "%v", err)}
}

func lost(ctx context.Context, js jetstream.JetStream) bool {
	gone, err := bus.FindGone(ctx, js)
	return err == nil && gone != nil
}

// Store looks at how full the streams are, and whether the server lost any of their messages. beside
// are the sizes of what js does not show.
func Store(ctx context.Context, js jetstream.JetStream, beside ...retention.Size) []Finding {
	var out []Finding
	var single []string // streams on one server of a cluster
	total := uint64(0)
	for _, z := range beside {
		total += z.Bytes
		if z.Limit > 0 && float64(z.Bytes) > 0.8*float64(z.Limit) {
			out = append(out, look("store", limitNext(z.Stream), "the room for %s is %.0f %% full (%s)", z.What, 100*float64(z.Bytes)/float64(z.Limit), z.Stream))
		}
	}
	for _, k := range [][2]string{
		{"readings and notes", protocol.StreamInbox}, {"records", protocol.StreamRecord}, {"scans", protocol.StreamScans},
		{"baselines", "OBJ_" + protocol.BucketBaselines}, {"what chat has sent", "KV_" + protocol.BucketSent},
	} {
		what, name := k[0], k[1]
		s, err := js.Stream(ctx, name)
		if errors.Is(err, jetstream.ErrStreamNotFound) {
			continue // Bus says so; scans are left out where a stopped worker's store is looked at
		}
		if err != nil {
			out = append(out, fault("store", "see the worker's log", "%s: %v", name, err))
			continue
		}
		i := s.CachedInfo()
		total += i.State.Bytes
		if i.Cluster != nil && i.Cluster.Name != "" && i.Config.Replicas <= 1 {
			single = append(single, name)
		}
		out = append(out, stream(ctx, js, what, i)...)
	}
	if len(single) > 0 {
		out = append(out, look("bus", "do `swathkeeper init --replicas 3 --nats ...` once, as the bus's administrator", "the bus is a cluster, and %s kept on one server only: were its disk lost, all of it would be", isOrAre(single)))
	}
	read, found, ok := newestRecords(ctx, js)
	if out = append(out, found...); !ok {
		return out
	}
	text := fmt.Sprintf("%d MB kept; the newest record of %s can be read", (total+1<<20-1)>>20, count(read, "printer"))
	if sizes, err := retention.Sizes(ctx, js); err == nil {
		var parts []string
		for _, z := range append(sizes, beside...) {
			parts = append(parts, z.String())
		}
		text += "; " + strings.Join(parts, ", ")
	}
	return append(out, fine("store", "%s", text))
}

// stream looks at one stream: what is gone from it, where its copies are, and how full it is.
func stream(ctx context.Context, js jetstream.JetStream, what string, i *jetstream.StreamInfo) []Finding {
	var out []Finding
	name := i.Config.Name
	if name == protocol.StreamRecord || name == protocol.StreamInbox {
		if gone, err := missing(ctx, js, name, i.State); err != nil {
			out = append(out, fault("store", "see the worker's log", "%s: %v", name, err))
		} else if gone > 0 {
			out = append(out, look("store", "find out who or what removed them; a damaged disk does that too", "%d of the %s are gone from the middle (%s)", gone, what, name))
		}
	}
	if i.Cluster != nil {
		for _, r := range i.Cluster.Replicas {
			if r.Offline || !r.Current {
				out = append(out, look("bus", "see that this NATS server runs; with one more away nothing is taken", "%s (%s): the server %s is away, or behind by %d", what, name, r.Name, r.Lag))
			}
		}
	}
	if i.Config.MaxBytes <= 0 {
		return out
	}
	full := float64(i.State.Bytes) / float64(i.Config.MaxBytes)
	if full <= 0.8 {
		return out
	}
	f := look("store", limitNext(name), "the room for %s is %.0f %% full (%s)", what, 100*full, name)
	switch {
	case name == protocol.StreamScans: // nothing waits for it
		f.Text += ": readings are taken as ever, and without their pictures where those do not fit"
	case full > 0.98:
		f.Verdict, f.Text = Fault, f.Text+": nothing more is taken; stations keep what they have"
	}
	return append(out, f)
}

// newestRecords reads the newest record of every printer and counts those that can be read; ok is false
// when not even the printers are known.
func newestRecords(ctx context.Context, js jetstream.JetStream) (read int, out []Finding, ok bool) {
	rec, err := bus.OpenRecords(ctx, js)
	if err != nil {
		return 0, []Finding{fault("store", "see the finding about the bus", "%v", err)}, false
	}
	names, err := rec.Printers(ctx)
	if err != nil {
		return 0, []Finding{fault("store", "see the worker's log", "%v", err)}, false
	}
	for _, p := range names {
		last, err := rec.Last(ctx, protocol.PrinterRecords(p[0], p[1]))
		switch {
		case err != nil:
			out = append(out, fault("store", "keep a copy of the data folder and report it; a newer release may have written it", "the newest record of %s/%s cannot be read: %v", p[0], p[1], err))
		case last == nil || last.Damaged:
			out = append(out, fault("store", fromCopy, "the newest record of %s/%s is damaged: the store has it and does not give it", p[0], p[1]))
		case last.Top != last.Seq:
			out = append(out, look("store", "see who has an administrator's credentials", "something that is no record lies among those of %s/%s, at %d", p[0], p[1], last.Top))
			read++
		default:
			read++
		}
	}
	return read, out, true
}

// missing counts messages that are gone from the middle of a stream. Old records are removed in the
// end, subject by subject, so only the last weeks are looked at.
func missing(ctx context.Context, js jetstream.JetStream, stream string, st jetstream.StreamState) (uint64, error) {
	if st.NumDeleted == 0 {
		return 0, nil
	}
	first, err := bus.FirstSince(ctx, js, stream, time.Now().Add(-lookedAt))
	if err != nil || first == nil {
		return 0, err
	}
	want, have := st.LastSeq-first.Seq, first.Left
	return want - min(want, have), nil
}

// lookedAt is how far back messages may not be missing: no policy lets them go sooner.
const lookedAt = 25 * 24 * time.Hour

// Queue looks at what waits in the inbox, where no worker tells.
func Queue(ctx context.Context, js jetstream.JetStream) []Finding {
	d, err := bus.ReadDivision(ctx, js)
	if err != nil {
		return nil // Bus says so
	}
	queues, err := d.Queues(ctx, js)
	if err != nil {
		return nil
	}
	var n uint64
	for _, q := range queues {
		n += q.Waiting
	}
	if n > 0 {
		return []Finding{look("worker", "start the worker; they are judged in their order", "%d inputs wait for a worker, or for it to find that they have their record", n)}
	}
	return nil
}

// Workers reads the reports of the workers that answered.
func Workers(reports []health.Report, zone *time.Location) []Finding {
	var out []Finding
	for _, r := range reports {
		name := fmt.Sprintf("worker %s (%s, version %s)", r.Name, r.Host, r.Version)
		if !r.Live {
			out = append(out, fault("worker", "restart it, and report this with its log", "%s is stuck", name))
		}
		ready := true
		for _, c := range r.Checks {
			switch {
			case c.OK:
			case c.Minor:
				out = append(out, look(areaOf(c.Name), nextOf(c.Name), "%s: %s", name, c.Text))
			default:
				ready = false
				out = append(out, fault(areaOf(c.Name), nextOf(c.Name), "%s: %s", name, c.Text))
			}
		}
		if ready && r.Live {
			out = append(out, fine("worker", "%s works since %s; judging: %s", name, zones.Stamp(r.Started, zone, stampLayout), r.Judging))
		}
		for _, t := range r.Chat {
			if t.Waiting > 0 {
				out = append(out, fault("chat", "do `swathkeeper chat test "+t.Target+"`; what waits is sent when it works again", "%s (%s): %d attempts failed since %s: %s", t.Target, t.Service, t.Waiting, zones.Stamp(t.Since, zone, stampLayout), t.Error))
			}
		}
	}
	return out
}

func areaOf(check string) string {
	switch check {
	case "judge", "waiting":
		return "worker"
	case "limit", "pictures", "lost":
		return "store"
	case "alive":
		return "worker"
	case "streams":
		return "bus"
	}
	return check
}

func nextOf(check string) string {
	switch check {
	case "bus":
		return "see that the NATS servers run and can be reached"
	case "alive":
		return "see that the address of --alive is right and answers, and that this machine reaches it"
	case "streams":
		return "change it as the message says, as the bus's administrator; `swathkeeper init` makes what is missing"
	case "store":
		return "make room on the disk, and see the worker's log"
	case "disk":
		return "make room on the disk of the data folder"
	case "clock":
		return "set the machine's clock, and let it be kept by NTP"
	case "waiting":
		return "see the worker's log: what the first of them waits for is said there"
	case "limit":
		return limitNext("")
	case "lost":
		return "stop the worker, and bring the store back from a copy (`swathkeeper import`)"
	case "pictures":
		return limitNext(protocol.StreamScans)
	}
	return "see the worker's log"
}

// limitNext says what gives a stream room again.
func limitNext(stream string) string {
	flag := map[string]string{
		protocol.StreamInbox: "--inbox-mib", protocol.StreamRecord: "--record-mib", protocol.StreamScans: "--scans-mib", "OBJ_" + protocol.BucketBaselines: "--baselines-mib",
		"": "--inbox-mib, --record-mib, --scans-mib or --baselines-mib",
	}[stream]
	less := "keep less long, by `readings` and `records` of [keep] in the settings"
	if stream == protocol.StreamScans {
		less = "let a worker run: it removes the oldest pictures within minutes, and its log says so"
	}
	if flag == "" {
		return less
	}
	return less + "; an outside bus is given more room by `swathkeeper init " + flag + "`"
}

// stampLayout is how a finding shows a time.
const stampLayout = "2006-01-02 15:04"

// silentAfter is how long a printer may go unread before it is worth a look. Common practice, no
// source: a control chart is read at least weekly.
const silentAfter = 14 * 24 * time.Hour

// Stations looks at when each printer was last read, and which stations are known to be silent.
func Stations(ctx context.Context, js jetstream.JetStream, now time.Time) []Finding {
	printers, err := history.Printers(ctx, js, "", "")
	if err != nil {
		return []Finding{fault("stations", "see the finding about the store", "%v", err)}
	}
	if len(printers) == 0 {
		return []Finding{look("stations", "print a chart, read it, and send it: `swathkeeper send --help`", "no printer has been read yet")}
	}
	var out []Finding
	good := 0
	for _, p := range printers {
		silent := false
		for _, a := range p.Open {
			if a.Advice == protocol.AdviceSilent {
				silent = true
				out = append(out, fault("stations", "see that the station runs, and that it reaches the bus", "%s/%s: %s", p.Site, p.Printer, a.Why))
			}
		}
		switch {
		case silent:
		case p.Standing != nil && !p.Standing.LastAt.IsZero() && now.Sub(p.Standing.LastAt) > silentAfter:
			out = append(out, look("stations", "read a chart, or retire its baselines if the printer is gone", "%s/%s was last read on %s", p.Site, p.Printer, p.Standing.LastAt.In(now.Location()).Format(time.DateOnly)))
		default:
			good++
		}
	}
	if good > 0 {
		out = append(out, fine("stations", "%d of %s read as expected", good, count(len(printers), "printer")))
	}
	return out
}

func isOrAre(names []string) string {
	if len(names) == 1 {
		return names[0] + " is"
	}
	return strings.Join(names, ", ") + " are"
}

func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
