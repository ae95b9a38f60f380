package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"swathkeeper/protocol"
	"swathkeeper/worker/judge"
	"swathkeeper/worker/station"
)

// asProgram makes the test binary run as the program itself: the end-to-end tests start it as real
// processes.
const asProgram = "TEST_AS_SWATHKEEPER"

func TestMain(m *testing.M) {
	if file := os.Getenv(asServer); file != "" {
		serveNATS(file)
	}
	if os.Getenv(asProgram) != "" {
		main()
		return
	}
	os.Exit(m.Run())
}

// program is the real program with a data folder of its own.
type program struct {
	t   *testing.T
	dir string
}

func (p *program) command(args ...string) *exec.Cmd {
	c := exec.CommandContext(p.t.Context(), os.Args[0], args...)
	c.Env = p.environment()
	return c
}

// environment is this process's without the settings that the program takes from there: whoever runs the
// tests may have a bus of their own, or a service manager that waits for a word.
func (p *program) environment() []string {
	env := slices.DeleteFunc(os.Environ(), func(v string) bool {
		name, _, _ := strings.Cut(v, "=")
		for _, own := range []string{"SWATHKEEPER_", "NATS_", "XDG_", "NOTIFY_", "WATCHDOG_"} {
			if strings.HasPrefix(name, own) {
				return true
			}
		}
		return slices.Contains([]string{"STATE_DIRECTORY", "SOURCE_DATE_EPOCH", "COLUMNS", "COLORTERM", "TERM", "GOMEMLIMIT"}, name)
	})
	return append(env, asProgram+"=1", "SWATHKEEPER_DATA="+p.dir, "NO_COLOR=1")
}

// do runs a command that must succeed and gives what it printed.
func (p *program) do(args ...string) string {
	p.t.Helper()
	out, status := p.try(args...)
	if status != 0 {
		p.t.Fatalf("swathkeeper %s: status %d\n%s", strings.Join(args, " "), status, out)
	}
	return out
}

// try runs a command and gives its output, standard error behind it, and its exit status.
func (p *program) try(args ...string) (string, int) {
	p.t.Helper()
	var out, errs bytes.Buffer
	c := p.command(args...)
	c.Stdout, c.Stderr = &out, &errs
	err := c.Run()
	status := c.ProcessState.ExitCode()
	if err != nil && status < 0 {
		p.t.Fatalf("swathkeeper %s: %v", strings.Join(args, " "), err)
	}
	return out.String() + errs.String(), status
}

// start runs the worker and returns when it watches. The process is ended with the test.
func (p *program) start(args ...string) *exec.Cmd {
	p.t.Helper()
	c := p.command(append([]string{"run", "--listen", "127.0.0.1:0", "--health", "127.0.0.1:0", "--zone", "UTC"}, args...)...)
	errs, err := c.StderrPipe()
	if err != nil {
		p.t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		p.t.Fatal(err)
	}
	p.t.Cleanup(func() {
		_ = c.Process.Kill()
		_ = c.Wait()
	})
	var log bytes.Buffer
	sc := bufio.NewScanner(errs)
	sc.Buffer(nil, 1<<20)
	for sc.Scan() {
		log.Write(sc.Bytes())
		log.WriteByte('\n')
		if strings.Contains(sc.Text(), `"message":"watching"`) {
			go func() { _, _ = io.Copy(io.Discard, errs) }()
			return c
		}
	}
	p.t.Fatalf("the worker did not come up:\n%s", log.String())
	return nil
}

// fogra reads one of the open characterisation tables as a reading of printer heron.
func fogra(t *testing.T, name, chart string) *protocol.Reading {
	t.Helper()
	got, err := station.ReadFile(filepath.Join("../../testdata/charts", name), station.Fill{
		Site: "quay", Printer: "heron", Media: "pennant-knit", Preset: "deep", Stage: protocol.StagePressed, Chart: chart,
	})
	if err != nil {
		t.Fatal(err)
	}
	return got[0]
}

