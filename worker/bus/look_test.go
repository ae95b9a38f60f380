package bus_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
)

// fill starts a bus on dir and stores n messages of 1 KB or so on a printer's records.
func fill(t *testing.T, dir string, n int) {
	t.Helper()
	e, js := open(t, dir)
	defer e.Stop()
	if err := bus.Provision(t.Context(), js, bus.DefaultLimits()); err != nil {
		t.Fatal(err)
	}
	publish(t, js, n)
}

func open(t *testing.T, dir string) (*bus.Embedded, jetstream.JetStream) {
	t.Helper()
	e, err := bus.StartEmbedded(t.Context(), bus.EmbeddedOptions{Dir: dir, MaxStore: bus.DefaultLimits().Total(), Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	return e, client(t, e)
}

func client(t *testing.T, e *bus.Embedded) jetstream.JetStream {
	t.Helper()
	nc, js, err := bus.Connect(t.Context(), bus.ConnectOptions{Embedded: e, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	return js
}

func publish(t *testing.T, js jetstream.JetStream, n int) {
	t.Helper()
	body := make([]byte, 100_000)
	for i := range n {
		if _, err := js.PublishAsync(protocol.RecordSubject("quay", "heron", protocol.KindVerdict, fmt.Sprint(i%3)), body); err != nil {
			t.Fatal(err)
		}
	}
	<-js.PublishAsyncComplete()
}

// snapshot tells everything about the files of a folder that a change would show in.
func snapshot(t *testing.T, dir string) map[string]string {
	t.Helper()
	all := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		text := fmt.Sprintf("%s %s", info.Mode(), info.ModTime())
		if info.Mode().IsRegular() {
			data, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			text += fmt.Sprintf(" %d %x", len(data), sha256.Sum256(data))
		}
		all[path] = text
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func compare(t *testing.T, before, after map[string]string) {
	t.Helper()
	for path, was := range before {
		if is, ok := after[path]; !ok {
			t.Errorf("%s is gone", path)
		} else if is != was {
			t.Errorf("%s was\n%s\nand is\n%s", path, was, is)
		}
	}
	for path := range after {
		if _, ok := before[path]; !ok {
			t.Errorf("%s is new", path)
		}
	}
}

// lookAll looks into a store and reads every record through a consumer, as history does.
func lookAll(t *testing.T, dir string) int {
	t.Helper()
	e, err := bus.Look(t.Context(), dir, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	defer e.Stop()
	js := client(t, e)
	c, err := js.OrderedConsumer(t.Context(), protocol.StreamRecord, jetstream.OrderedConsumerConfig{})
	if err != nil {
		t.Fatal(err)
	}
	n := int(c.CachedInfo().NumPending)
	for i := range n {
		if _, err := c.Next(); err != nil {
			t.Fatalf("record %d: %v", i, err)
		}
	}
	return n
}

// 130 messages of 100 KB fill more than one block of the store.
const enough = 130

func TestLookChangesNothing(t *testing.T) {
	dir := t.TempDir()
	fill(t, dir, enough)
	before := snapshot(t, dir)
	if n := lookAll(t, dir); n != enough {
		t.Errorf("read %d records, want %d", n, enough)
	}
	compare(t, before, snapshot(t, dir))
}

// A worker that was killed leaves an index that is behind its messages; the server mends that when
// it opens the store, and must not do so in the store itself.
func TestLookAfterACrashChangesNothing(t *testing.T) {
	src, dir := t.TempDir(), t.TempDir()
	fill(t, src, 20)
	e, js := open(t, src)
	publish(t, js, enough)
	// The files as a killed process would leave them.
	if err := os.CopyFS(dir, os.DirFS(src)); err != nil {
		t.Fatal(err)
	}
	e.Stop()
	before := snapshot(t, dir)
	if n := lookAll(t, dir); n != 20+enough {
		t.Errorf("read %d records, want %d", n, 20+enough)
	}
	compare(t, before, snapshot(t, dir))
}

func TestLookRefusesAFolderInUse(t *testing.T) {
	dir := t.TempDir()
	fill(t, dir, 1)
	e, _ := open(t, dir)
	defer e.Stop()
	if _, err := bus.Look(t.Context(), dir, zerolog.Nop()); !errors.Is(err, bus.ErrLocked) {
		t.Errorf("got %v, want ErrLocked", err)
	}
}

// A worker must not start on a store that is looked at, and may as soon as that is over.
func TestLookKeepsTheLock(t *testing.T) {
	dir := t.TempDir()
	fill(t, dir, 1)
	e, err := bus.Look(t.Context(), dir, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	o := bus.EmbeddedOptions{Dir: dir, MaxStore: bus.DefaultLimits().Total(), Log: zerolog.Nop()}
	if _, err := bus.StartEmbedded(context.Background(), o); !errors.Is(err, bus.ErrLocked) {
		t.Errorf("got %v, want ErrLocked", err)
	}
	e.Stop()
	w, err := bus.StartEmbedded(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	w.Stop()
}

// A store that is looked at forgets what it knows of doubled messages: reading that would take most of
// the time of opening a busy shop's store.
func TestLookForgetsDuplicates(t *testing.T) {
	dir := t.TempDir()
	fill(t, dir, 3)
	for range 2 { // and the second time finds the store as the first
		e, err := bus.Look(t.Context(), dir, zerolog.Nop())
		if err != nil {
			t.Fatal(err)
		}
		js := client(t, e)
		for name, msgs := range map[string]uint64{protocol.StreamInbox: 0, protocol.StreamRecord: 3, "KV_" + protocol.BucketActive: 0} {
			s, err := js.Stream(t.Context(), name)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if i := s.CachedInfo(); i.Config.Duplicates > time.Second || i.State.Msgs != msgs {
				t.Errorf("%s: remembers for %s, holds %d, want %d", name, i.Config.Duplicates, i.State.Msgs, msgs)
			}
		}
		e.Stop()
	}
	e, js := open(t, dir)
	defer e.Stop()
	if s, err := js.Stream(t.Context(), protocol.StreamInbox); err != nil || s.CachedInfo().Config.Duplicates != bus.InboxWindow {
		t.Errorf("the store itself: %v, %v", s.CachedInfo().Config.Duplicates, err)
	}
}

// What looking leaves out is still told: how much the scans take.
func TestScansOnDisk(t *testing.T) {
	dir := t.TempDir()
	fill(t, dir, 1)
	e, js := open(t, dir)
	picture := make([]byte, 300_000)
	for i := range picture {
		picture[i] = byte(i * i >> 7)
	}
	sum := fmt.Sprintf("%x", sha256.Sum256(picture))
	if err := bus.PutScan(t.Context(), js, sum, bytes.NewReader(picture)); err != nil {
		t.Fatal(err)
	}
	e.Stop()
	looked, err := bus.Look(t.Context(), dir, zerolog.Nop())
	if err != nil {
		t.Fatal(err)
	}
	defer looked.Stop()
	if n, err := looked.ScansOnDisk(); err != nil || n < uint64(len(picture)) || n > uint64(len(picture))*11/10 {
		t.Errorf("%d bytes for a scan of %d: %v", n, len(picture), err)
	}
}
