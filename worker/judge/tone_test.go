package judge

import (
	"encoding/json"
	"math"
	"testing"

	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
	"swathkeeper/protocol"
)

// TestToneInAVerdict: the verdict holds the bend of a tone curve with a limit of its own, both of the kind
// that the shop's tolerance is for; what strength leaves over is told beside it.
func TestToneInAVerdict(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	m := w.baseline(12, false)
	tolerance := drift.DefaultTolerances().TonePoints
	for _, points := range []float64{0, 7, -7} {
		v, _ := w.judge(m, State{}, w.read(madeup.Faults{Ink: map[string]madeup.InkFault{"C": {TonePoints: points}}}, nil))
		ch := v.Colour.Channels[0]
		if math.Abs(ch.BentPoints-points) > 0.2*math.Abs(points)+0.5 || ch.BentSE <= 0 || ch.BentSE > 0.5 {
			t.Errorf("%s bent by %+g points at 50 %%: reads %+.2f, give or take %.2f", ch.Channel, points, ch.BentPoints, ch.BentSE)
		}
		// A limit far below the tolerance would be of something else than the tolerance is.
		if ch.BentLimit < tolerance/4 || ch.BentLimit > 2*tolerance {
			t.Errorf("bent by %+g points: the limit is %.2f, the tolerance %g", points, ch.BentLimit, tolerance)
		}
		if beyond := math.Abs(ch.BentPoints) > max(tolerance, ch.BentLimit); beyond != (points != 0) || beyond != (v.Outcome == protocol.LevelAct || v.Outcome == protocol.LevelStop) {
			t.Errorf("bent by %+g points: reads %+.2f against %.2f and %g, outcome %q", points, ch.BentPoints, ch.BentLimit, tolerance, v.Outcome)
		}
	}
}

// TestHardlyPrintsInAVerdict: an ink that is all but out is marked in the verdict as it travels, without a
// tone or a hue; others are not marked.
func TestHardlyPrintsInAVerdict(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	m := w.baseline(5, false)
	for _, strength := range []float64{-95, -20} {
		v, _ := w.judge(m, State{}, w.read(madeup.Faults{Ink: map[string]madeup.InkFault{"M": {StrengthPercent: strength}}}, nil))
		data, err := protocol.Encode(v)
		if err != nil {
			t.Fatal(err)
		}
		var got struct {
			Colour struct{ Channels []map[string]any }
		}
		if err := json.Unmarshal(data, &got); err != nil {
			t.Fatal(err)
		}
		for _, ch := range got.Colour.Channels {
			mark, ok := ch["hardly_prints"]
			if want := ch["channel"] == "M" && strength < -70; ok != want || want && mark != true {
				t.Errorf("magenta %g %%: %v", strength, ch)
			} else if _, told := ch["tone_bent_points"]; want && told {
				t.Errorf("magenta %g %%: its tone is told: %v", strength, ch)
			}
		}
	}
}