// remeasured is a reading of the same print once more: each of L*, a*, b* moves by 0.09, so that two
// readings of one print differ by 0.15 on average. Textile colour-measurement guidance asks a good
// technique to remove and re-measure a sample within 0.15 dE.
func remeasured(r *protocol.Reading, at time.Time, rng *rand.Rand) *protocol.Reading {
	n := *r
	n.ID = uuid.Must(uuid.NewV7()).String()
	n.TakenAt = at
	p := *r.Patches
	p.Lab = make(protocol.Triples, len(r.Patches.Lab))
	for i, v := range r.Patches.Lab {
		for k := range v {
			v[k] += 0.09 * rng.NormFloat64()
		}
		p.Lab[i] = v
	}
	n.Patches = &p
	return &n
}

func writeReadings(t *testing.T, name string, rs ...*protocol.Reading) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	var b bytes.Buffer
	for _, r := range rs {
		data, err := station.Pack(r)
		if err != nil {
			t.Fatal(err)
		}
		b.Write(data)
		b.WriteByte('\n')
	}
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// webhook takes what chat sends and hands it on.
func webhook(t *testing.T) (url string, got chan string) {
	got = make(chan string, 100)
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, err := io.ReadAll(r.Body)
		if err != nil {
			w.WriteHeader(http.StatusInternalServerError)
			return
		}
		got <- string(b)
		w.WriteHeader(http.StatusNoContent)
	}))
	t.Cleanup(s.Close)
	return s.URL, got
}

// records reads the history through the program.
func (p *program) records(args ...string) []*protocol.Record {
	p.t.Helper()
	var out []*protocol.Record
	for _, line := range strings.Split(strings.TrimSpace(p.do(append([]string{"history", "--json"}, args...)...)), "\n") {
		if line == "" {
			continue
		}
		r, err := protocol.DecodeRecord([]byte(line))
		if err != nil {
			p.t.Fatal(err)
		}
		out = append(out, r)
	}
	return out
}

// awaitRecords waits until n readings have their verdict, by following the worker's own answers.
func (p *program) sendAndWait(path string, n int) []*protocol.Record {
	p.t.Helper()
	p.do("send", path)
	// A note is answered after everything that stands before it in the inbox.
	p.do("journal", "add", "note", "--site", "quay", "--printer", "heron", "--text", "in between")
	all := p.records("--kind", "verdict")
	return all[len(all)-n:]
}

