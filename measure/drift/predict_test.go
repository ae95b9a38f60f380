package drift

import (
	"math"
	"math/rand/v2"
	"testing"
)

// oneCase is a predictive law without doubt about spread's likeness and days.
func oneCase(rho, mean, variance, df float64) *predictive {
	return &predictive{rho: rho, mean: mean, cases: []predictiveCase{{weight: 1, rho: rho, mean: mean, variance: []float64{variance}, df: []float64{df}}}}
}

// TestPredictiveClosedForms checks the law where the answer is in the books.
func TestPredictiveClosedForms(t *testing.T) {
	t.Parallel()
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-3*math.Max(1, math.Abs(want)) {
			t.Errorf("%s: %.5f, want %.5f", what, got, want)
		}
	}
	// A new reading against the mean of ten: t(9) sd sqrt(1 + 1/10); t(9) at 0.005 each side is
	// 3.2498 (any table of Student's t).
	p := oneCase(0, 0.1, 4, 9)
	near("one reading", p.limit(0, []float64{1}, 0.01), 3.2498*2*math.Sqrt(1.1))
	near("mean of three", p.limit(0, p.jump(3, 0), 0.01), 3.2498*2*math.Sqrt(1.0/3+0.1))
	near("tail at the limit", p.tail(0, []float64{1}, p.limit(0, []float64{1}, 1e-4)), 1e-4)
	// Variance of a mean of three correlated days: (3 + 4 r1 + 2 r2)/9, and of a weighted mean of
	// independent days lambda/(2 - lambda).
	k := predictiveCase{rho: 0.5}
	near("correlated days", k.factor([]float64{1.0 / 3, 1.0 / 3, 1.0 / 3}), (3+4*dayShare*0.5+2*dayShare*0.25)/9)
	near("weighted mean", (&predictiveCase{}).factor(ewmaWeights(0.4)), 0.4/1.6)
	// Generalised least squares are better than the mean of the days alone, or the same.
	for _, rho := range []float64{0, 0.3, 0.6} {
		p := oneCase(rho, 0.15, 1, 30)
		if a, b := p.scale(0, p.jump(3, 4)), p.scale(0, p.jump(3, 0)); a > b+1e-12 {
			t.Errorf("correlation %g: a step against the days before has error %.3f, by itself %.3f", rho, a, b)
		}
	}
	// Without correlation the whitened squares are the ordinary ones.
	w := newWhitener(4, 0, dayShare)
	near("squares", w.squares([][]float64{{1}, {2}, {4}, {5}}, 0), 10)
}

// TestPredictiveCovers: the limits are exceeded about as seldom as they say, on the average over
// printers that wander and that do not. Ten days cannot tell the two apart well: those that wander
// most exceed them twice as often (4.2 % for 2 % in 1500 printers), those that do not less (1.3 %).
// Simulated.
func TestPredictiveCovers(t *testing.T) {
	t.Parallel()
	const alpha, channels, days, printers = 0.02, 4, 10, 300
	var all float64
	for _, rho := range []float64{0, 0.4, 0.7} {
		r := rand.New(rand.NewPCG(5, uint64(100*rho)))
		beyond, n := 0, 0
		for range printers {
			series := make([][]float64, channels)
			for c := range series {
				x := r.NormFloat64()
				for range days + mostDays {
					x = rho*x + math.Sqrt(1-rho*rho)*r.NormFloat64()
					series[c] = append(series[c], math.Sqrt(dayShare)*x+math.Sqrt(1-dayShare)*r.NormFloat64())
				}
			}
			values := matrix(days, channels)
			mean := make([]float64, channels)
			for d := range days {
				for c := range channels {
					values[d][c] = series[c][d]
					mean[c] += series[c][d] / days
				}
			}
			p := predict(values, make([]string, days), belief{sd: 1, df: 4, least: make([]float64, channels)})
			for c := range channels {
				w := p.jump(mostDays, 0)
				var sum float64
				for i, a := range w {
					sum += a * (series[c][days+mostDays-1-i] - mean[c])
				}
				n++
				if math.Abs(sum) > p.limit(c, w, alpha) {
					beyond++
				}
			}
		}
		rate := float64(beyond) / float64(n)
		t.Logf("correlation %g: %.2f %% beyond limits of %.0f %%", rho, 100*rate, 100*alpha)
		if all += rate / 3; rate > 3*alpha {
			t.Errorf("correlation %g: %.2f %% beyond limits of %.0f %%", rho, 100*rate, 100*alpha)
		}
	}
	if all > 1.75*alpha || all < alpha/2 {
		t.Errorf("%.2f %% beyond limits of %.0f %%", 100*all, 100*alpha)
	}
}

// TestUnlikeChannel: a channel that varies three times as much as the others gets wider limits.
func TestUnlikeChannel(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(6, 6))
	values := matrix(10, 4)
	for d := range values {
		for c := range values[d] {
			values[d][c] = r.NormFloat64()
		}
		values[d][2] *= 3
	}
	p := predict(values, make([]string, 10), belief{sd: 1, df: 4, least: make([]float64, 4)})
	odd, _ := p.sd(2)
	like, _ := p.sd(0)
	if odd < 1.2*like {
		t.Errorf("sd %.2f of the unlike channel, %.2f of another", odd, like)
	}
}
