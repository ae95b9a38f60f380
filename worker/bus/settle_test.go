package bus_test

import (
	"slices"
	"testing"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/bus/bustest"
)

// Two who divide the inbox at once: the later one's settings leave out what the earlier one made. The next
// look at the bus notes it again, so that what came in between is judged.
func TestADivisionThatWasOverwritten(t *testing.T) {
	divided := func(n int) bus.Limits {
		l := bus.DefaultLimits()
		l.Partitions = n
		return l
	}
	other := bustest.Store(t, t.TempDir())
	if err := bus.Provision(t.Context(), other, divided(8)); err != nil {
		t.Fatal(err)
	}
	s, err := other.Stream(t.Context(), protocol.StreamInbox)
	if err != nil {
		t.Fatal(err)
	}
	later := s.CachedInfo().Config // as the later one of the two writes it
	js := bustest.Store(t, t.TempDir())
	if err := bus.Provision(t.Context(), js, divided(4)); err != nil {
		t.Fatal(err)
	}
	if _, err := js.Publish(t.Context(), protocol.ReadingSubject("quay", "heron"), []byte("a reading")); err != nil {
		t.Fatal(err)
	}
	if _, err := js.UpdateStream(t.Context(), later); err != nil {
		t.Fatal(err)
	}
	if err := bus.Provision(t.Context(), js, divided(8)); err != nil {
		t.Fatal(err)
	}
	d, err := bus.ReadDivision(t.Context(), js)
	if err != nil {
		t.Fatal(err)
	}
	left, err := d.Left(t.Context(), js)
	if err != nil {
		t.Fatal(err)
	}
	if d.Count() != 8 || len(left) != 1 || left[0].Of != 4 {
		t.Errorf("%d parts; of earlier divisions there waits %+v", d.Count(), left)
	}
	if !slices.ContainsFunc(d.Before, func(p bus.Part) bool { return p.Consumer == bus.Durable }) {
		t.Error("the undivided inbox of before is not known any more")
	}
}
