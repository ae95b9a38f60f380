package settings

import (
	"math"
	"testing"

	"swathkeeper/measure/madeup"
)

// TestForetellings: a search whose foretellings failed by three standard errors says so of the next
// by a wider one; one whose all came true narrows it; what failed by a hundred counts no more than
// by three.
func TestForetellings(t *testing.T) {
	r := newRig(t, 5, madeup.PanelTone)
	r.task.Aim = r.print(90, r.at(0.6, 0.45)).Lab
	prints := []Print{r.print(0, r.at(0.1, 0.9, 0.2)), r.print(1, r.at(0.3, 0.6, 0.4)), r.print(2, r.at(0.5, 0.6, 0.4))}
	plain := r.advise(prints)
	with := func(z float64) *Advice {
		told := append([]Print(nil), prints...)
		for j := 1; j < len(told); j++ {
			told[j].Foretold, told[j].ForetoldSE = plain.Measured[j]-z*0.5, 0.5
		}
		return r.advise(told)
	}
	never, three, hundred := with(0), with(3), with(100)
	// Four foretellings' worth of the rule and two of the search's own: z^2 of 0, and of 9.
	if w := plain.NextSE * math.Sqrt(4.0/6); math.Abs(never.NextSE-w) > 1e-9 {
		t.Errorf("all true: %.4f, want %.4f", never.NextSE, w)
	}
	if w := plain.NextSE * math.Sqrt((4.0+18)/6); math.Abs(three.NextSE-w) > 1e-9 {
		t.Errorf("off by three: %.4f, want %.4f", three.NextSE, w)
	}
	if hundred.NextSE != three.NextSE {
		t.Errorf("off by a hundred: %.4f, by three %.4f", hundred.NextSE, three.NextSE)
	}
	if never.NextDE != plain.NextDE {
		t.Error("the foretold difference itself hangs on earlier ones")
	}
}

// TestInverse: where sliders act just as they promise and without noise, the aim is found where it
// was printed, by the likelihood alone.
func TestInverse(t *testing.T) {
	r := newRig(t, 7, madeup.PanelTone)
	r.task.Aim = r.print(90, r.at(0.5)).Lab
	task := r.task
	task.Options = task.withDefaults()
	s, err := task.scene([]Print{r.print(0, r.at(0.4, 0.6))}, 0, []float64{1})
	if err != nil {
		t.Fatal(err)
	}
	inv, err := s.newInverse()
	if err != nil {
		t.Fatal(err)
	}
	n := len(task.Sliders)
	u := make([]float64, n)
	for i := range u {
		u[i] = 0.1 * float64(1+i%3)
	}
	inv.aim = s.belief.at(s.belief.mean, u)
	start := make([]float64, n)
	got := s.likeliest(inv, [][]float64{start})
	if at, there := inv.surprise(start), inv.surprise(u); there >= at {
		t.Fatalf("the aim is no likelier where it was made, %.2f, than here, %.2f", there, at)
	}
	if inv.surprise(got) > inv.surprise(u)+1e-6 {
		t.Errorf("found %.2f at %v, less likely than %v", inv.surprise(got), got, u)
	}
	// What is not known of the settings is in the noise too.
	before, after := inv.noise.At(0, 0), inv.doubtful(got).At(0, 0)
	if after < before {
		t.Errorf("the doubt of the settings takes from the noise: %g, %g", after, before)
	}
}
