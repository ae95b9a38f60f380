package alert

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol"
)

// Whoever may send a printer's readings chooses conditions and stations as they like. The state that stands
// in every record stays well below what a record may hold, and what is known to be wrong stays known.
func TestASenderCannotFillTheState(t *testing.T) {
	now := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	var state State
	var dec Decision
	next := func(n, again int) {
		now = now.Add(time.Minute)
		v := &protocol.Verdict{
			ID: fmt.Sprintf("v%d", n), Reading: fmt.Sprintf("%036d", 10*n+again), At: now, Site: "quay", Printer: "heron", Series: fmt.Sprintf("%012x", n),
			Station: fmt.Sprintf("%063d", n), Outcome: protocol.Unusable, Print: strings.Repeat("9", 180) + fmt.Sprint(n),
			Condition: protocol.Condition{Stage: protocol.StagePressed}, Warnings: []string{strings.Repeat("w", 400)},
		}
		if again == 2 {
			v.Outcome = protocol.LevelStop
			v.Colour = &protocol.Colour{MeanDE00: 5}
			v.Findings = []protocol.Finding{{Advice: protocol.AdviceMedia, Level: protocol.LevelStop, Likelihood: 1, Overwhelming: true, Why: strings.Repeat("y", 300)}}
		}
		state, dec = Next(state, Input{Verdict: v}, now, Options{})
	}
	for n := range maxCauses + 10 {
		for again := range 3 {
			next(n, again)
		}
	}
	raw, err := json.Marshal(struct {
		State State
		Open  []protocol.Alert
	}{state, dec.Open})
	if err != nil {
		t.Fatal(err)
	}
	if len(raw) > protocol.MaxMessage*2/3 {
		t.Errorf("the state takes %d bytes of a record's %d: %d series, %d stations, %d causes", len(raw), protocol.MaxMessage, len(state.Series), len(state.Stations), len(state.Causes))
	}
	if len(dec.Open) < 100 {
		t.Errorf("%d alerts are open", len(dec.Open))
	}
	// A reminder is of all of them at once.
	_, due := Next(state, Input{}, now.Add(48*time.Hour), Options{})
	if raw, err = json.Marshal(due.Changes); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d reminders, %d bytes", len(due.Changes), len(raw))
}

// The bounds take what was not heard of for the longest time, and nothing that is open or expected.
func TestWhatMakesRoom(t *testing.T) {
	now := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	opts := Options{Expect: []Expect{{Site: "quay", Printer: "heron", Station: "bench-1", Every: 24 * time.Hour}}}
	var state State
	read := func(series, station, outcome string) {
		now = now.Add(time.Minute)
		state, _ = Next(state, Input{Verdict: &protocol.Verdict{Reading: series, At: now, Site: "quay", Printer: "heron", Series: series, Station: station, Outcome: outcome}}, now, opts)
	}
	read("first", "bench-1", protocol.Unusable)
	read("first", "bench-1", protocol.Unusable)
	read("second", "bench-2", protocol.Learning)
	for n := range maxSeries {
		read(fmt.Sprint(n), fmt.Sprintf("s%d", n), protocol.Learning)
	}
	if state.Series["first"] == nil || state.Stations["bench-1"] == nil {
		t.Error("what is open, or expected, made room")
	}
	if state.Series["second"] != nil || state.Stations["bench-2"] != nil {
		t.Error("what was not heard of for the longest time is still remembered")
	}
	if state.Series[fmt.Sprint(maxSeries-1)] == nil || len(state.Series) > maxSeries || len(state.Stations) > maxStations {
		t.Errorf("%d series, %d stations", len(state.Series), len(state.Stations))
	}
}
