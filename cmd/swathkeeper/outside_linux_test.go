package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	osexec "os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/bus/bustest"
	"swathkeeper/worker/station"
)

// outside is one NATS server as a process, set up for workers, and a worker on it.
type outside struct {
	*program
	server *osexec.Cmd
	conf   string
	store  string // its folder
	at     string // HOST:PORT
	bus    []string
	worker *logged
	health string
	good   *protocol.Reading
	rng    *rand.Rand
	next   time.Time
	read   []*protocol.Reading // that were taken
}

// startOutside starts a server whose store lies in a folder, sets it up, and starts a worker.
func startOutside(t *testing.T, store string) *outside {
	t.Helper()
	o := &outside{program: &program{t: t, dir: t.TempDir()}, store: filepath.Join(store, "bus"), at: bustest.FreePort(t), rng: rand.New(rand.NewPCG(2026, 11)), next: time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)}
	o.conf = filepath.Join(t.TempDir(), "bus.conf")
	if err := os.WriteFile(o.conf, []byte(fmt.Sprintf("server_name: \"bus-1\"\nlisten: %q\nmax_payload: 1MB\njetstream { store_dir: %q, max_file_store: 4GB, max_memory_store: 32MB, sync_interval: always }\n", o.at, o.store)), 0o600); err != nil {
		t.Fatal(err)
	}
	o.bus = []string{"--nats", "nats://" + o.at}
	o.serve()
	o.init()
	o.work()
	o.good = fogra(t, "FOGRA39L.txt", o.addChart())
	return o
}

// addChart makes the chart known to the bus, and gives its name.
func (o *outside) addChart() string {
	o.t.Helper()
	var layout protocol.Chart
	if err := json.Unmarshal([]byte(o.do(append([]string{"chart", "add", "../../testdata/charts/FOGRA39L.txt", "--id", "offset-coated", "--json"}, o.bus...)...)), &layout); err != nil {
		o.t.Fatal(err)
	}
	return layout.ID + "." + layout.Edition
}

func (o *outside) init() {
	o.t.Helper()
	o.do(append([]string{"init", "--replicas", "1", "--inbox-mib", "512", "--record-mib", "512", "--baselines-mib", "64", "--scans-mib", "64"}, o.bus...)...)
}

// serve starts the server and waits until it listens.
func (o *outside) serve() {
	o.t.Helper()
	cmd := osexec.CommandContext(o.t.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), asServer+"="+o.conf)
	if err := cmd.Start(); err != nil {
		o.t.Fatal(err)
	}
	o.t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	o.server = cmd
	listening(o.t, o.at)
}

func (o *outside) killServer() {
	o.t.Helper()
	if err := o.server.Process.Kill(); err != nil {
		o.t.Fatal(err)
	}
	_ = o.server.Wait()
}

// work starts the worker.
func (o *outside) work() {
	o.t.Helper()
	o.worker = o.startLogged(append([]string{"--name", "judge-1"}, o.bus...)...)
	var line struct{ Health string }
	if err := json.Unmarshal([]byte(o.worker.seen[len(o.worker.seen)-1]), &line); err != nil {
		o.t.Fatal(err)
	}
	o.health = line.Health
}

// ready asks the worker's /readyz.
func (o *outside) ready() (int, string) {
	o.t.Helper()
	resp, err := http.Get("http://" + o.health + "/readyz")
	if err != nil {
		o.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		o.t.Fatal(err)
	}
	return resp.StatusCode, string(b)
}

// awaitReady waits until /readyz answers with a status and a text.
func (o *outside) awaitReady(status int, text string) {
	o.t.Helper()
	limit := time.Now().Add(time.Minute)
	for {
		got, body := o.ready()
		if got == status && strings.Contains(body, text) {
			return
		}
		if time.Now().After(limit) {
			o.t.Fatalf("/readyz: %d\n%s", got, body)
		}
		pause := time.NewTimer(100 * time.Millisecond)
		<-pause.C
	}
}

func (o *outside) dial() jetstream.JetStream {
	o.t.Helper()
	nc, js, err := bus.Connect(o.t.Context(), bus.ConnectOptions{Name: "test", URL: "nats://" + o.at, Patient: true, Log: zerolog.Nop()})
	if err != nil {
		o.t.Fatal(err)
	}
	o.t.Cleanup(nc.Close)
	return js
}

