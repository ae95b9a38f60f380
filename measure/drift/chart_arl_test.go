package drift

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// known is the law of a printer whose spread (1) and mean (0) are known and whose days are independent:
// what tables of run lengths take for granted.
func known() *predictive {
	return &predictive{columns: 1, cases: []predictiveCase{{weight: 1, variance: []float64{1}, df: []float64{1e7}}}}
}

// TestWeightedMeanOfTheJudge replays the judge's own weighted mean against its own limit on made-up days
// and compares how long it runs with the tables: lambda 0.4, width 3.054 (Lucas and Saccucci,
// Technometrics 32, 1990, from memory, testdata/reference/ewma-arl.csv) and EWMARunLength. The rules
// beyond the tables (the cut of wild days, the reading that must stand by it) only ever make it later
// and are left out.
func TestWeightedMeanOfTheJudge(t *testing.T) {
	const lambda, width = 0.4, 3.054
	tail := 2 * distuv.UnitNormal.Survival(width)
	l := newLimit(known(), 0, tail/shareSlow, lambda, 0)
	if got := l.slow.limit / math.Sqrt(lambda/(2-lambda)); math.Abs(got-width) > 2e-3 {
		t.Fatalf("the limit is %.4f asymptotic standard deviations, want %.3f", got, width)
	}
	l.one = math.Inf(1)
	m := &Model{b: &Baseline{Options: Options{Lambda: lambda}}, limits: []limit{l}}
	rng := rand.New(rand.NewPCG(19, 90))
	for _, c := range []struct {
		shift, table float64
		runs         int
	}{{0, 500, 4000}, {0.5, 71.2, 6000}, {1, 14.3, 10000}, {2, 3.5, 10000}} {
		var sum, sq float64
		for range c.runs {
			z, n := 0.0, 0.0
			for math.Abs(z) <= l.slow.limit {
				z = m.weighted(0, z, c.shift+rng.NormFloat64())
				n++
			}
			sum, sq = sum+n, sq+n*n
		}
		k := float64(c.runs)
		mean := sum / k
		se := math.Sqrt((sq/k - mean*mean) / k)
		want := EWMARunLength(lambda, width, c.shift)
		if math.Abs(mean-want) > 4*se || math.Abs(mean-c.table) > 4*se+0.06 {
			t.Errorf("shift %g: %.2f readings until the judge's weighted mean speaks (standard error %.2f), EWMARunLength says %.2f, the table %g", c.shift, mean, se, want, c.table)
		}
	}
}

// TestLimitsOfTheJudge: the limits that the judge takes from Student's and Fisher's laws are the
// published ones. T2 and p of Johnson and Wichern, Example 5.2 (testdata/reference/multivariate.json);
// Student's t for 4 and 9 degrees of freedom and F for 3 and 17 from any table (from memory).
func TestLimitsOfTheJudge(t *testing.T) {
	for _, c := range []struct{ df, alpha, t float64 }{{9, 0.05, 2.262}, {9, 0.01, 3.250}, {4, 0.05, 2.776}, {4, 0.01, 4.604}} {
		n := c.df + 1
		// The mean of n readings and their own spread, nothing else known: t times s times the root
		// of 1 + 1/n.
		p := &predictive{columns: 1, cases: []predictiveCase{{weight: 1, mean: 1 / n, variance: []float64{4}, df: []float64{c.df}}}}
		if got := p.limit(0, []float64{1}, c.alpha) / (2 * math.Sqrt(1+1/n)); math.Abs(got-c.t) > 6e-4 {
			t.Errorf("%g degrees of freedom, %g: %.4f standard errors, the table has %.3f", c.df, c.alpha, got, c.t)
		}
		if got := p.tail(0, []float64{1}, c.t*2*math.Sqrt(1+1/n)); math.Abs(got-c.alpha) > 1e-4 {
			t.Errorf("%g degrees of freedom: the tail beyond %.3f is %.5f, want %g", c.df, c.t, got, c.alpha)
		}
	}
	var d struct {
		Example struct {
			N        int       `json:"n"`
			Mu0      []float64 `json:"mu0"`
			T2       float64   `json:"T2"`
			Critical float64   `json:"critical_computed"`
			P        float64   `json:"p_value"`
		} `json:"hotelling_one_sample"`
	}
	document(t, "multivariate.json", &d)
	p, n := float64(len(d.Example.Mu0)), float64(d.Example.N)
	over := p * (n - 1) / (n - p)
	if got := fQuantile(0.9, p, n-p); math.Abs(got-2.44) > 0.005 || math.Abs(over*got-d.Example.Critical) > 1e-4 {
		t.Errorf("F(0.90; %g, %g) is %.4f and the limit %.4f, the book has 2.44 and 8.18", p, n-p, got, over*got)
	}
	if got := fTail(d.Example.T2/over, p, n-p); math.Abs(got-d.Example.P) > 1e-4 {
		t.Errorf("p of T2 = %.2f is %.5f, the book has %.5f", d.Example.T2, got, d.Example.P)
	}
}
