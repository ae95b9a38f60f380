package worker_test

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"swathkeeper/protocol"
	"swathkeeper/worker"
)

// The paper that was read before it was pressed is known when the goods are judged: a cyan that is weak on
// the goods alone is said to be right on the paper, and one that is weak on both is not.
func TestPaperIsKnownWhereGoodsAreJudged(t *testing.T) {
	b := setupWith(t, func(o *worker.Options) { o.Clock = &fixedClock{now: monday.Add(15 * 24 * time.Hour)} })
	rng := rand.New(rand.NewPCG(5, 1))
	at := monday
	read := func(stage, number string, cyan float64) *protocol.Verdict {
		t.Helper()
		at = at.Add(time.Hour)
		r := b.reading(at)
		r.Condition.Stage, r.Print = stage, &protocol.Print{Number: number}
		for i, p := range b.chart.Patches {
			c := &r.Patches.Lab[i]
			lost := (1 - cyan) * p.Device[0] / 100
			c[0] += 40*lost + 0.05*rng.NormFloat64()
			c[1] += 50*lost + 0.05*rng.NormFloat64()
			c[2] += 50*lost + 0.05*rng.NormFloat64()
		}
		rec := b.send(r)
		if rec.Verdict == nil {
			t.Fatalf("no verdict: %s", rec.Text)
		}
		return rec.Verdict
	}
	const paper, goods = protocol.StageTransfer, protocol.StagePressed
	b.note(protocol.BaselineLearn, "", "")
	for i := range 10 {
		at = at.Add(22 * time.Hour)
		usual := 1 + 0.004*float64(i%3-1)
		read(paper, "", usual)
		read(goods, "", usual)
	}
	for _, v := range []*protocol.Verdict{read(paper, "", 1), read(goods, "", 1)} {
		b.note(protocol.BaselineAccept, v.Series, "")
	}
	why := func(v *protocol.Verdict) string {
		t.Helper()
		if len(v.Findings) == 0 || v.Findings[0].Advice != protocol.AdviceInk || v.Findings[0].Channel != "C" {
			t.Fatalf("cyan a tenth weak: %s %+v %v", v.Outcome, v.Findings, v.Warnings)
		}
		return v.Findings[0].Why
	}
	if v := read(paper, "1", 1); v.Outcome != protocol.Steady {
		t.Fatalf("%+v", v.Findings)
	}
	if s := why(read(goods, "1", 0.9)); !strings.Contains(s, "but the transfer paper of the same print is as usual") {
		t.Errorf("weak on the goods alone: %s", s)
	}
	if s := why(read(paper, "2", 0.9)); !strings.Contains(s, "weak") {
		t.Errorf("the paper: %s", s)
	}
	if s := why(read(goods, "2", 0.9)); strings.Contains(s, "paper") {
		t.Errorf("weak on both: %s", s)
	}
	b.stop()
	b.start() // what the paper showed stands in the records
	if s := why(read(goods, "2", 0.9)); strings.Contains(s, "paper") {
		t.Errorf("weak on both, after a restart: %s", s)
	}
}