// send publishes another reading as a station does, once.
func (o *outside) send(js jetstream.JetStream) error {
	o.t.Helper()
	r := remeasured(o.good, o.next, o.rng)
	o.next = o.next.Add(time.Hour)
	data, err := station.Pack(r)
	if err != nil {
		o.t.Fatal(err)
	}
	_, err = js.Publish(o.t.Context(), protocol.ReadingSubject(r.Site, r.Printer), data, jetstream.WithMsgID(protocol.MsgID(r.Site, r.Printer, r.ID)), jetstream.WithRetryAttempts(0))
	if err == nil {
		o.read = append(o.read, r)
	}
	return err
}

// sendAll publishes n readings, which must be taken.
func (o *outside) sendAll(js jetstream.JetStream, n int) {
	o.t.Helper()
	for range n {
		if err := o.send(js); err != nil {
			o.t.Fatal(err)
		}
	}
}

// judged waits until all that was sent before has been judged, and checks that each reading that was
// taken has one verdict.
func (o *outside) judged() {
	o.t.Helper()
	o.do(append([]string{"journal", "add", "note", "--site", "quay", "--printer", "heron", "--text", "all before this have their records"}, o.bus...)...)
	verdicts := map[string]int{}
	for _, r := range o.records(append([]string{"--kind", "verdict"}, o.bus...)...) {
		verdicts[r.Verdict.Reading]++
	}
	for i, r := range o.read {
		if verdicts[r.ID] != 1 {
			o.t.Errorf("reading %d of %d has %d verdicts", i+1, len(o.read), verdicts[r.ID])
		}
	}
}

// TestOutsideServerGoesAndComes stops the one server that a worker is on, and starts it again.
func TestOutsideServerGoesAndComes(t *testing.T) {
	t.Parallel()
	o := startOutside(t, t.TempDir())
	js := o.dial()
	o.sendAll(js, 3)
	o.judged()
	o.killServer()
	o.worker.await("the bus is away")
	o.awaitReady(503, "the bus is away")
	o.serve()
	o.worker.await("the bus is back")
	o.awaitReady(200, "records are being stored")
	o.sendAll(o.dial(), 3)
	o.judged()
}

// TestOutsideDiskFull lets the disk of an outside server run full, on a small file system.
func TestOutsideDiskFull(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	smallDisk(t, dir, "24m")
	o := startOutside(t, dir)
	js := o.dial()
	o.sendAll(js, 3)
	o.judged()
	filler := filepath.Join(dir, "filler")
	fillUp(t, filler)
	refused := 0
	for range 30 {
		if err := o.send(js); err != nil {
			if refused++; refused == 2 {
				break
			}
		}
	}
	if refused == 0 {
		t.Fatal("every reading was taken: the disk did not fill")
	}
	o.awaitReady(503, "the bus cannot store")
	o.worker.await("make room on the disk of the NATS server, and restart that server")
	if out, status := o.try(append([]string{"doctor"}, o.bus...)...); status != 1 || !strings.Contains(out, "restart that server") {
		t.Errorf("doctor with a full disk: status %d\n%s", status, out)
	}
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	o.killServer()
	o.serve()
	o.worker.await("the bus is as it should be again")
	o.awaitReady(200, "records are being stored")
	o.sendAll(o.dial(), 3)
	o.judged()
}

// TestOutsideStreamForgets changes a stream under a running worker so that it would forget readings,
// and mends it; then it deletes the inbox and makes another that forgets: the worker ends, saying why,
// and none starts before it is mended.
func TestOutsideStreamForgets(t *testing.T) {
	t.Parallel()
	o := startOutside(t, t.TempDir())
	js := o.dial()
	o.sendAll(js, 2)
	o.judged()
	s, err := js.Stream(t.Context(), protocol.StreamInbox)
	if err != nil {
		t.Fatal(err)
	}
	right := s.CachedInfo().Config
	wrong := right
	wrong.MaxAge = 24 * time.Hour
	if _, err := js.UpdateStream(t.Context(), wrong); err != nil {
		t.Fatal(err)
	}
	o.worker.await("remove its max age")
	o.awaitReady(503, "remove its max age")
	o.sendAll(js, 2) // what comes is judged all the same: the sooner the better
	o.judged()
	if _, err := js.UpdateStream(t.Context(), right); err != nil {
		t.Fatal(err)
	}
	o.worker.await("the bus is as it should be again")
	o.awaitReady(200, "")

	if err := js.DeleteStream(t.Context(), protocol.StreamInbox); err != nil {
		t.Fatal(err)
	}
	if _, err := js.CreateStream(t.Context(), wrong); err != nil {
		t.Fatal(err)
	}
	o.worker.await("the consumer judge was deleted")
	if err := o.worker.Wait(); err == nil {
		t.Error("a worker whose place was deleted ends as if all were well")
	}
	o.read = nil // that inbox is gone; its records are not
	if out, status := o.try(append([]string{"run", "--health", "off"}, o.bus...)...); status != 1 || !strings.Contains(out, "remove its max age") || !strings.Contains(out, "swathkeeper init") {
		t.Errorf("a worker on a bus that forgets: status %d\n%s", status, out)
	}
	if _, err := js.UpdateStream(t.Context(), right); err != nil {
		t.Fatal(err)
	}
	o.init()
	o.work()
	o.sendAll(js, 2)
	o.judged()
}

