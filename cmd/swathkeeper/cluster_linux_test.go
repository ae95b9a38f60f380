package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/bus/bustest"
	"swathkeeper/worker/doctor"
	"swathkeeper/worker/health"
)

// cluster is three NATS servers as processes, with the users of the deploy files' kind.
type cluster struct {
	t       *testing.T
	dir     string
	clients [3]string // HOST:PORT
	routes  [3]string
	procs   [3]*osexec.Cmd
	keys    map[bus.Role]string // files of private keys
	users   string              // their accounts
}

// prepare may lay out the folders, bus-1 to bus-3, that the servers keep their stores in.
func startCluster(t *testing.T, prepare func(dir string)) *cluster {
	t.Helper()
	c := &cluster{t: t, dir: t.TempDir(), keys: map[bus.Role]string{}}
	var all []bus.Grant
	for _, g := range []bus.Grant{{Name: "ops", Role: bus.RoleAdmin}, {Name: "judges", Role: bus.RoleWorker}, {Name: "office", Role: bus.RoleViewer},
		{Name: "bench-1", Role: bus.RoleStation, Site: "quay", Printers: loadPrinters}} {
		key, seed, err := bus.NewKey()
		if err != nil {
			t.Fatal(err)
		}
		g.Key = key
		c.keys[g.Role] = filepath.Join(c.dir, g.Name+".nk")
		if err := os.WriteFile(c.keys[g.Role], seed, 0o600); err != nil {
			t.Fatal(err)
		}
		all = append(all, g)
	}
	c.users = bus.ServerAccounts(all)
	for i := range 3 {
		c.clients[i], c.routes[i] = bustest.FreePort(t), bustest.FreePort(t)
	}
	t.Cleanup(func() {
		for i := range 3 {
			if b, err := os.ReadFile(filepath.Join(c.dir, fmt.Sprintf("bus-%d.log", i+1))); err == nil && t.Failed() {
				t.Logf("server %d:\n%s", i+1, b[max(0, len(b)-3000):])
			}
		}
	})
	if prepare != nil {
		prepare(c.dir)
	}
	for i := range 3 {
		c.start(i)
	}
	for _, at := range c.clients {
		listening(t, at)
	}
	return c
}

// listening waits until somebody listens at an address.
func listening(t *testing.T, address string) {
	t.Helper()
	limit := time.Now().Add(time.Minute)
	for {
		conn, err := net.Dial("tcp", address)
		if err == nil {
			_ = conn.Close()
			return
		}
		if time.Now().After(limit) {
			t.Fatal(err)
		}
		pause := time.NewTimer(20 * time.Millisecond)
		<-pause.C
	}
}

// start starts server i.
func (c *cluster) start(i int) {
	c.t.Helper()
	routes := ""
	for _, p := range c.routes {
		routes += fmt.Sprintf("\n  \"nats://%s\"", p)
	}
	conf := fmt.Sprintf(`server_name: "bus-%d"
listen: %q
max_payload: 1MB
log_file: %q
jetstream { store_dir: %q, max_file_store: 4GB, max_memory_store: 32MB, sync_interval: always }
cluster { name: "pennant", listen: %q, routes: [%s
] }
%s`, i+1, c.clients[i], filepath.Join(c.dir, fmt.Sprintf("bus-%d.log", i+1)), filepath.Join(c.dir, fmt.Sprintf("bus-%d", i+1)), c.routes[i], routes, c.users)
	file := filepath.Join(c.dir, fmt.Sprintf("bus-%d.conf", i+1))
	if err := os.WriteFile(file, []byte(conf), 0o600); err != nil {
		c.t.Fatal(err)
	}
	cmd := osexec.CommandContext(c.t.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), asServer+"="+file)
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		c.t.Fatal(err)
	}
	c.procs[i] = cmd
	c.t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
}