// TestDriftEndToEnd is the whole road with the real program: an open characterisation table is the
// known-good state, another one the drifted printer. CIEDE2000 between the two tables is 1.285 on
// average (testdata/charts/SOURCES.md), beyond the tolerance of 1.0.
func TestDriftEndToEnd(t *testing.T) {
	p := &program{t: t, dir: t.TempDir()}
	url, got := webhook(t)
	p.start("--chat", url, "--chat-inside")
	out := p.do("chart", "add", "../../testdata/charts/FOGRA39L.txt", "--id", "offset-coated", "--json")
	var layout protocol.Chart
	if err := json.Unmarshal([]byte(out), &layout); err != nil {
		t.Fatal(err)
	}
	chart := layout.ID + "." + layout.Edition
	good, drifted := fogra(t, "FOGRA39L.txt", chart), fogra(t, "TR006.txt", chart)
	rng := rand.New(rand.NewPCG(2026, 3))
	day := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)

	p.do("baseline", "learn", "--site", "quay", "--printer", "heron")
	var base []*protocol.Reading
	for i := range 10 {
		base = append(base, remeasured(good, day.Add(time.Duration(i/3)*24*time.Hour+time.Duration(i%3)*time.Hour), rng))
	}
	for _, r := range p.sendAndWait(writeReadings(t, "good.jsonl", base...), 10) {
		if r.Verdict.Outcome != protocol.Learning {
			t.Fatalf("while learning: %s", r.Text)
		}
	}
	if out := p.do("baseline", "list"); !regexp.MustCompile(`quay/heron +[0-9a-f]{12} +learning +- +10 `).MatchString(out) {
		t.Errorf("while learning the list of baselines says: %s", out)
	}
	if out := p.do("printers"); !strings.Contains(out, "  learning ") {
		t.Errorf("while learning the list of printers says: %s", out)
	}
	if out := p.do("baseline", "accept", "--site", "quay", "--printer", "heron"); !strings.Contains(out, "full, from 10 readings on 4 days") {
		t.Errorf("accept says: %s", out)
	}
	if out := p.do("printers"); !strings.Contains(out, "  ready ") {
		t.Errorf("after accept the list of printers says: %s", out)
	}
	if out := p.do("baseline", "list"); strings.Contains(out, "learning") || !strings.Contains(out, "in force") {
		t.Errorf("after accept the list of baselines says: %s", out)
	}

	at := day.Add(5 * 24 * time.Hour)
	next := func() time.Time { at = at.Add(4 * time.Hour); return at }
	if r := p.sendAndWait(writeReadings(t, "steady.json", remeasured(good, next(), rng)), 1)[0]; r.Verdict.Outcome != protocol.Steady {
		t.Fatalf("in control: %s", r.Text)
	}
	bad := p.sendAndWait(writeReadings(t, "bad.jsonl", remeasured(drifted, next(), rng), remeasured(drifted, next(), rng)), 2)
	for _, r := range bad {
		if v := r.Verdict; v.Outcome != protocol.LevelAct && v.Outcome != protocol.LevelStop {
			t.Fatalf("drifted: %s", r.Text)
		}
		if m := r.Verdict.Colour.MeanDE00; m < 1.2 || m > 1.4 {
			t.Errorf("chart mean %.3f, the tables are 1.285 apart", m)
		}
	}
	raised := bad[len(bad)-1].Changes
	if len(raised) != 1 || raised[0].Change != protocol.ChangeRaised {
		t.Fatalf("changes after two drifted readings: %+v", raised)
	}
	if g := raised[0].LastGood; g == nil {
		t.Error("the alert does not say since when prints are suspect")
	}
	select {
	case text := <-got:
		if !strings.Contains(text, "heron") {
			t.Errorf("message does not name the printer: %s", text)
		}
	case <-time.After(2 * time.Minute):
		t.Fatal("no message came")
	}
	if out := p.do("history", "--changes"); !strings.Contains(out, "raised") {
		t.Errorf("history does not show the alert:\n%s", out)
	}

	var cleared []protocol.Change
	for i := 0; len(cleared) == 0; i++ {
		if i == 6 {
			t.Fatal("not cleared after 6 steady readings")
		}
		cleared = p.sendAndWait(writeReadings(t, "again.json", remeasured(good, next(), rng)), 1)[0].Changes
	}
	if cleared[0].Change != protocol.ChangeCleared || cleared[0].Key != raised[0].Key {
		t.Errorf("changes when back to normal: %+v", cleared)
	}
	select {
	case text := <-got:
		if !strings.Contains(text, "heron") {
			t.Errorf("message does not name the printer: %s", text)
		}
	case <-time.After(2 * time.Minute):
		t.Fatal("no message that it is over came")
	}
	select {
	case text := <-got:
		t.Errorf("one message too many: %s", text)
	default:
	}
}

// TestJudgeWithoutBus judges the same tables from files alone.
func TestJudgeWithoutBus(t *testing.T) {
	p := &program{t: t, dir: filepath.Join(t.TempDir(), "nothing")}
	chart, err := station.ReadLayout("../../testdata/charts/FOGRA39L.txt", "")
	if err != nil {
		t.Fatal(err)
	}
	good, drifted := fogra(t, "FOGRA39L.txt", chart.ID+"."+chart.Edition), fogra(t, "TR006.txt", chart.ID+"."+chart.Edition)
	rng := rand.New(rand.NewPCG(2026, 4))
	day := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	var base []*protocol.Reading
	for i := range 10 {
		base = append(base, remeasured(good, day.Add(time.Duration(i)*12*time.Hour), rng))
	}
	file := writeReadings(t, "good.jsonl", base...)
	args := []string{"judge", "--chart", "../../testdata/charts/FOGRA39L.txt", "--baseline", file, "--json"}
	out, status := p.try(append(args, writeReadings(t, "ok.json", remeasured(good, day.Add(240*time.Hour), rng)))...)
	if status != exitFine || !strings.Contains(out, `"outcome":"steady"`) {
		t.Errorf("in control: status %d\n%s", status, out)
	}
	out, status = p.try(append(args, writeReadings(t, "bad.json", remeasured(drifted, day.Add(240*time.Hour), rng)))...)
	if status != exitFound {
		t.Errorf("drifted: status %d, want %d\n%s", status, exitFound, out)
	}
	if n := strings.Count(strings.TrimSpace(out), "\n"); n != 0 {
		t.Errorf("%d lines for one verdict", n+1)
	}
	if _, err := os.Stat(p.dir); err == nil {
		t.Error("judge made a data folder")
	}
}