// TestOutsideBusIsAnother puts another, empty server in the place of the one that the worker is on.
// Sequences begin at 1 again there: what the worker knows must not make it skip a reading.
func TestOutsideBusIsAnother(t *testing.T) {
	t.Parallel()
	o := startOutside(t, t.TempDir())
	o.sendAll(o.dial(), 6)
	o.judged()
	o.killServer()
	o.worker.await("the bus is away")
	if err := os.RemoveAll(o.store); err != nil {
		t.Fatal(err)
	}
	o.read = nil
	o.serve()
	o.init()
	o.addChart()
	o.sendAll(o.dial(), 3)
	o.worker.await("the inbox was made anew")
	if err := o.worker.Wait(); err == nil {
		t.Error("a worker that stands on nothing ends as if all were well")
	}
	o.work()
	o.judged()
}

// TestOutsideBusComesLater starts the worker before its bus, as after a power cut that took both: it
// says what it waits for and where, and goes on.
func TestOutsideBusComesLater(t *testing.T) {
	t.Parallel()
	o := startOutside(t, t.TempDir())
	o.worker.stop()
	o.killServer()
	l := o.launch("--name", "judge-1", "--nats", "nats://"+o.at)
	l.await("the bus is away")
	o.serve()
	l.await(`"message":"watching"`)
	o.sendAll(o.dial(), 2)
	o.judged()
}

// TestInitAgain does init on a bus that is there: it says what is, not what the flags say, and makes
// limits larger where they are given.
func TestInitAgain(t *testing.T) {
	t.Parallel()
	o := &outside{program: &program{t: t, dir: t.TempDir()}, store: filepath.Join(t.TempDir(), "bus"), at: bustest.FreePort(t)}
	o.conf = filepath.Join(t.TempDir(), "bus.conf")
	if err := os.WriteFile(o.conf, []byte(fmt.Sprintf("server_name: \"bus-1\"\nlisten: %q\nmax_payload: 1MB\njetstream { store_dir: %q, max_file_store: 6GB }\n", o.at, o.store)), 0o600); err != nil {
		t.Fatal(err)
	}
	o.bus = []string{"--nats", "nats://" + o.at}
	o.serve()
	o.init()
	if said := o.do(append([]string{"init"}, o.bus...)...); !strings.Contains(said, "every stream on at least 1 of its servers") || !strings.Contains(said, "SWK_INBOX") {
		t.Errorf("three asked for by default, one had: %s", said)
	}
	if said := o.do(append([]string{"init", "--json"}, o.bus...)...); !strings.Contains(said, `"replicas":1`) {
		t.Errorf("as JSON: %s", said)
	}
	if out, status := o.try(append([]string{"init", "--replicas", "3"}, o.bus...)...); status != 1 || !strings.Contains(out, "SWK_INBOX stays as it is") {
		t.Errorf("three asked for on one server: status %d, %s", status, out)
	}
	if said := o.do(append([]string{"init", "--replicas", "1", "--inbox-mib", "900", "--record-mib", "100"}, o.bus...)...); !strings.Contains(said, "SWK_INBOX may hold 900 MiB now, before 512 MiB") || !strings.Contains(said, "SWK_RECORD may hold 512 MiB already; a limit is never lowered") {
		t.Errorf("limits: %s", said)
	}
	s, err := o.dial().Stream(t.Context(), protocol.StreamInbox)
	if err != nil {
		t.Fatal(err)
	}
	if n := s.CachedInfo().Config.MaxBytes; n != 900<<20 {
		t.Errorf("the inbox may hold %d MiB", n>>20)
	}
	if out, status := o.try(append([]string{"init", "--replicas", "1", "--inbox-mib", "9000"}, o.bus...)...); status != 1 || !strings.Contains(out, "SWK_INBOX stays as it is") {
		t.Errorf("more than the server has: status %d, %s", status, out)
	}
}
