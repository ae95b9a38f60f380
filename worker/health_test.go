package worker_test

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go/micro"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	"github.com/rs/zerolog"

	"swathkeeper/protocol"
	"swathkeeper/worker"
	"swathkeeper/worker/bus"
	"swathkeeper/worker/chat"
	"swathkeeper/worker/health"
)

// lines keeps what is written to it.
type lines struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.Write(p)
}

func (l *lines) text() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.String()
}

// watched is a worker that answers probes, with a chat target whose address is a secret.
func watched(t *testing.T, log *lines) *bench {
	t.Helper()
	return setupWith(t, func(o *worker.Options) {
		o.Health, o.Name, o.Version, o.Log = "127.0.0.1:0", "keeper-1", "1.2.3", zerolog.New(log)
		o.Chat.Targets = []chat.Target{{Name: "phone", URL: "http://127.0.0.1:9/secret-of-the-shop"}}
	})
}

func (b *bench) get(path string) (int, string) {
	b.t.Helper()
	resp, err := http.Get("http://" + b.w.HealthAddress() + path)
	if err != nil {
		b.t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	return resp.StatusCode, string(body)
}

// metric reads one figure with the parser of the format's own authors.
func metric(t *testing.T, text, name string, labels ...string) float64 {
	t.Helper()
	p := expfmt.NewTextParser(model.UTF8Validation)
	families, err := p.TextToMetricFamilies(strings.NewReader(text))
	if err != nil {
		t.Fatalf("the metrics are not in the text format: %v", err)
	}
	f := families[name]
	if f == nil {
		t.Fatalf("no metric %s", name)
	}
	for _, m := range f.Metric {
		has := func(l string) bool {
			return slices.ContainsFunc(m.Label, func(p *dto.LabelPair) bool { return p.GetValue() == l })
		}
		ok := true
		for _, l := range labels {
			ok = ok && has(l)
		}
		if ok {
			return m.GetCounter().GetValue() + m.GetGauge().GetValue() + float64(m.GetHistogram().GetSampleCount())
		}
	}
	t.Fatalf("no metric %s %v", name, labels)
	return 0
}

func TestHealthAndMetrics(t *testing.T) {
	log := &lines{}
	b := watched(t, log)
	r := b.reading(monday)
	b.send(r)
	b.put("swk.reading.quay.heron", []byte("{"), "")

	if status, body := b.get("/healthz"); status != 200 {
		t.Errorf("/healthz: %d\n%s", status, body)
	}
	status, body := b.get("/readyz")
	var rep health.Report
	if err := json.Unmarshal([]byte(body), &rep); err != nil || status != 200 {
		t.Fatalf("/readyz: %d, %v\n%s", status, err, body)
	}
	if !rep.Ready || !rep.Live || rep.Name != "keeper-1" || rep.Judging != health.JudgedHere || rep.Waiting > 1 || len(rep.Stores) != 7 || rep.LastRecord.IsZero() {
		t.Errorf("report %+v", rep)
	}
	status, figures := b.get("/metrics")
	if status != 200 {
		t.Fatalf("/metrics: %d", status)
	}
	for _, c := range []struct {
		name   string
		labels []string
		want   float64
	}{
		{"swathkeeper_verdicts_total", []string{protocol.Learning}, 1},
		{"swathkeeper_verdicts_total", []string{protocol.LevelStop}, 0},
		{"swathkeeper_refusals_total", []string{protocol.CodeBadJSON}, 1},
		{"swathkeeper_inputs_total", []string{protocol.KindVerdict}, 1},
		{"swathkeeper_judge_seconds", nil, 2},
		{"swathkeeper_queue_seconds", nil, 2},
		{"swathkeeper_commit_seconds", nil, 2},
		{"swathkeeper_ready", nil, 1},
		{"swathkeeper_live", nil, 1},
		{"swathkeeper_judging", []string{health.JudgedHere}, 1},
		{"swathkeeper_chat_messages_total", []string{"phone", "sent"}, 0},
		{"swathkeeper_store_messages", []string{protocol.StreamRecord}, 2},
		{"swathkeeper_store_messages", []string{protocol.StreamInbox}, 2},
	} {
		if got := metric(t, figures, c.name, c.labels...); got != c.want {
			t.Errorf("%s %v is %v, want %v", c.name, c.labels, got, c.want)
		}
	}
	if got := metric(t, figures, "swathkeeper_store_bytes", protocol.StreamInbox); got < 500 {
		t.Errorf("%v bytes in the inbox", got)
	}

	// Each record is told in one line of the log, with what finds it again.
	var found bool
	for line := range strings.Lines(log.text()) {
		var m map[string]any
		if json.Unmarshal([]byte(line), &m) != nil || m["reading"] != r.ID {
			continue
		}
		found = true
		for _, k := range []string{"site", "printer", "record", "inbox_seq", "judge_ms", "commit_ms", "queue_ms", "outcome"} {
			if m[k] == nil {
				t.Errorf("the log's line of a verdict has no %s: %s", k, line)
			}
		}
		if ms, _ := m["judge_ms"].(float64); !(ms > 0) {
			t.Errorf("judge_ms %v", m["judge_ms"])
		}
	}
	if !found {
		t.Error("the log has no line of the reading")
	}

	// Nothing that is shown holds a secret: neither the bus's token nor an address of chat.
	ep, err := bus.ReadEndpoint(b.dir)
	if err != nil && b.w.Endpoint().Address != "" {
		t.Fatal(err)
	}
	for what, text := range map[string]string{"/readyz": body, "/metrics": figures, "log": log.text()} {
		if strings.Contains(text, "secret-of-the-shop") || (ep.Token != "" && strings.Contains(text, ep.Token)) {
			t.Errorf("%s shows a secret", what)
		}
	}
	for _, path := range []string{"/", "/debug/pprof/", "/healthz/x"} {
		if status, _ := b.get(path); status != 404 {
			t.Errorf("%s: %d, want 404", path, status)
		}
	}
	resp, err := http.Post("http://"+b.w.HealthAddress()+"/readyz", "text/plain", strings.NewReader("x"))
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != 405 {
		t.Errorf("POST: %d, want 405", resp.StatusCode)
	}
}

// TestNotReady takes the judge's consumer and the bus away from a worker: it stays live, is not
// ready, and says why.
func TestNotReady(t *testing.T) {
	b := watched(t, &lines{})
	ctx := t.Context()
	b.send(b.reading(monday))
	in, err := b.w.JetStream().Stream(ctx, protocol.StreamInbox)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := in.PauseConsumer(ctx, bus.Durable, time.Now().Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	data, err := json.Marshal(b.reading(monday.Add(time.Hour)))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.w.JetStream().Publish(ctx, protocol.ReadingSubject("quay", "heron"), data); err != nil {
		t.Fatal(err)
	}
	rep := fresh(t, b.w, func(r *health.Report) bool { return r.Waiting == 1 })
	if rep.OldestWaiting.IsZero() || !rep.Live || !rep.Ready {
		t.Errorf("one reading has just begun to wait: %+v", rep)
	}

	if err := b.w.JetStream().DeleteStream(ctx, "KV_"+protocol.BucketActive); err != nil {
		t.Fatal(err)
	}
	rep = fresh(t, b.w, func(r *health.Report) bool { return !r.Ready })
	if status, body := b.get("/readyz"); status != 503 || !strings.Contains(body, "KV_"+protocol.BucketActive) {
		t.Errorf("/readyz without a store: %d\n%s", status, body)
	}
	if status, _ := b.get("/healthz"); status != 200 || !rep.Live {
		t.Errorf("/healthz without a store: %d; a restart does not bring it back", status)
	}
}

// fresh asks for reports until one is as wanted; the reports themselves are the signal.
func fresh(t *testing.T, w *worker.Worker, ok func(*health.Report) bool) *health.Report {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	for {
		r := w.Report(ctx)
		if ok(r) {
			return r
		}
		if ctx.Err() != nil {
			t.Fatalf("the report stays %+v", r)
		}
	}
}

// TestServiceOnTheBus asks as any NATS program would.
func TestServiceOnTheBus(t *testing.T) {
	b := watched(t, &lines{})
	b.send(b.reading(monday))
	nc := b.w.Conn()
	ask := func(subject string, into any) {
		t.Helper()
		m, err := nc.Request(subject, nil, time.Minute)
		if err != nil {
			t.Fatalf("%s: %v", subject, err)
		}
		if err := json.Unmarshal(m.Data, into); err != nil {
			t.Fatalf("%s: %v\n%s", subject, err, m.Data)
		}
	}
	var ping micro.Ping
	ask("$SRV.PING", &ping)
	if ping.Name != health.ServiceName || ping.Version != "1.2.3" || ping.Metadata["worker"] != "keeper-1" {
		t.Errorf("ping %+v", ping)
	}
	var info micro.Info
	ask("$SRV.INFO."+health.ServiceName, &info)
	if len(info.Endpoints) != 1 || info.Endpoints[0].Subject != protocol.SubjectStatus {
		t.Errorf("info %+v", info)
	}
	var stats micro.Stats
	ask("$SRV.STATS."+health.ServiceName, &stats)
	if len(stats.Endpoints) != 1 || !regexp.MustCompile(`"judging":"here"`).Match(stats.Endpoints[0].Data) {
		t.Errorf("stats %s", stats.Endpoints[0].Data)
	}
	var rep health.Report
	ask(protocol.SubjectStatus, &rep)
	if !rep.Ready || rep.Name != "keeper-1" {
		t.Errorf("status %+v", rep)
	}
}

// TestClockSetBack: a machine that starts with its clock years behind must not refuse readings for
// being ahead of it; what is ahead of a clock that is right stays refused.
func TestClockSetBack(t *testing.T) {
	b := setup(t)
	if rec := b.send(b.reading(monday)); rec.Kind != protocol.KindVerdict {
		t.Fatal(rec.Text)
	}
	ahead := b.reading(monday.Add(48 * time.Hour))
	if rec := b.send(ahead); rec.Refusal == nil || rec.Refusal.Code != protocol.CodeFuture {
		t.Fatalf("two days ahead of a clock that is right: %s", rec.Text)
	}
	b.stop()
	b.clock.now = time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC)
	b.start()
	rep := fresh(t, b.w, func(*health.Report) bool { return true })
	if i := slices.IndexFunc(rep.Checks, func(c health.Check) bool { return c.Name == "clock" }); i < 0 || rep.Checks[i].OK {
		t.Errorf("the report does not tell of the clock: %+v", rep.Checks)
	}
	if !rep.Ready {
		t.Error("a worker whose clock is behind judges all the same")
	}
	rec := b.send(b.reading(monday.Add(time.Hour)))
	if rec.Kind != protocol.KindVerdict || rec.Verdict.Late {
		t.Errorf("a reading in the order of its own times: %s", rec.Text)
	}
	if rec := b.send(b.reading(monday.Add(2 * time.Hour))); rec.Kind != protocol.KindVerdict {
		t.Errorf("the second reading: %s", rec.Text)
	}
	// It was the newest record's clock that was wrong: a reading whose own time agrees with the
	// clock of now settles it, and what is ahead is refused again.
	b.stop()
	b.clock.now = monday.Add(-30 * 24 * time.Hour)
	b.start()
	late := b.reading(b.clock.now)
	if rec := b.send(late); rec.Kind != protocol.KindVerdict || !rec.Verdict.Late {
		t.Fatalf("a reading of now: %s", rec.Text)
	}
	if rec := b.send(b.reading(monday.Add(3 * time.Hour))); rec.Refusal == nil || rec.Refusal.Code != protocol.CodeFuture {
		t.Errorf("a month ahead of a clock that two agree on: %s", rec.Text)
	}
}
