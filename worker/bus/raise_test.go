package bus_test

import (
	"errors"
	"fmt"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/bus/bustest"
	"swathkeeper/worker/doctor"
)

var small = bus.Limits{Inbox: 64 << 20, Record: 64 << 20, Baselines: 16 << 20, Scans: 16 << 20, Rows: 16 << 20, Replicas: 1}

// startThree starts a cluster in this process.
func startThree(t *testing.T) jetstream.JetStream {
	t.Helper()
	var all []*server.Server
	var routes []string
	var ports []int
	for range 3 {
		at, err := net.ResolveTCPAddr("tcp", bustest.FreePort(t))
		if err != nil {
			t.Fatal(err)
		}
		routes, ports = append(routes, "nats://"+at.String()), append(ports, at.Port)
	}
	for i := range 3 {
		o := &server.Options{ServerName: fmt.Sprintf("bus-%d", i+1), Host: "127.0.0.1", Port: -1, NoLog: true, NoSigs: true, JetStream: true, StoreDir: t.TempDir(), JetStreamMaxStore: 4 << 30, JetStreamMaxMemory: 1 << 20,
			Cluster: server.ClusterOpts{Name: "pennant", Host: "127.0.0.1", Port: ports[i]}, Routes: server.RoutesFromStr(strings.Join(routes, ","))}
		s, err := server.NewServer(o)
		if err != nil {
			t.Fatal(err)
		}
		s.Start()
		t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
		all = append(all, s)
	}
	for _, s := range all {
		if !s.ReadyForConnections(time.Minute) {
			t.Fatal("a server does not start")
		}
	}
	nc, err := nats.Connect(all[0].ClientURL())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	return js
}

// eventually tries until there is no error.
func eventually(t *testing.T, try func() error) {
	t.Helper()
	limit := time.Now().Add(time.Minute)
	for {
		err := try()
		if err == nil {
			return
		}
		if time.Now().After(limit) {
			t.Fatal(err)
		}
		pause := time.NewTimer(100 * time.Millisecond)
		<-pause.C
	}
}

// TestRaiseReplicas puts streams that were made on one server of a cluster on three.
func TestRaiseReplicas(t *testing.T) {
	t.Parallel()
	js := startThree(t)
	ctx := t.Context()
	eventually(t, func() error { return bus.Provision(ctx, js, small) })
	if n, on, err := bus.LeastReplicas(ctx, js); err != nil || n != 1 || !slices.Contains(on, protocol.StreamInbox) {
		t.Errorf("made on one server: least %d on %v, %v", n, on, err)
	}
	if f := doctor.Store(ctx, js); !slices.ContainsFunc(f, func(f doctor.Finding) bool {
		return f.Verdict == doctor.Look && strings.Contains(f.Text, "on one server only") && strings.Contains(f.Next, "init --replicas 3")
	}) {
		t.Errorf("doctor does not tell of streams on one server: %+v", f)
	}
	if _, err := js.Publish(ctx, protocol.ReadingSubject("quay", "heron"), []byte("{}")); err != nil {
		t.Fatal(err)
	}
	eventually(t, func() error { _, err := bus.Raise(ctx, js, bus.Limits{Replicas: 3}); return err })
	if n, on, err := bus.LeastReplicas(ctx, js); err != nil || n != 3 {
		t.Errorf("raised: least %d on %v, %v", n, on, err)
	}
	cons, err := js.Consumer(ctx, protocol.StreamInbox, bus.Durable)
	if err != nil {
		t.Fatal(err)
	}
	if n := cons.CachedInfo().Config.Replicas; n != 3 && n != 0 {
		t.Errorf("the judge's place is kept on %d servers", n)
	}
	eventually(t, func() error {
		s, err := js.Stream(ctx, protocol.StreamInbox)
		if err != nil {
			return err
		}
		i := s.CachedInfo()
		if i.State.Msgs != 1 || i.Cluster == nil || len(i.Cluster.Replicas) != 2 {
			return fmt.Errorf("%d messages, %+v", i.State.Msgs, i.Cluster)
		}
		for _, r := range i.Cluster.Replicas {
			if !r.Current {
				return errors.New("a copy is behind")
			}
		}
		return nil
	})
	if err := bus.Check(ctx, js); err != nil {
		t.Errorf("raised: %v", err)
	}
	if f := doctor.Store(ctx, js); slices.ContainsFunc(f, func(f doctor.Finding) bool { return strings.Contains(f.Text, "on one server only") }) {
		t.Errorf("doctor blames streams on three servers: %+v", f)
	}
}

// TestRaiseLimits makes limits larger, never smaller, and says both; one server cannot be three.
func TestRaiseLimits(t *testing.T) {
	t.Parallel()
	js := bustest.Store(t, t.TempDir())
	ctx := t.Context()
	room := func(name string) int64 {
		s, err := js.Stream(ctx, name)
		if err != nil {
			t.Fatal(err)
		}
		return s.CachedInfo().Config.MaxBytes
	}
	said, err := bus.Raise(ctx, js, bus.Limits{Inbox: 3500 << 20, Record: 1 << 20, Scans: 1 << 30})
	text := strings.Join(said, "\n")
	if err != nil || room(protocol.StreamInbox) != 3500<<20 || !strings.Contains(text, "SWK_INBOX may hold 3500 MiB now, before 3072 MiB") {
		t.Errorf("a larger inbox: %d, %v, %s", room(protocol.StreamInbox)>>20, err, text)
	}
	if room(protocol.StreamRecord) != 3<<30 || !strings.Contains(text, "never lowered") {
		t.Errorf("smaller records: %d, %s", room(protocol.StreamRecord)>>20, text)
	}
	if len(said) != 2 {
		t.Errorf("what did not change is told of: %s", text)
	}
	if _, err := bus.Raise(ctx, js, bus.Limits{Replicas: 3}); err == nil || !strings.Contains(err.Error(), "stays as it is") {
		t.Errorf("three copies on one server: %v", err)
	}
}