// setUp makes the streams, and gives the flags of an administrator.
func (c *cluster) setUp(p *program, partitions int) (admin []string) {
	c.t.Helper()
	admin = []string{"--nats", c.urls(), "--nkey", c.keys[bus.RoleAdmin]}
	small := []string{"--inbox-mib", "512", "--record-mib", "512", "--baselines-mib", "64", "--scans-mib", "64"}
	if partitions > 1 {
		small = append(small, "--partitions", fmt.Sprint(partitions))
	}
	p.do(append(append([]string{"init"}, small...), admin...)...)
	return admin
}

func (c *cluster) kill(i int) {
	c.t.Helper()
	if err := c.procs[i].Process.Kill(); err != nil {
		c.t.Fatal(err)
	}
	_ = c.procs[i].Wait()
}

func (c *cluster) urls() string {
	var u []string
	for _, p := range c.clients {
		u = append(u, fmt.Sprintf("nats://%s", p))
	}
	return strings.Join(u, ",")
}

func (c *cluster) connect(role bus.Role) (*nats.Conn, jetstream.JetStream) {
	c.t.Helper()
	nc, js, err := bus.Connect(c.t.Context(), bus.ConnectOptions{Name: "test", URL: c.urls(), NKey: c.keys[role], Patient: true, Log: zerolog.Nop()})
	if err != nil {
		c.t.Fatal(err)
	}
	c.t.Cleanup(nc.Close)
	return nc, js
}

// whole waits until every replica of every stream is current, so that another server may be killed.
func (c *cluster) whole(js jetstream.JetStream) {
	c.t.Helper()
	limit := time.Now().Add(2 * time.Minute)
	for {
		why := ""
		for _, name := range []string{protocol.StreamInbox, protocol.StreamRecord, "KV_" + protocol.BucketSent, "KV_" + protocol.BucketCharts, "OBJ_" + protocol.BucketBaselines} {
			ctx, cancel := context.WithTimeout(c.t.Context(), 2*time.Second)
			s, err := js.Stream(ctx, name)
			cancel()
			switch {
			case err != nil:
				why = name + ": " + err.Error()
			case s.CachedInfo().Cluster == nil || s.CachedInfo().Cluster.Leader == "" || len(s.CachedInfo().Cluster.Replicas) != 2:
				why = name + " has no leader"
			default:
				for _, r := range s.CachedInfo().Cluster.Replicas {
					if !r.Current || r.Offline {
						why = fmt.Sprintf("%s at %s is %d behind", name, r.Name, r.Lag)
					}
				}
			}
		}
		if why == "" {
			return
		}
		if time.Now().After(limit) {
			c.t.Fatalf("the cluster does not become whole: %s", why)
		}
		pause := time.NewTimer(50 * time.Millisecond)
		<-pause.C
	}
}

// TestCluster runs three servers and three workers as processes, and kills them at random under a
// steady load: each reading has one verdict, each transition is in one record, in order.
// TEST_CLUSTER_KILLS=20 is the long form: that many kills of servers, and as many of workers.
func TestCluster(t *testing.T) {
	t.Parallel()
	inCluster(t, howMany(t, "TEST_CLUSTER_KILLS", 2), 1)
}

// TestClusterParts is TestCluster with an inbox that is divided into parts, which the workers share.
func TestClusterParts(t *testing.T) {
	t.Parallel()
	inCluster(t, howMany(t, "TEST_CLUSTER_KILLS", 1), 4)
}

