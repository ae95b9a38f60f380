package drift_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
)

// spoiler makes a baseline worse than it should be: what goes wrong on its day d, and what with the reading.
type spoiler struct {
	fault func(p *physics, d int) trouble
	read  func(p *physics, d int, s *drift.Sample)
}

// scatter adds to every patch an error of its own.
func scatter(p *physics, s *drift.Sample, sd float64) {
	for i, c := range s.Lab {
		s.Lab[i] = colour.Lab{L: c.L + sd*p.rng.NormFloat64(), A: c.A + sd*p.rng.NormFloat64(), B: c.B + sd*p.rng.NormFloat64()}
	}
}

func (sp spoiler) learn(t *testing.T, seed uint64, days int) *physics {
	t.Helper()
	p := newPhysics(t, seed, false, 0)
	var base []drift.Sample
	for d := range days {
		f := trouble{}
		if sp.fault != nil {
			f = sp.fault(p, d)
		}
		s := p.read(d, f)
		if sp.read != nil {
			sp.read(p, d, &s)
		}
		base = append(base, s)
	}
	p.learn(t, base)
	return p
}

func test(r *drift.Result, name string) (out drift.Test) {
	if k := slices.IndexFunc(r.Tests, func(t drift.Test) bool { return t.Name == name }); k >= 0 {
		out = r.Tests[k]
	}
	return out
}

// TestSpreadsAreRobust: patches that are never the same, a day whose patches scatter and a day on other
// goods: none of them widens what is taken for ordinary of the rest.
func TestSpreadsAreRobust(t *testing.T) {
	t.Parallel()
	for _, days := range []int{5, 10} {
		for seed := range uint64(2) {
			usual := spoiler{}.learn(t, 20+seed, days)
			noise := func(p *physics) float64 { return math.Sqrt(p.base.Noise[0]) / math.Sqrt(usual.base.Noise[0]) }

			p := spoiler{read: func(p *physics, _ int, s *drift.Sample) {
				for i := range 8 {
					s.Lab[20*i].L += 4 * p.rng.NormFloat64()
				}
			}}.learn(t, 20+seed, days)
			if k := noise(p); k > 1.5 {
				t.Errorf("%d days: 8 of 164 patches that are never the same make the noise of all %.2f times as large", days, k)
			}

			p = spoiler{read: func(p *physics, d int, s *drift.Sample) {
				if d == 3 {
					scatter(p, s, 1)
				}
			}}.learn(t, 20+seed, days)
			if k := noise(p); k > 1.15 || p.base.MisfitSD > 1.5*usual.base.MisfitSD {
				t.Errorf("%d days: one that scatters makes the noise %.2f times as large, and its spread %.2f (without it %.2f)", days, k, p.base.MisfitSD, usual.base.MisfitSD)
			}
			if !slices.ContainsFunc(p.base.Warnings, func(w drift.Warning) bool {
				return w.Code == "odd_reading" && strings.Contains(w.Text, "reading 4 (2026-01-04) scatter")
			}) {
				t.Errorf("%d days: the day that scatters is not named: %+v", days, p.base.Warnings)
			}
			if days == 10 { // five say too little of how patches scatter, scattered day or not
				again := p.read(30, trouble{})
				scatter(p, &again, 0.6)
				if r := p.judge(t, again); !test(&r, "misfit").Significant {
					t.Errorf("after one that scattered another is not seen: %+v", test(&r, "misfit"))
				}
			}

			p = spoiler{fault: func(_ *physics, d int) trouble {
				if d == 3 {
					return trouble{paper: [3]float64{-0.06, 0, 0}}
				}
				return trouble{}
			}}.learn(t, 20+seed, days)
			yellow := trouble{paper: [3]float64{-0.045, 0, 0}}
			before, after := usual.judge(t, usual.read(30, yellow)), p.judge(t, p.read(30, yellow))
			if x, y := test(&before, "white").Statistic, test(&after, "white").Statistic; y < 0.7*x {
				t.Errorf("%d days: a white %.2f times its limit is %.2f times after a day on other goods", days, x, y)
			}
		}
	}
}

// TestOneUnsteadyInk: an ink that varies six times as much as the others does not make those deaf.
func TestOneUnsteadyInk(t *testing.T) {
	t.Parallel()
	var limits, usual [4]float64
	const seeds = 4
	for seed := range uint64(seeds) {
		p := spoiler{fault: func(p *physics, _ int) trouble {
			return trouble{strength: map[string]float64{"C": 3 * p.rng.NormFloat64()}}
		}}.learn(t, 30+seed, 10)
		q := spoiler{}.learn(t, 30+seed, 10)
		r, s := p.judge(t, p.read(30, trouble{})), q.judge(t, q.read(30, trouble{}))
		for c := range limits {
			limits[c] += r.Channels[c].StrengthLimit / seeds
			usual[c] += s.Channels[c].StrengthLimit / seeds
		}
	}
	for c, name := range []string{"C", "M", "Y", "K"} {
		if wide := limits[c] / usual[c]; name != "C" && wide > 2.1 || name == "C" && wide < 3 {
			t.Errorf("with an unsteady C the limit of %s is %.1f %%, without %.1f %%", name, limits[c], usual[c])
		}
	}
}
