package demo

import (
	"cmp"
	"slices"
	"time"

	"swathkeeper/measure/madeup"
	"swathkeeper/protocol"
)

// event is one thing that happens at the Quay Street pennant works.
type event struct {
	day     int // from 0, a Monday
	hour    float64
	printer string
	fault   fault
	// note is told to the worker instead of a reading.
	note *protocol.Note
	// say is printed before it: what the people in the shop know or do.
	say string
}

// zoneName is where the Quay Street pennant works stand.
const zoneName = "Europe/Paris"

// monday is the first day of the demo.
var monday = func() time.Time {
	zone, err := time.LoadLocation(zoneName)
	if err != nil { // the zone database is built in
		panic(err)
	}
	return time.Date(2026, 3, 2, 0, 0, 0, 0, zone)
}()

func (e event) at() time.Time {
	return monday.AddDate(0, 0, e.day).Add(time.Duration(e.hour * float64(time.Hour)))
}

// firstWatched is the first day on which readings are judged: the week before makes the baselines.
const firstWatched = 7

var printers = []string{"heron", "plover", "dunlin"}

// script is a week of learning, told in one line, and a week of watching.
func script() []event {
	var events []event
	note := func(day int, hour float64, printer, say string, n protocol.Note) {
		events = append(events, event{day: day, hour: hour, printer: printer, note: &n, say: say})
	}
	for _, p := range printers {
		note(0, 6, p, "", protocol.Note{Baseline: &protocol.BaselineNote{Do: protocol.BaselineLearn}})
	}
	for day := range 5 {
		for i, p := range printers {
			for k := range 3 {
				events = append(events, event{day: day, hour: 7 + float64(k)*4 + float64(i)*0.3, printer: p})
			}
		}
	}
	for _, p := range printers {
		note(4, 18, p, "", protocol.Note{Baseline: &protocol.BaselineNote{Do: protocol.BaselineAccept}})
	}

	// What goes wrong, from which hour of the watched week, until when.
	type trouble struct {
		printer  string
		from, to float64 // hours since Monday of the watched week
		fault    fault
	}
	troubles := []trouble{
		{"heron", 24 + 6, 48 + 13, fault{colour: madeup.Faults{Ink: map[string]madeup.InkFault{"C": {StrengthPercent: -8}}}}},
		{"plover", 48 + 6, 72 + 10, fault{head: madeup.State{Faults: []madeup.Fault{{Channel: "M", Nozzle: 212, Loss: 1}}}}},
		{"dunlin", 96 + 6, 120 + 10, fault{colour: madeup.Faults{Press: madeup.Press{Celsius: -10}}}},
	}
	says := map[[2]int]string{
		{0, 0}: "Monday. All three printers as on the day they were said to be good.",
		{1, 0}: "Tuesday. A fresh cyan bottle went into heron; nobody shook it.",
		{2, 0}: "Wednesday. A speck of lint sits under plover's magenta head.",
		{4, 0}: "Friday. The press was moved; its heater does not reach the temperature it shows.",
		{6, 0}: "Sunday. Quiet.",
	}
	for day := range 7 {
		for k := range 3 {
			for i, p := range printers {
				hour := 7 + float64(k)*4 + float64(i)*0.3
				s := event{day: firstWatched + day, hour: hour, printer: p}
				for _, t := range troubles {
					if now := float64(day)*24 + hour; t.printer == p && now >= t.from && now < t.to {
						s.fault = t.fault
					}
				}
				if i == 0 {
					s.say = says[[2]int{day, k}]
				}
				events = append(events, s)
			}
		}
		switch day {
		case 2:
			note(firstWatched+2, 13, "heron", "Heron's cyan bottle is taken out, shaken, put back. It goes into the journal.",
				protocol.Note{Who: "mo", Text: "shaken and primed", Journal: &protocol.JournalNote{What: protocol.DidInk, Channel: "C", Lot: "2231"}})
		case 3:
			note(firstWatched+3, 10, "plover", "One clean of plover's magenta.",
				protocol.Note{Who: "mo", Journal: &protocol.JournalNote{What: protocol.DidClean, Channel: "M"}})
		case 5:
			note(firstWatched+5, 10, "dunlin", "The press is looked at by a fitter.",
				protocol.Note{Who: "mo", Text: "heater contact tightened by the fitter", Journal: &protocol.JournalNote{What: protocol.DidPress}})
		}
	}
	return inOrder(events)
}

// inOrder sorts by time; what happens at one time stays as it was written.
func inOrder(events []event) []event {
	slices.SortStableFunc(events, func(a, b event) int { return cmp.Or(cmp.Compare(a.day, b.day), cmp.Compare(a.hour, b.hour)) })
	return events
}
