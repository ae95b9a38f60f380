package judge

import (
	"strings"
	"testing"

	"swathkeeper/measure/cause"
	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
	"swathkeeper/protocol"
)

// What the transfer paper of the same print showed weighs on the cause: a cold press leaves the paper as it
// was, and a weak ink is weak on both.
func TestOtherStageWeighs(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	m := w.baseline(10, false)
	weak := w.read(madeup.Faults{Ink: map[string]madeup.InkFault{"C": {StrengthPercent: -6}}}, nil)
	cold := w.read(madeup.Faults{Press: madeup.Press{Celsius: -6}}, nil)
	right := &cause.OtherStage{Stage: cause.StageTransfer, SamePrint: true}
	paper := &cause.OtherStage{Stage: cause.StageTransfer, SamePrint: true, Significant: true, Strength: []drift.Channel{{Channel: "C", StrengthPercent: -4}, {Channel: "M"}, {Channel: "Y"}, {Channel: "K"}}}
	first := func(r *protocol.Reading, o *cause.OtherStage) protocol.Finding {
		t.Helper()
		v, _, err := Judge(Input{Reading: r, Chart: w.chart, Model: m, Other: o}, Options{})
		if err != nil || len(v.Findings) == 0 {
			t.Fatalf("%v %+v", err, v)
		}
		return v.Findings[0]
	}
	alone := first(weak, nil)
	if f := first(weak, paper); f.Advice != protocol.AdviceInk || f.Channel != "C" || f.Likelihood <= alone.Likelihood {
		t.Errorf("weak on both: %+v; on the goods alone %.2f", f, alone.Likelihood)
	}
	if f := first(weak, right); f.Rival != protocol.AdvicePress || f.Likelihood >= alone.Likelihood || !strings.Contains(f.Why, "but the transfer paper of the same print is as usual") {
		t.Errorf("weak on the goods, the paper right: %+v", f)
	}
	alone = first(cold, nil)
	if f := first(cold, right); f.Advice != protocol.AdvicePress || f.Likelihood < alone.Likelihood || strings.Contains(f.Why, "paper") {
		t.Errorf("a cold press, the paper right: %+v; alone %.2f", f, alone.Likelihood)
	}
	if f := first(cold, paper); f.Rival == "" || f.Likelihood >= alone.Likelihood || !strings.Contains(f.Why, "off as well") {
		t.Errorf("a cold press, but the paper off: %+v", f)
	}
	if f := first(weak, &cause.OtherStage{Stage: cause.StagePressed}); f.Likelihood != first(weak, nil).Likelihood {
		t.Errorf("the same stage tells nothing: %+v", f)
	}
}
