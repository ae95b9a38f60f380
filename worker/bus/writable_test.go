package bus_test

import (
	"testing"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// TestAskingRemovesNothing: whether a stream can be written is asked by a removal that finds nothing to
// remove, and a stream from which nothing may be removed is not asked.
// What a full disk answers: cmd/swathkeeper TestOutsideDiskFull.
func TestAskingRemovesNothing(t *testing.T) {
	t.Parallel()
	s := openShop(t, "", nil)
	ctx := t.Context()
	for _, subject := range []string{
		protocol.ReadingSubject("quay", "heron"), protocol.NoteSubject("quay", "heron"),
		protocol.RecordSubject("quay", "heron", protocol.KindVerdict, ""), protocol.RecordSubject("quay", "plover", protocol.KindJournal, "0123456789ab"),
	} {
		if _, err := s.js.Publish(ctx, subject, []byte("{}")); err != nil {
			t.Fatal(err)
		}
	}
	if err := bus.Writable(ctx, s.js); err != nil {
		t.Error(err)
	}
	in, err := s.js.Stream(ctx, protocol.StreamInbox)
	if err != nil {
		t.Fatal(err)
	}
	conf := in.CachedInfo().Config
	conf.DenyPurge = true
	if _, err := s.js.UpdateStream(ctx, conf); err != nil {
		t.Fatal(err)
	}
	if err := bus.Writable(ctx, s.js); err != nil {
		t.Errorf("a stream from which nothing may be removed: %v", err)
	}
	for _, name := range []string{protocol.StreamInbox, protocol.StreamRecord} {
		st, err := s.js.Stream(ctx, name)
		if err != nil || st.CachedInfo().State.Msgs != 2 {
			t.Errorf("%s: %v, %+v", name, err, st.CachedInfo().State)
		}
	}
	if err := s.js.DeleteStream(ctx, protocol.StreamRecord); err != nil {
		t.Fatal(err)
	}
	if err := bus.Writable(ctx, s.js); err == nil || bus.IsAway(err) {
		t.Errorf("a stream that is gone: %v", err)
	}
}
