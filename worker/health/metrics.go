package health

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"swathkeeper/protocol"
)

// Metrics counts what a worker does. Labels hold outcomes, codes and names of targets, never a site
// or a printer: a bus of a thousand printers has as many series as one of three.
//
// A nil Metrics counts nothing.
type Metrics struct {
	registry  *prometheus.Registry
	inputs    *prometheus.CounterVec
	verdicts  *prometheus.CounterVec
	refusals  *prometheus.CounterVec
	changes   *prometheus.CounterVec
	conflicts prometheus.Counter
	faults    prometheus.Counter
	judge     prometheus.Histogram
	commit    prometheus.Histogram
	road      prometheus.Histogram
	last      prometheus.Gauge
}

// NewMetrics makes the metrics of a worker; version is shown by swathkeeper_build_info.
func NewMetrics(version string) *Metrics {
	m := &Metrics{
		registry:  prometheus.NewRegistry(),
		inputs:    counters("inputs_total", "inputs that have got their record, by the record's kind", "kind"),
		verdicts:  counters("verdicts_total", "verdicts by outcome", "outcome"),
		refusals:  counters("refusals_total", "refused inputs by code", "code"),
		changes:   counters("alert_changes_total", "changes of alerts", "change", "level"),
		conflicts: prometheus.NewCounter(prometheus.CounterOpts{Name: "swathkeeper_commit_conflicts_total", Help: "records not stored because another came first; decided again"}),
		faults:    prometheus.NewCounter(prometheus.CounterOpts{Name: "swathkeeper_faults_total", Help: "attempts at an input that failed and were made again: bus away, store full"}),
		judge:     histogram("judge_seconds", "time from taking an input to its decision, without the bus"),
		commit:    histogram("commit_seconds", "time to store a record"),
		road:      histogram("queue_seconds", "time from an input's arrival in the inbox to its stored record"),
		last:      prometheus.NewGauge(prometheus.GaugeOpts{Name: "swathkeeper_last_record_timestamp_seconds", Help: "when this worker last stored a record"}),
	}
	build := prometheus.NewGauge(prometheus.GaugeOpts{Name: "swathkeeper_build_info", Help: "always 1", ConstLabels: prometheus.Labels{"version": version}})
	build.Set(1)
	m.registry.MustRegister(m.inputs, m.verdicts, m.refusals, m.changes, m.conflicts, m.faults, m.judge, m.commit, m.road, m.last, build,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	// What has not happened yet is 0 and not absent, so that rates and alerts work from the start.
	for _, k := range []string{protocol.KindVerdict, protocol.KindAlert, protocol.KindRefusal, protocol.KindJournal, protocol.KindBaseline} {
		m.inputs.WithLabelValues(k)
	}
	for _, o := range []string{protocol.Steady, protocol.LevelNote, protocol.LevelAct, protocol.LevelStop, protocol.Learning, protocol.Unusable} {
		m.verdicts.WithLabelValues(o)
	}
	for _, c := range []string{protocol.ChangeRaised, protocol.ChangeWorse, protocol.ChangeBetter, protocol.ChangeReminder, protocol.ChangeCleared, protocol.ChangeHeld, protocol.ChangeClosed, protocol.ChangeAbsorbed} {
		for _, l := range []string{protocol.LevelAct, protocol.LevelStop} {
			m.changes.WithLabelValues(c, l)
		}
	}
	for code := range protocol.Codes() {
		m.refusals.WithLabelValues(code)
	}
	return m
}

func counters(name, help string, labels ...string) *prometheus.CounterVec {
	return prometheus.NewCounterVec(prometheus.CounterOpts{Name: "swathkeeper_" + name, Help: help}, labels)
}

func histogram(name, help string) prometheus.Histogram {
	return prometheus.NewHistogram(prometheus.HistogramOpts{
		Name: "swathkeeper_" + name, Help: help,
		Buckets: []float64{.0005, .001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 10, 60, 600},
	})
}

// Took is how long the parts of one input's road took; zero parts are unknown.
type Took struct {
	Judge, Commit, Road time.Duration
}

// Record counts a stored record.
func (m *Metrics) Record(r *protocol.Record, took Took, now time.Time) {
	if m == nil {
		return
	}
	if r.InboxSeq > 0 {
		m.inputs.WithLabelValues(r.Kind).Inc()
		m.judge.Observe(took.Judge.Seconds())
		m.road.Observe(max(0, took.Road.Seconds()))
	}
	m.commit.Observe(took.Commit.Seconds())
	if r.Verdict != nil {
		m.verdicts.WithLabelValues(r.Verdict.Outcome).Inc()
	}
	if r.Refusal != nil {
		m.refusals.WithLabelValues(r.Refusal.Code).Inc()
	}
	for _, c := range r.Changes {
		m.changes.WithLabelValues(c.Change, c.Level).Inc()
	}
	m.last.Set(float64(now.UnixMilli()) / 1000)
}

// Conflict counts a record that was not stored because another came first.
func (m *Metrics) Conflict() {
	if m != nil {
		m.conflicts.Inc()
	}
}

// Fault counts an attempt that is made again.
func (m *Metrics) Fault() {
	if m != nil {
		m.faults.Inc()
	}
}

// follow adds what a report tells, made anew for each collection.
func (m *Metrics) follow(report func(context.Context) *Report) {
	m.registry.MustRegister(&reportCollector{report: report})
}

// reportCollector turns a report into figures.
type reportCollector struct {
	report func(context.Context) *Report
}

func describe(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("swathkeeper_"+name, help, labels, nil)
}

var (
	descReady       = describe("ready", "1: bus, store and judging work")
	descLive        = describe("live", "0: only a restart can help")
	descCheck       = describe("check_ok", "1: this check found nothing wrong", "check")
	descPlace       = describe("judging", "where the inbox is judged; 1 for the one that is so", "place")
	descWaiting     = describe("waiting_inputs", "inputs in the inbox without a record")
	descOldest      = describe("oldest_waiting_seconds", "age of the oldest input without a record")
	descBytes       = describe("store_bytes", "bytes in a stream or store", "store")
	descLimit       = describe("store_limit_bytes", "bytes that a stream or store may hold", "store")
	descMessages    = describe("store_messages", "messages in a stream or store", "store")
	descDisk        = describe("disk_free_bytes", "bytes free where the embedded store lies")
	descSent        = describe("chat_messages_total", "messages to chat since the start", "target", "result")
	descChatWaiting = describe("chat_failed_attempts", "failed attempts at the message that is being sent; 0: nothing is stuck", "target")
)

// Describe implements prometheus.Collector.
func (c *reportCollector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{descReady, descLive, descCheck, descPlace, descWaiting, descOldest, descBytes, descLimit, descMessages, descDisk, descSent, descChatWaiting} {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (c *reportCollector) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), probeLimit)
	defer cancel()
	r := c.report(ctx)
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	gauge(descReady, number(r.Ready))
	gauge(descLive, number(r.Live))
	for _, k := range r.Checks {
		gauge(descCheck, number(k.OK), k.Name)
	}
	for _, p := range []string{JudgedHere, JudgedElsewhere, JudgedFree} {
		gauge(descPlace, number(r.Judging == p), p)
	}
	gauge(descWaiting, float64(r.Waiting))
	gauge(descOldest, r.WaitingSeconds())
	for _, s := range r.Stores {
		gauge(descBytes, float64(s.Bytes), s.Name)
		gauge(descLimit, float64(s.Limit), s.Name)
		gauge(descMessages, float64(s.Messages), s.Name)
	}
	if r.DiskFree > 0 {
		gauge(descDisk, float64(r.DiskFree))
	}
	for _, t := range r.Chat {
		for result, n := range map[string]uint64{"sent": t.Sent, "given_up": t.GivenUp} {
			ch <- prometheus.MustNewConstMetric(descSent, prometheus.CounterValue, float64(n), t.Target, result)
		}
		gauge(descChatWaiting, float64(t.Waiting), t.Target)
	}
}

func number(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
