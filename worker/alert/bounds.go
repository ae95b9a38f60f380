package alert

import (
	"maps"
	"slices"
	"time"

	"swathkeeper/protocol"
)

// A state stands in every record of its printer, and a record that is too large is taken by no bus. Printing
// conditions and stations' names are whatever senders write: there are only so many of each, and what was
// not heard of for the longest time makes room. A cause whose condition went stays open all the same.
const (
	maxSeries   = 100
	maxStations = 50
	maxCauses   = 150 // beside those about silence, of which a station has one
)

// oldest gives the key that was heard of the longest ago among those that may go; "" for none.
func oldest[V any](m map[string]V, heard func(V) time.Time, may func(key string) bool) string {
	out := ""
	for _, key := range slices.Sorted(maps.Keys(m)) {
		if may(key) && (out == "" || heard(m[key]).Before(heard(m[out]))) {
			out = key
		}
	}
	return out
}

// roomForSeries lets one more printing condition be remembered.
func (t *turn) roomForSeries() {
	if len(t.Series) < maxSeries {
		return
	}
	heard := func(s *Series) time.Time { return s.Heard }
	shown := func(id string) bool {
		for _, c := range t.Causes {
			if c.Open && (c.Series == id || slices.Contains(c.Shown, id)) {
				return true
			}
		}
		return false
	}
	id := oldest(t.Series, heard, func(id string) bool { return !shown(id) })
	if id == "" {
		id = oldest(t.Series, heard, func(string) bool { return true })
	}
	delete(t.Series, id)
	for _, c := range t.Causes {
		c.Hits = slices.DeleteFunc(c.Hits, func(h Hit) bool { return h.Series == id })
	}
	t.drop()
}

// roomForStation reports whether one more station can be remembered.
func (t *turn) roomForStation(name string) bool {
	wanted := func(name string) bool {
		return slices.ContainsFunc(t.opts.Expect, func(e Expect) bool {
			return e.Site == t.Site && e.Printer == t.Printer && or(e.Station, protocol.NoSeries) == name
		})
	}
	if len(t.Stations) < maxStations || wanted(name) {
		return true
	}
	old := oldest(t.Stations, func(s *Station) time.Time { return s.Heard }, func(name string) bool {
		c := t.Causes[t.key(protocol.AdviceSilent, name, "")]
		return !wanted(name) && (c == nil || !c.Open)
	})
	if old == "" {
		return false
	}
	delete(t.Stations, old)
	return true
}

// roomForCause reports whether one more cause can be remembered. With so many open, people have been told.
func (t *turn) roomForCause() bool {
	full := func() bool {
		n := 0
		for _, c := range t.Causes {
			if c.Advice != protocol.AdviceSilent {
				n++
			}
		}
		return n >= maxCauses
	}
	if !full() {
		return true
	}
	t.drop()
	if !full() {
		return true
	}
	old := oldest(t.Causes, func(c *Cause) time.Time { return c.Since }, func(key string) bool { return !t.Causes[key].Open })
	if old == "" {
		return false
	}
	delete(t.Causes, old)
	return true
}
