package main

import (
	"encoding/json"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"swathkeeper/protocol"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/doctor"
)

// examined runs doctor as JSON and gives its findings and exit status.
func (p *program) examined(args ...string) ([]doctor.Finding, int) {
	p.t.Helper()
	out, status := p.try(append([]string{"doctor", "--json"}, args...)...)
	var got struct {
		Worst    string           `json:"worst"`
		Findings []doctor.Finding `json:"findings"`
	}
	text, _, _ := strings.Cut(out, "swathkeeper: ")
	if err := json.Unmarshal([]byte(text), &got); err != nil {
		p.t.Fatalf("doctor: %v\n%s", err, out)
	}
	for _, f := range got.Findings {
		if (f.Next == "") != (f.Verdict == doctor.Fine) {
			p.t.Errorf("a next step belongs to what is not fine: %+v", f)
		}
	}
	return got.Findings, status
}

func has(list []doctor.Finding, area, verdict, word string) bool {
	return slices.ContainsFunc(list, func(f doctor.Finding) bool {
		return f.Area == area && f.Verdict == verdict && strings.Contains(f.Text, word)
	})
}

func TestDoctor(t *testing.T) {
	t.Parallel()
	p := &program{t: t, dir: filepath.Join(t.TempDir(), "data")}
	if found, status := p.examined(); status != 1 || !has(found, "store", doctor.Fault, "no data folder") {
		t.Errorf("no folder: status %d, %+v", status, found)
	}
	worker := p.start("--chat", "console")
	var layout protocol.Chart
	if err := json.Unmarshal([]byte(p.do("chart", "add", "../../testdata/charts/FOGRA39L.txt", "--id", "offset-coated", "--json")), &layout); err != nil {
		t.Fatal(err)
	}
	good := fogra(t, "FOGRA39L.txt", layout.ID+"."+layout.Edition)
	p.do("baseline", "learn", "--site", "quay", "--printer", "heron")
	rng := rand.New(rand.NewPCG(10, 2))
	at := time.Now().Add(-4 * 24 * time.Hour)
	var files []string
	for i := range 10 {
		files = append(files, writeReadings(t, "r.jsonl", remeasured(good, at.Add(time.Duration(i)*8*time.Hour), rng)))
	}
	p.do(append([]string{"send"}, files...)...)
	p.do("baseline", "accept", "--site", "quay", "--printer", "heron")

	found, status := p.examined("--chat", "console")
	if status != 0 {
		t.Errorf("all is well: status %d, %+v", status, found)
	}
	// The worker was given a target; doctor need not be given it again.
	if found, _ := p.examined(); !has(found, "chat", doctor.Fine, "1 target") || has(found, "chat", doctor.Look, "") {
		t.Errorf("without the worker's settings: %+v", found)
	}
	for _, area := range []string{"configuration", "worker", "bus", "store", "disk", "clock", "chat", "stations", "baselines"} {
		if !slices.ContainsFunc(found, func(f doctor.Finding) bool { return f.Area == area }) {
			t.Errorf("nothing is said of %s", area)
		}
	}
	if !has(found, "baselines", doctor.Fine, "1 baseline in force") || !has(found, "stations", doctor.Fine, "1 of 1 printer read") {
		t.Errorf("all is well: %+v", found)
	}

	// Baselines age, and may be damaged.
	nc, js := p.dialWorker()
	ctx := t.Context()
	now := time.Now()
	if f := doctor.Baselines(ctx, js, now.AddDate(0, 11, 15)); !has(f, "baselines", doctor.Look, "will be a year old") {
		t.Errorf("in eleven months and a half: %+v", f)
	}
	if f := doctor.Baselines(ctx, js, now.AddDate(1, 1, 0)); !has(f, "baselines", doctor.Look, "more than a year old") {
		t.Errorf("in a year: %+v", f)
	}
	if f := doctor.Stations(ctx, js, now.AddDate(0, 1, 0)); !has(f, "stations", doctor.Look, "quay/heron was last read") {
		t.Errorf("in a month: %+v", f)
	}
	if f := doctor.Clock(ctx, js, now.AddDate(0, 0, -2)); !has(f, "clock", doctor.Fault, "behind the newest message") {
		t.Errorf("two days ago: %+v", f)
	}
	objects, err := js.ObjectStore(ctx, protocol.BucketBaselines)
	if err != nil {
		t.Fatal(err)
	}
	all, err := objects.List(ctx)
	if err != nil || len(all) != 1 {
		t.Fatalf("%d baselines, %v", len(all), err)
	}
	if _, err := objects.PutBytes(ctx, all[0].Name, []byte("not what it was")); err != nil {
		t.Fatal(err)
	}
	if found, status := p.examined(); status != 1 || !has(found, "baselines", doctor.Fault, "damaged") {
		t.Errorf("a damaged baseline: status %d, %+v", status, found)
	}

	// A stream that somebody changed so that it would forget.
	s, err := js.Stream(ctx, protocol.StreamRecord)
	if err != nil {
		t.Fatal(err)
	}
	conf := s.CachedInfo().Config
	conf.MaxAge = 1000 * time.Hour
	if _, err := js.UpdateStream(ctx, conf); err != nil {
		t.Fatal(err)
	}
	if found, status := p.examined(); status != 1 || !has(found, "bus", doctor.Fault, "remove its max age") {
		t.Errorf("a stream that forgets: status %d, %+v", status, found)
	}
	conf.MaxAge = 0
	if _, err := js.UpdateStream(ctx, conf); err != nil {
		t.Fatal(err)
	}
	// A judge that is paused: what waits is told.
	if _, err := js.PauseConsumer(ctx, protocol.StreamInbox, bus.Durable, now.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	data, err := json.Marshal(remeasured(good, now, rng))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := js.Publish(ctx, protocol.ReadingSubject("quay", "heron"), data, jetstream.WithMsgID("one more")); err != nil {
		t.Fatal(err)
	}
	nc.Close()

	// The worker is killed: its endpoint is left behind, and the doctor is not misled.
	if err := worker.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = worker.Wait()
	found, status = p.examined()
	if status != 1 || !has(found, "worker", doctor.Fault, "no worker runs") || !has(found, "worker", doctor.Look, "inputs wait") || !has(found, "bus", doctor.Fine, "") {
		t.Errorf("after a kill: status %d, %+v", status, found)
	}

	// What lies open, and what cannot be read.
	if err := os.Chmod(p.dir, 0o755); err != nil {
		t.Fatal(err)
	}
	grants := filepath.Join(p.dir, bus.GrantsFile)
	if err := errors.Join(os.WriteFile(grants, []byte("{"), 0o644), os.Chmod(grants, 0o644)); err != nil { // whatever the umask is
		t.Fatal(err)
	}
	found, _ = p.examined()
	if !has(found, "configuration", doctor.Look, "others may look into the data folder") || !has(found, "configuration", doctor.Look, bus.GrantsFile) || !has(found, "configuration", doctor.Fault, "grants") {
		t.Errorf("what lies open: %+v", found)
	}
	file := filepath.Join(t.TempDir(), "c.toml")
	if err := os.WriteFile(file, []byte("[tolerance]\nmean_de0 = 2\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if found, status := p.examined("--config", file); status != 1 || !has(found, "configuration", doctor.Fault, "there is no setting tolerance.mean_de0") {
		t.Errorf("a misspelt setting: status %d, %+v", status, found)
	}
	if found, status := p.examined("--nats", "nats://127.0.0.1:1"); status != 1 || !has(found, "bus", doctor.Fault, "no servers available") {
		t.Errorf("a bus that is away: status %d, %+v", status, found)
	}
}
