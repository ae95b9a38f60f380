package drift_test

import (
	"slices"
	"strings"
	"testing"

	"swathkeeper/measure/cause"
	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
)

// TestHousePatchStands: a house colour that is off by itself in print after print is no scratch, and reading
// it again for ever helps nobody: what the job asks for that colour is looked at. The same print read again
// is still one print.
func TestHousePatchStands(t *testing.T) {
	t.Parallel()
	s := newShop(t, 11, 10, nil)
	patch := slices.Index(s.Chart().House, "pennant red")
	var st drift.State
	for i, want := range []string{cause.Remeasure, cause.Remeasure, cause.CheckSettings, cause.CheckSettings} {
		smp := s.sample(25+i, madeup.Faults{})
		smp.Lab[patch].A -= 9
		r := s.next(smp, &st)
		e := cause.Evidence{Stage: cause.StagePressed, Driven: drift.DrivenInk, Drift: &r}
		fs := cause.Decide(e)
		if len(fs) != 1 || fs[0].Advice != want || !slices.Contains(fs[0].House, "pennant red") || want == cause.CheckSettings && !strings.Contains(fs[0].Why, "one reading after another") {
			t.Errorf("reading %d, %d agree: %s", i+1, r.Agreeing, said(fs))
		}
		e.Agreeing = 1
		if fs = cause.Decide(e); len(fs) != 1 || fs[0].Advice != cause.Remeasure {
			t.Errorf("reading %d of one print: %s", i+1, said(fs))
		}
	}
}
