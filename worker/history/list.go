package history

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/jedib0t/go-pretty/v6/text"

	"swathkeeper/protocol"
	"swathkeeper/worker/zones"
)

// bars are the steps of a sparkline.
var bars = []rune("▁▂▃▄▅▆▇█")

// Spark draws values as one character each; top is the value of a full bar, and what is above it is
// full too.
func Spark(values []float64, top float64) string {
	out := make([]rune, len(values))
	for i, v := range values {
		k := int(math.Round(v / top * float64(len(bars)-1)))
		out[i] = bars[min(max(k, 0), len(bars)-1)]
	}
	return string(out)
}

// stateWords explain a printer's state in a line's room.
var stateWords = map[string]string{
	protocol.LevelStop: "stop", protocol.LevelAct: "act", "held": "on hold", "silent": "silent", "waits": "look again",
	protocol.LevelNote: "note", protocol.Steady: "steady", protocol.Learning: "learning", protocol.Unusable: "unusable", "new": "no reading",
	"ready": "ready", "unlearned": "no baseline",
}

// StateWord says a printer's state in words.
func StateWord(state string) string { return cmp.Or(stateWords[state], state) }

// statePaint gives the colour of a state by that of a level.
var statePaint = map[string]string{"held": protocol.LevelNote, "silent": protocol.LevelAct, "waits": protocol.LevelNote, protocol.Unusable: protocol.LevelAct}

// listLegend stands under the list of printers, and under it what those states mean that are there.
const listLegend = "dE00: mean colour difference of the chart from its baseline, last readings left to right; a full bar is %.1f.\n" +
	"clean, ink, baseline: days since."

var stateHelp = []struct{ state, means string }{
	{"waits", "look again: one reading was off; the next one decides."},
	{protocol.Learning, "learning: readings are taken as known-good until `swathkeeper baseline accept`."},
	{"ready", "ready: the baseline is in force, and nothing has been read since."},
	{"unlearned", "no baseline: say that what comes is known-good, `swathkeeper baseline learn`."},
}

// List writes one line for each printer. now is when the days are counted back from.
func (s *Screen) List(printers []Printer, now time.Time) error {
	top := 1.0 // a chart mean of 1.0 is the usual tolerance: quiet printers must look quiet
	for _, p := range printers {
		for _, d := range p.Standing.Trend() {
			top = max(top, d)
		}
	}
	width := 8
	for _, p := range printers {
		width = max(width, text.StringWidthWithoutEscSequences(p.Site+"/"+p.Printer))
	}
	const fixed = 11 + 2 + 16 + 2 + 4 + 2 + 5 + 2 + 3 + 2 + 8
	narrow := s.Width > 0 && s.Width < width+2+fixed+2+meansKept+6
	if !narrow {
		head := fmt.Sprintf("%s  %s  %s  %s  %s  %s  %s  %s\n", text.Pad("printer", width, ' '), text.Pad("state", 11, ' '), text.Pad("last reading", 16, ' '), "open", "clean", "ink", "baseline", "dE00")
		if _, err := io.WriteString(s.Out, head); err != nil {
			return err
		}
	}
	for _, p := range printers {
		if err := s.listLine(p, now, width, top, narrow); err != nil {
			return err
		}
	}
	if len(printers) == 0 {
		return nil
	}
	legend := strings.Split(fmt.Sprintf(listLegend, top), "\n")
	for _, h := range stateHelp {
		if slices.ContainsFunc(printers, func(p Printer) bool { return p.State == h.state }) {
			legend = append(legend, h.means)
		}
	}
	foot := ""
	for _, line := range legend {
		if s.Width > 0 {
			line = text.WrapSoft(line, s.Width)
		}
		foot += "\n" + line
	}
	_, err := fmt.Fprintln(s.Out, foot)
	return err
}

func (s *Screen) listLine(p Printer, now time.Time, width int, top float64, narrow bool) error {
	word := StateWord(p.State)
	level := p.State
	if l := statePaint[level]; l != "" {
		level = l
	}
	last := "-"
	if !p.Standing.LastAt.IsZero() {
		last = zones.Stamp(p.Standing.LastAt, s.Zone, stampLayout)
	}
	trend := p.Standing.Trend()
	spark := Spark(trend, top)
	if n := len(trend); n > 0 {
		spark += fmt.Sprintf(" %.2f", trend[n-1])
	}
	name := p.Site + "/" + p.Printer
	clean, ink, base := s.days(p.Standing.Clean, now), s.days(p.Standing.Ink, now), s.days(p.Standing.Baseline, now)
	if narrow {
		_, err := fmt.Fprintf(s.Out, "%s  %s\n  read %s, open %d\n  clean %s, ink %s, baseline %s\n  %s\n", name, s.Paint(level, word), last, len(p.Open), clean, ink, base, spark)
		return err
	}
	line := fmt.Sprintf("%s  %s  %s  %4d  %5s  %3s  %8s  %s", text.Pad(name, width, ' '), s.Paint(level, text.Pad(word, 11, ' ')), text.Pad(last, 16, ' '), len(p.Open), clean, ink, base, spark)
	_, err := fmt.Fprintln(s.Out, strings.TrimRight(line, " "))
	return err
}

// days counts the local dates from t to now; "-" where t is not known.
func (s *Screen) days(t, now time.Time) string {
	if t.IsZero() {
		return "-"
	}
	date := func(t time.Time) time.Time {
		y, m, d := t.In(s.Zone).Date()
		return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	}
	return fmt.Sprint(max(0, int(date(now).Sub(date(t)).Hours()/24)))
}