func inCluster(t *testing.T, kills, partitions int) {
	if testing.Short() {
		t.Skip("takes half a minute")
	}
	c := startCluster(t, nil)
	p := &program{t: t, dir: t.TempDir()}
	admin := c.setUp(p, partitions)
	if said := p.do(append([]string{"init", "--json"}, admin...)...); !strings.Contains(said, fmt.Sprintf(`"partitions":%d`, partitions)) { // once more changes nothing
		t.Errorf("init says %s", said)
	}
	file, good, drifted := thinned(t)
	p.do(append([]string{"chart", "add", file}, admin...)...)
	hits := countChat(t)
	workers := make([]*logged, 3)
	run := func(i int) {
		workers[i] = p.startLogged("--nats", c.urls(), "--nkey", c.keys[bus.RoleWorker], "--name", fmt.Sprintf("judge-%d", i+1), "--chat", hits.url, "--chat-inside")
	}
	for i := range workers {
		run(i)
	}
	teach(t, p, good, admin...)
	nc, js := c.connect(bus.RoleAdmin)
	_, sjs := c.connect(bus.RoleStation)
	l := startLoad(t, sjs, 20, good, drifted)
	rng := rand.New(rand.NewPCG(2026, 20))
	var longest time.Duration
	for n := range kills {
		// A server: the leader of the inbox every other time, with all that connects to it.
		l.await(t, 1+rng.IntN(20))
		i := rng.IntN(3)
		if s, err := js.Stream(t.Context(), protocol.StreamInbox); err == nil && n%2 == 0 && s.CachedInfo().Cluster != nil {
			_, _ = fmt.Sscanf(s.CachedInfo().Cluster.Leader, "bus-%d", &i)
			i = (i + 2) % 3
		}
		c.kill(i)
		l.await(t, 5) // two servers go on
		if n == 0 {
			c.missed(admin, i)
		}
		c.start(i)
		c.whole(js)
		// A worker: the one that judges, if it is known; the time until another has taken over.
		j := rng.IntN(3)
		if at := judgeOf(t, nc); at > 0 {
			j = at - 1
		}
		workers[j].kill()
		begun := time.Now()
		awaitVerdict(t, js, l, begun)
		longest = max(longest, time.Since(begun))
		run(j)
	}
	l.await(t, 10)
	all := 2 * kills
	if partitions > 1 {
		shared(t, nc, partitions)
		// Servers do not divide at the same moment: what came just then was never judged. So it is refused.
		if out, status := p.try(append([]string{"init", "--partitions", fmt.Sprint(2 * partitions)}, admin...)...); status != 1 || !strings.Contains(out, "do not divide at the same moment") {
			t.Errorf("an inbox of a cluster was divided anew under load: status %d, %s", status, out)
		}
		l.await(t, 10)
		for i := range workers {
			workers[i].kill()
			run(i)
		}
		all += len(workers)
		l.await(t, 30)
		shared(t, nc, partitions)
	}
	l.end(t)
	for _, printer := range loadPrinters {
		p.do(append([]string{"journal", "add", "note", "--site", "quay", "--printer", printer, "--text", "the last input"}, admin...)...)
	}
	records := p.records(admin...)
	hits.wait(t, records)
	l.checkAll(t, records, hits, all)
	if t.Failed() {
		c.tell(js, l, records)
	}
	t.Logf("%d kills of servers and %d of workers; taken over within %s at most", kills, kills, longest.Round(10*time.Millisecond))
	if longest > 30*time.Second {
		t.Errorf("another worker took over only after %s", longest)
	}
	if out, status := p.try(append([]string{"doctor"}, "--nats", c.urls(), "--nkey", c.keys[bus.RoleViewer])...); status != 0 {
		t.Errorf("doctor: status %d\n%s", status, out)
	}
}