// TestSendNamesTheLimit tries what cannot even reach the worker.
func TestSendNamesTheLimit(t *testing.T) {
	p := &program{t: t, dir: t.TempDir()}
	p.start()
	good := fogra(t, "FOGRA39L.txt", "x.y")
	good.Note = ""
	big := *good
	big.Traces = []protocol.Trace{}
	for i := range 20 {
		v := make(protocol.Numbers, 10_000)
		for k := range v {
			v[k] = 0.123456789 + float64(k)*1e-9
		}
		big.Traces = append(big.Traces, protocol.Trace{Strip: fmt.Sprintf("S%d", i), Channel: "C", PitchUM: 84, Unit: "density", Values: v})
	}
	dotted := *good
	dotted.Printer = "her.on"
	for _, c := range []struct {
		name string
		r    *protocol.Reading
		want string
	}{{"2 MB", &big, "900"}, {"a dotted printer", &dotted, "1 to 63"}} {
		data, err := json.Marshal(c.r)
		if err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(t.TempDir(), "reading.json")
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		if out, status := p.try("send", path); status != exitFailed || !strings.Contains(out, c.want) {
			t.Errorf("%s: status %d, does not name the limit %q:\n%s", c.name, status, c.want, out)
		}
	}
	if out := p.do("history"); strings.Contains(out, "refused") {
		t.Errorf("something reached the worker:\n%s", out)
	}
}

// TestTablesAreToldAlike: whatever the instrument's noise, the second of the two tables is told as the
// same thing reading after reading: measure again, and after three agreeing charts refit the profile, for
// no single ink, press or fabric explains the difference between two characterisations.
func TestTablesAreToldAlike(t *testing.T) {
	layout, err := station.ReadLayout("../../testdata/charts/FOGRA39L.txt", "")
	if err != nil {
		t.Fatal(err)
	}
	chart := layout.ID + "." + layout.Edition
	good, drifted := fogra(t, "FOGRA39L.txt", chart), fogra(t, "TR006.txt", chart)
	for seed := range uint64(5) {
		rng := rand.New(rand.NewPCG(seed, 9))
		day := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
		b := judge.NewBench(layout, judge.Options{})
		for i := range 10 {
			if err := b.AddGood(remeasured(good, day.Add(time.Duration(i/3)*24*time.Hour+time.Duration(i%3)*time.Hour), rng)); err != nil {
				t.Fatal(err)
			}
		}
		if err := b.Ready(); err != nil {
			t.Fatal(err)
		}
		for i, want := range []string{"", protocol.AdviceRemeasure, protocol.AdviceRemeasure, protocol.AdviceRefit, "", ""} {
			r := good
			if want != "" {
				r = drifted
			}
			v, err := b.Judge(remeasured(r, day.Add(time.Duration(6*24+i*4)*time.Hour), rng))
			if err != nil {
				t.Fatal(err)
			}
			got := ""
			if len(v.Findings) > 0 {
				got = v.Findings[0].Advice
			}
			if got != want || (want != "" && v.Outcome != protocol.LevelAct && v.Outcome != protocol.LevelStop) {
				t.Errorf("seed %d, reading %d: %s %q, want %q", seed, i+1, v.Outcome, got, want)
			}
		}
	}
}
