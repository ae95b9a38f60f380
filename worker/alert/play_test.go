package alert

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol"
)

// play drives the rules as the worker does: one input after another, with the state written to
// JSON and read back in between, and the timer going off when it was asked to.
type play struct {
	t     *testing.T
	state State
	opts  Options
	now   time.Time
	wake  time.Time
	n     int
	told  []protocol.Change
	out   []protocol.JournalOutcome
	open  []protocol.Alert
	each  func(before, after State, d Decision)
}

// Wednesday, in the morning.
var morning = time.Date(2026, 3, 4, 7, 0, 0, 0, time.UTC)

func newPlay(t *testing.T, opts Options) *play {
	if err := opts.Validate(); err != nil {
		t.Fatal(err)
	}
	return &play{t: t, opts: opts, now: morning}
}

func (p *play) step(in Input) Decision {
	p.t.Helper()
	before := p.state
	var d Decision
	p.state, d = Next(p.state, in, p.now, p.opts)
	p.state = rebuild(p.t, p.state)
	p.told = append(p.told, d.Changes...)
	p.out = append(p.out, d.Outcomes...)
	p.open, p.wake = d.Open, d.NextWake
	if p.each != nil {
		p.each(before, p.state, d)
	}
	return d
}

// pass lets time go by, with the timer.
func (p *play) pass(d time.Duration) {
	p.t.Helper()
	until := p.now.Add(d)
	for range 200 {
		if p.wake.IsZero() || p.wake.After(until) {
			break
		}
		if p.wake.After(p.now) {
			p.now = p.wake
		}
		p.step(Input{})
	}
	p.now = until
}

// seen makes a finding; level may carry "!" for overwhelming, and size sets what sizeOf finds.
type seen struct {
	advice, channel, level string
	size                   float64
}

type reading struct {
	series, stage, path, station, print, outcome, baseline string
	late                                                   bool
	noTraces, noPatches, noBaseline                        bool
}

func (p *play) verdict(r reading, found ...seen) *protocol.Verdict {
	p.n++
	v := &protocol.Verdict{
		Schema: protocol.SchemaVerdict, ID: fmt.Sprintf("verdict-%d", p.n), Reading: fmt.Sprintf("reading-%d", p.n),
		At: p.now, Site: "quay", Printer: "heron", Series: or(r.series, "aaaaaaaaaaaa"),
		Condition: protocol.Condition{Media: "pennant-knit", Preset: "deep", Stage: or(r.stage, protocol.StagePressed), Path: or(r.path, protocol.PathDevice)},
		Print:     r.print, Station: or(r.station, "bench-1"), Late: r.late,
		Outcome:  or(r.outcome, protocol.Steady),
		Baseline: protocol.BaselineRef{Grade: protocol.GradeFull, ID: or(r.baseline, "baseline-1"), Count: 10},
		Colour:   &protocol.Colour{}, Banding: &protocol.Banding{},
	}
	if r.noBaseline {
		v.Baseline = protocol.BaselineRef{Grade: protocol.GradeNone}
	}
	for _, ch := range []string{"C", "M", "Y", "K", "all"} {
		v.Banding.Channels = append(v.Banding.Channels, protocol.BandingChannel{Channel: ch})
	}
	for i, f := range found {
		level, over := strings.CutSuffix(f.level, "!")
		if rank(level) > rank(v.Outcome) && r.outcome == "" {
			v.Outcome = level
		}
		v.Findings = append(v.Findings, protocol.Finding{
			Advice: f.advice, Channel: f.channel, Level: level, Overwhelming: over, Likelihood: 0.9 - float64(i)/10,
			Why: fmt.Sprintf("%s %s by %.1f", f.advice, f.channel, f.size),
		})
		if f.size == 0 {
			continue
		}
		switch f.advice {
		case protocol.AdviceClean, protocol.AdviceFeed:
			kind, name := "dropout", f.channel
			if f.advice == protocol.AdviceFeed {
				kind, name = "feed", "all"
			}
			for k := range v.Banding.Channels {
				if ch := &v.Banding.Channels[k]; ch.Channel == name {
					ch.Lines = append(ch.Lines, protocol.Line{Kind: kind, ContrastDE00: f.size})
				}
			}
		case protocol.AdviceInk:
			v.Colour.Channels = append(v.Colour.Channels, protocol.ColourChannel{Channel: f.channel, StrengthPercent: -3 * f.size})
		default:
			v.Colour.MeanDE00 = f.size
		}
	}
	if r.noTraces {
		v.Banding = nil
	}
	if r.noPatches {
		v.Colour = nil
	}
	return v
}

// read takes a reading an hour after the last one.
func (p *play) read(found ...seen) Decision {
	p.t.Helper()
	return p.readAs(reading{}, found...)
}

func (p *play) readAs(r reading, found ...seen) Decision {
	p.t.Helper()
	p.pass(time.Hour)
	return p.step(Input{Verdict: p.verdict(r, found...)})
}

func (p *play) note(n protocol.Note) Decision {
	p.t.Helper()
	p.pass(10 * time.Minute)
	p.n++
	n.Schema, n.ID, n.At, n.Site, n.Printer = protocol.SchemaNote, protocol.DerivedID("note", fmt.Sprint(p.n)), p.now, "quay", "heron"
	if err := n.Validate(); err != nil {
		p.t.Fatal(err)
	}
	return p.step(Input{Note: &n})
}

func (p *play) did(what, channel string) Decision {
	p.t.Helper()
	return p.note(protocol.Note{Journal: &protocol.JournalNote{What: what, Channel: channel}})
}

// want checks the changes of a step, each as "change advice/channel-or-series (reason)".
func want(t *testing.T, d Decision, changes ...string) {
	t.Helper()
	var got []string
	for _, c := range d.Changes {
		got = append(got, fmt.Sprintf("%s %s %s (%s)", c.Change, strings.TrimPrefix(c.Key, "quay/heron/"), c.Level, c.Reason))
	}
	if strings.Join(got, "\n") != strings.Join(changes, "\n") {
		t.Fatalf("changes:\n  got  %q\n  want %q", got, changes)
	}
}
