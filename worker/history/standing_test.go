package history_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"swathkeeper/protocol"
	"swathkeeper/worker/history"
)

var noon = time.Date(2026, 3, 28, 12, 0, 0, 0, time.UTC)

func verdict(series string, at time.Time, mean float64) *protocol.Record {
	return &protocol.Record{Verdict: &protocol.Verdict{Series: series, At: at, Outcome: protocol.Steady, Colour: &protocol.Colour{MeanDE00: mean}}}
}

func journal(what string, at time.Time) *protocol.Record {
	return &protocol.Record{Note: &protocol.Note{At: at, Journal: &protocol.JournalNote{What: what}}}
}

// What a standing keeps: the newest of each kind of work, whatever order it is told in, and the
// means of the series that was read last.
func TestStanding(t *testing.T) {
	var s *history.Standing
	for i := range 20 {
		s = s.After(verdict("aaaa00000000", noon.Add(time.Duration(i)*time.Hour), 0.1*float64(i)))
	}
	before, _ := json.Marshal(s)
	n := s.After(verdict("bbbb00000000", noon.Add(30*time.Hour), 0.777))
	if after, _ := json.Marshal(s); !bytes.Equal(before, after) {
		t.Error("the standing before was changed")
	}
	if got := n.Trend(); len(got) != 1 || got[0] != 0.78 {
		t.Errorf("trend of the new series: %v", got)
	}
	if got := s.Trend(); len(got) != 16 || got[0] != 0.4 || got[15] != 1.9 {
		t.Errorf("trend: %v, want the last 16", got)
	}
	late := verdict("aaaa00000000", noon, 9)
	late.Verdict.Late = true
	if got := s.After(late); got.LastAt != s.LastAt || len(got.Trend()) != 16 || got.Trend()[15] != 1.9 {
		t.Errorf("a late reading moved it: %+v", got)
	}
	n = n.After(journal(protocol.DidClean, noon)).After(journal(protocol.DidClean, noon.Add(-time.Hour))).After(journal(protocol.DidInk, noon))
	n = n.After(&protocol.Record{At: noon, Baseline: &protocol.BaselineRecord{Do: protocol.BaselineLearn}})
	if !n.Clean.Equal(noon) || !n.Ink.Equal(noon) || !n.Baseline.IsZero() {
		t.Errorf("work: %+v", n)
	}
	if n = n.After(&protocol.Record{At: noon, Baseline: &protocol.BaselineRecord{Do: protocol.BaselineAccept}}); !n.Baseline.Equal(noon) {
		t.Errorf("baseline: %+v", n)
	}
	if raw, _ := json.Marshal(n); len(raw) > 800 {
		t.Errorf("%d bytes in every record", len(raw))
	}
}

// The list fits the terminal, and days are counted by the shop's calendar: from 23:30 on Saturday to
// 00:30 on Sunday is a day, and so is the 23-hour Sunday on which clocks go forward.
func TestList(t *testing.T) {
	paris, err := time.LoadLocation("Europe/Paris")
	if err != nil {
		t.Skip(err)
	}
	var s *history.Standing
	s = s.After(verdict("aaaa00000000", noon, 0.5)).After(journal(protocol.DidClean, time.Date(2026, 3, 28, 23, 30, 0, 0, paris))).
		After(journal(protocol.DidInk, time.Date(2026, 3, 29, 0, 30, 0, 0, paris)))
	list := []history.Printer{
		{Site: "quay", Printer: "heron", State: protocol.Steady, Standing: s},
		{Site: "quay", Printer: "plover", State: "waits", Standing: &history.Standing{}, Open: make([]protocol.Alert, 2)},
	}
	for now, want := range map[time.Time]string{
		time.Date(2026, 3, 29, 0, 45, 0, 0, paris): "1    0         -",
		time.Date(2026, 3, 30, 0, 15, 0, 0, paris): "2    1         -",
	} {
		var b bytes.Buffer
		if err := (&history.Screen{Out: &b, Zone: paris}).List(list, now); err != nil {
			t.Fatal(err)
		}
		if line := strings.Split(b.String(), "\n")[1]; !strings.Contains(line, want) || !strings.Contains(line, "2026-03-28 13:00") {
			t.Errorf("%s: %q lacks %q", now, line, want)
		}
	}
	for _, width := range []int{40, 80, 100, 160} {
		var b bytes.Buffer
		if err := (&history.Screen{Out: &b, Width: width, Zone: paris}).List(list, noon); err != nil {
			t.Fatal(err)
		}
		for l := range strings.Lines(b.String()) {
			if n := utf8.RuneCountInString(strings.TrimSuffix(l, "\n")); n > width {
				t.Errorf("width %d: %d columns: %q", width, n, l)
			}
		}
		if !strings.Contains(b.String(), "0.50") || !strings.Contains(b.String(), "look again") {
			t.Errorf("width %d: %s", width, b.String())
		}
	}
	if got := history.Spark([]float64{0, 0.5, 1, 3}, 1); got != "▁▅██" {
		t.Errorf("%q", got)
	}
}

// A printer says by itself whether it has a baseline: learning while readings are gathered, with how
// many; ready when it is in force and nothing was read since; and no baseline where nobody said what
// is good.
func TestStateWithoutVerdicts(t *testing.T) {
	for _, c := range []struct{ state, word, means string }{
		{"ready", "ready", "ready: the baseline is in force"},
		{"unlearned", "no baseline", "no baseline: say that"},
		{protocol.Learning, "learning", "learning: readings are taken"},
	} {
		var b bytes.Buffer
		list := []history.Printer{{Site: "quay", Printer: "heron", State: c.state, Standing: &history.Standing{}}}
		if err := (&history.Screen{Out: &b, Zone: time.UTC}).List(list, noon); err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(strings.Split(b.String(), "\n")[1], c.word) || !strings.Contains(b.String(), c.means) {
			t.Errorf("%s: %s", c.state, b.String())
		}
		if strings.Contains(b.String(), "look again") {
			t.Errorf("%s: a state that nobody is in is explained: %s", c.state, b.String())
		}
	}
}
