package chat

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker/alert"
)

var update = flag.Bool("update", false, "write the golden file anew")

// shop is a made-up shop that reads one chart of one printer every working morning and afternoon.
type shop struct {
	t     *testing.T
	state alert.State
	opts  alert.Options
	now   time.Time
	wake  time.Time
	base  string
	n     int
	log   strings.Builder
	told  int // messages
	meant int // changes that are told
}

func (s *shop) step(in alert.Input, v *protocol.Verdict) {
	var d alert.Decision
	s.state, d = alert.Next(s.state, in, s.now, s.opts)
	s.wake = d.NextWake
	rec := protocol.Record{Site: "quay", Printer: "heron", At: s.now, Changes: d.Changes, Verdict: v}
	for _, c := range d.Changes {
		if c.Change != protocol.ChangeAbsorbed {
			s.meant++
		}
	}
	for _, text := range Render(rec, s.opts.Zone) {
		s.told++
		fmt.Fprintf(&s.log, "%s\n%s\n\n", s.now.In(s.opts.Zone).Format("[Mon 2 Jan 15:04]"), text)
	}
}

// to lets time pass, with the timers.
func (s *shop) to(at time.Time) {
	for range 1000 {
		if s.wake.IsZero() || s.wake.After(at) {
			s.now = at
			return
		}
		if s.wake.After(s.now) {
			s.now = s.wake
		}
		s.step(alert.Input{}, nil)
	}
	s.t.Fatal("the timers never end")
}

func (s *shop) read(outcome string, found ...protocol.Finding) {
	s.n++
	v := &protocol.Verdict{
		ID: fmt.Sprint("v", s.n), Reading: fmt.Sprint("r", s.n), At: s.now, Site: "quay", Printer: "heron", Series: "aaaaaaaaaaaa", Station: "bench-1",
		Condition: protocol.Condition{Media: "pennant-knit", Preset: "deep", Stage: protocol.StagePressed}, Outcome: outcome,
		Baseline: protocol.BaselineRef{Grade: protocol.GradeFull, ID: s.base, Count: 10}, Findings: found,
		Colour: &protocol.Colour{}, Banding: &protocol.Banding{Channels: []protocol.BandingChannel{{Channel: "C"}}},
	}
	for _, f := range found {
		if f.Advice == protocol.AdviceClean {
			v.Banding.Channels[0].Lines = []protocol.Line{{Kind: "dropout", ContrastDE00: lineDepth(f.Why)}}
		}
	}
	s.step(alert.Input{Verdict: v}, v)
}

// lineDepth is the depth that a reason tells of.
func lineDepth(why string) float64 {
	var de float64
	if _, err := fmt.Sscanf(why[strings.Index(why, "mm, ")+4:], "%f", &de); err != nil {
		panic(err)
	}
	return de
}

func (s *shop) note(n protocol.Note) {
	s.n++
	n.ID, n.At, n.Site, n.Printer = protocol.DerivedID("month", fmt.Sprint(s.n)), s.now, "quay", "heron"
	s.step(alert.Input{Note: &n}, nil)
}

func (s *shop) did(what, channel string) {
	s.note(protocol.Note{Journal: &protocol.JournalNote{What: what, Channel: channel}})
}

// A made-up month: readings that flap, a clean that helps, two that do not, a change of ink, four
// weekends, a bench that falls silent and a press that fails. The log of what people were told is
// testdata/month.txt; it is read by people before it is changed.
func TestAMonthOfMessages(t *testing.T) {
	zone := time.FixedZone("shop", 3600)
	s := &shop{t: t, base: "spring", opts: alert.Options{Zone: zone, ClosedDays: []time.Weekday{time.Saturday, time.Sunday}}}
	line := func(de float64) protocol.Finding {
		return protocol.Finding{Advice: protocol.AdviceClean, Channel: "C", Level: protocol.LevelAct, Likelihood: 0.93,
			Why: fmt.Sprintf("light lines in cyan every 6.35 mm, %.1f dE00 deep, as one missing nozzle leaves them", de)}
	}
	hue := protocol.Finding{Advice: protocol.AdviceInk, Channel: "M", Level: protocol.LevelAct, Likelihood: 0.81, Rival: protocol.AdviceRefit,
		Why: "magenta has turned 3.4 degrees to the red and its overprints with it"}
	press := protocol.Finding{Advice: protocol.AdvicePress, Level: protocol.LevelStop, Likelihood: 0.97, Overwhelming: true,
		Why: "all inks are down, the dark patches most: black by 11 %, cyan by 7 %, chart mean 4.1 dE00"}
	at := func(day, hour int) time.Time { return time.Date(2026, 3, day, hour, 0, 0, 0, zone) }
	s.now = at(2, 7)
	for day := 2; day <= 31; day++ {
		for _, hour := range []int{7, 15} {
			when := at(day, hour)
			if wd := when.Weekday(); wd == time.Saturday || wd == time.Sunday || (day >= 25 && day <= 26) {
				continue
			}
			switch { // what was done just before this reading
			case day == 6 && hour == 7:
				s.to(when.Add(-30 * time.Minute))
				s.did(protocol.DidClean, "C")
			case day == 11 && hour == 15, day == 12 && hour == 15:
				s.to(when.Add(-30 * time.Minute))
				s.did(protocol.DidClean, "C")
			case day == 18 && hour == 15:
				s.to(when.Add(-2 * time.Hour))
				s.did(protocol.DidInk, "M")
			case day == 20 && hour == 7:
				s.to(when.Add(-15 * time.Minute))
				s.note(protocol.Note{Baseline: &protocol.BaselineNote{Do: protocol.BaselineLearn, Reason: "new magenta, goods are right"}})
			case day == 30 && hour == 15:
				s.to(when.Add(-time.Hour))
				s.did(protocol.DidPress, "")
			}
			s.to(when)
			switch {
			case day == 3 && hour == 7: // once is no news
				s.read(protocol.LevelAct, line(0.6))
			case day == 5: // twice is
				s.read(protocol.LevelAct, line(0.8))
			case day == 9 && hour == 7, day == 10, day == 11 && hour == 7: // flapping
				if hour == 7 {
					s.read(protocol.LevelAct, line(0.7))
				} else {
					s.read(protocol.Steady)
				}
			case day == 11, day == 12, day == 13: // two cleans without effect, then rest over the weekend
				s.read(protocol.LevelAct, line(0.7))
			case day == 19 || day == 18 && hour == 15:
				s.read(protocol.LevelAct, hue)
			case day >= 20 && day <= 23:
				s.base = "new magenta"
				s.read(protocol.Learning)
			case day == 30 && hour == 7:
				s.read(protocol.LevelStop, press)
			default:
				s.read(protocol.Steady)
			}
		}
	}
	s.to(at(31, 23))
	if s.told != s.meant {
		t.Errorf("%d messages for %d changes", s.told, s.meant)
	}
	if open := s.state.Open(); len(open) != 0 {
		t.Errorf("left open: %+v", open)
	}
	const file = "testdata/month.txt"
	if *update {
		if err := os.WriteFile(file, []byte(s.log.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got := s.log.String(); got != string(want) {
		t.Errorf("what people are told has changed (-update writes it anew):\n%s", got)
	}
}