// tell says what the bus holds of readings that have no verdict.
func (c *cluster) tell(js jetstream.JetStream, l *load, records []*protocol.Record) {
	c.t.Helper()
	judged := map[string]bool{}
	for _, r := range records {
		if r.Verdict != nil {
			judged[r.Verdict.Reading] = true
		}
	}
	in, err := js.Stream(c.t.Context(), protocol.StreamInbox)
	if err != nil {
		c.t.Log(err)
		return
	}
	for id, ack := range l.sent {
		if judged[id] {
			continue
		}
		for seq := ack.Sequence - 1; seq <= ack.Sequence+1; seq++ {
			if m, err := in.GetMsg(c.t.Context(), seq); err != nil {
				c.t.Logf("input %d: %v", seq, err)
			} else {
				c.t.Logf("input %d: %s, stored %s as %s", seq, m.Subject, m.Time, m.Header.Get(jetstream.MsgIDHeader))
			}
		}
		for _, r := range records {
			if r.InboxSeq+3 > ack.Sequence && r.InboxSeq < ack.Sequence+4 {
				c.t.Logf("record of input %d: %s %s at %s: %s", r.InboxSeq, r.Kind, r.ID, r.At, r.Text)
			}
		}
	}
	for cons := range in.ListConsumers(c.t.Context()).Info() {
		c.t.Logf("consumer %s: %d pending, %d in hand, delivered %+v, floor %+v", cons.Name, cons.NumPending, cons.NumAckPending, cons.Delivered, cons.AckFloor)
	}
}

// shared wants every part of the inbox into which readings come to be judged by somebody.
func shared(t *testing.T, nc *nats.Conn, partitions int) {
	t.Helper()
	want := map[int]bool{}
	for _, printer := range loadPrinters {
		want[bus.PartOf("quay", printer, partitions)] = true
	}
	limit := time.Now().Add(time.Minute)
	for {
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		reports, err := doctor.Ask(ctx, nc)
		cancel()
		if err != nil {
			t.Fatal(err)
		}
		here, said := 0, ""
		for _, r := range reports {
			here += r.PartsHere
			said += fmt.Sprintf("; %s judges %d parts, others %d", r.Name, r.PartsHere, r.PartsElsewhere)
		}
		if here >= len(want) {
			t.Logf("readings come into %d of %d parts%s", len(want), partitions, said)
			return
		}
		if time.Now().After(limit) {
			t.Errorf("%d parts are judged, readings come into %d%s", here, len(want), said)
			return
		}
		pause := time.NewTimer(100 * time.Millisecond)
		<-pause.C
	}
}

// missed lets doctor find out which server is away; the others need some seconds to see it.
func (c *cluster) missed(admin []string, i int) {
	c.t.Helper()
	p := &program{t: c.t, dir: c.t.TempDir()}
	limit := time.Now().Add(time.Minute)
	for {
		out, _ := p.try(append([]string{"doctor"}, admin...)...)
		if strings.Contains(out, fmt.Sprintf("the server bus-%d is away", i+1)) {
			return
		}
		if time.Now().After(limit) {
			c.t.Errorf("doctor does not miss server bus-%d:\n%s", i+1, out)
			return
		}
	}
}

// judgeOf gives the number of the worker that judges; 0 when none says so.
func judgeOf(t *testing.T, nc *nats.Conn) int {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	reports, err := doctor.Ask(ctx, nc)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range reports {
		if r.Judging == health.JudgedHere {
			n := 0
			_, _ = fmt.Sscanf(r.Name, "judge-%d", &n)
			return n
		}
	}
	return 0
}

// awaitVerdict waits until each printer has a record that was stored after a moment, while the load
// goes on.
func awaitVerdict(t *testing.T, js jetstream.JetStream, l *load, after time.Time) {
	t.Helper()
	limit := time.Now().Add(2 * time.Minute)
	for {
		s, err := js.Stream(t.Context(), protocol.StreamRecord)
		behind := 0
		for _, printer := range loadPrinters {
			if err != nil {
				break
			}
			var m *jetstream.RawStreamMsg
			m, err = s.GetLastMsgForSubject(t.Context(), protocol.PrinterRecords("quay", printer))
			if err == nil && !m.Time.After(after.Add(100*time.Millisecond)) {
				behind++
			}
		}
		if err == nil && behind == 0 {
			return
		}
		if time.Now().After(limit) {
			t.Fatalf("no record in two minutes after a worker was killed: %v", err)
		}
		pause := time.NewTimer(50 * time.Millisecond)
		<-pause.C
	}
}
