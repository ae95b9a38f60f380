package drift_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"swathkeeper/measure/cause"
	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
)

// TestMissing: up to a tenth of the patches may be missing and it is said; more is refused.
func TestMissing(t *testing.T) {
	t.Parallel()
	s := newShop(t, 13, 10, nil)
	rng := rand.New(rand.NewPCG(1, 2))
	for _, share := range []float64{0.05, 0.1, 0.12} {
		smp := s.sample(26, weak("C", -12))
		smp.Missing = make([]bool, len(smp.Lab))
		for _, p := range rng.Perm(len(smp.Lab))[:int(share*float64(len(smp.Lab)))] {
			smp.Missing[p] = true
			smp.Lab[p] = colour.Lab{L: math.NaN()}
		}
		r, _, err := s.model.Judge(smp, drift.State{})
		if share > 0.1 {
			wantCode(t, err, "missing")
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		if r.Missing == 0 || r.Patterns[0].Channel != "C" {
			t.Errorf("%d missing: %+v", r.Missing, r.Patterns[0])
		}
	}
}

func wantCode(t *testing.T, err error, code string) {
	t.Helper()
	var u *drift.UnusableError
	if !errors.As(err, &u) || u.Code != code {
		t.Errorf("error %v, want code %q", err, code)
	}
}

// TestUnusable: what nothing may be concluded from is refused by name, and the state stays.
func TestUnusable(t *testing.T) {
	t.Parallel()
	s := newShop(t, 14, 10, nil)
	good := s.sample(27, madeup.Faults{})
	n := len(good.Lab)
	of := func(f func(p int) colour.Lab) drift.Sample {
		out := drift.Sample{Lab: make([]colour.Lab, n), Day: day(27)}
		for p := range n {
			out.Lab[p] = f(p)
		}
		return out
	}
	order := rand.New(rand.NewPCG(7, 7)).Perm(n)
	turned, err := s.Read(madeup.Occasion{Day: 27}, madeup.Faults{Turned: true})
	if err != nil {
		t.Fatal(err)
	}
	slipped, err := s.Read(madeup.Occasion{Day: 27}, madeup.Faults{SlipRows: 1})
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		sample drift.Sample
		code   string
		says   string
	}{
		"another order": {of(func(p int) colour.Lab { return good.Lab[order[p]] }), "order", "another order"},
		"turned":        {drift.Sample{Lab: turned.Lab}, "order", "turn"},
		"a row late":    {drift.Sample{Lab: slipped.Lab}, "order", "row"},
		"all equal":     {of(func(int) colour.Lab { return colour.Lab{L: 50} }), "equal", "same colour"},
		"scale 0..1":    {of(func(p int) colour.Lab { c := good.Lab[p]; return colour.Lab{L: c.L / 100, A: c.A / 100, B: c.B / 100} }), "scale", "0 to 1"},
		"L* alone 0..1": {of(func(p int) colour.Lab { c := good.Lab[p]; return colour.Lab{L: c.L / 100, A: c.A, B: c.B} }), "scale", "0 to 1"},
		"scale 0..255":  {of(func(p int) colour.Lab { c := good.Lab[p]; return colour.Lab{L: c.L * 2.55, A: c.A, B: c.B} }), "scale", "L*"},
		"not a number":  {of(func(p int) colour.Lab { return colour.Lab{L: math.NaN()} }), "not_finite", s.Chart().IDs[0]},
		"too short":     {drift.Sample{Lab: good.Lab[:n-1]}, "size", "patches"},
		"other pattern": {of(func(p int) colour.Lab { return colour.Lab{L: float64(20 + (p*37)%70), A: float64(p % 11)} }), "order", "chart"},
	} {
		st := drift.State{Readings: 4}
		_, next, err := s.model.Judge(c.sample, st)
		wantCode(t, err, c.code)
		if err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %q does not say %q", name, err, c.says)
		}
		if next.Readings != 4 {
			t.Errorf("%s: the state moved", name)
		}
	}
}

// TestNoFaultLooksLikeDisorder: an ink that is gone is a printer's fault, not a wrong order.
func TestNoFaultLooksLikeDisorder(t *testing.T) {
	t.Parallel()
	s := newShop(t, 15, 10, nil)
	for _, ink := range []string{"C", "M", "Y", "K"} {
		r, _, err := s.model.Judge(s.sample(28, weak(ink, -99)), drift.State{})
		if err != nil {
			t.Errorf("%s gone: %v", ink, err)
			continue
		}
		if r.Level != drift.LevelStop {
			t.Errorf("%s gone: level %q", ink, r.Level)
		}
		fs := cause.Decide(cause.Evidence{Stage: cause.StagePressed, Driven: drift.DrivenInk, Drift: &r})
		if len(fs) == 0 || fs[0].Channel != ink {
			t.Errorf("%s gone: %+v", ink, fs)
		}
	}
}

// TestLearnRefuses: what cannot be learned from, and layouts that cannot be worked with.
func TestLearnRefuses(t *testing.T) {
	t.Parallel()
	s := newShop(t, 16, 2, nil)
	one := s.sample(1, madeup.Faults{})
	chart := func(change func(c *drift.Chart)) drift.Chart {
		c := drift.Chart(*s.Chart())
		c.IDs = append([]string(nil), c.IDs...)
		c.Device = append([][]float64(nil), c.Device...)
		change(&c)
		return c
	}
	flat := make([][]float64, len(one.Lab))
	for p := range flat {
		flat[p] = []float64{0, 0, 0, 0}
	}
	bad := one
	bad.Lab = append([]colour.Lab(nil), one.Lab...)
	for i, p := range rand.New(rand.NewPCG(3, 3)).Perm(len(bad.Lab)) {
		bad.Lab[i] = one.Lab[p]
	}
	for name, c := range map[string]struct {
		chart   drift.Chart
		samples []drift.Sample
		code    string
	}{
		"duplicate id":     {chart(func(c *drift.Chart) { c.IDs[3] = c.IDs[2] }), []drift.Sample{one}, "duplicate"},
		"device too high":  {chart(func(c *drift.Chart) { c.Device[3] = []float64{0, 0, 101, 0} }), []drift.Sample{one}, "layout"},
		"device too short": {chart(func(c *drift.Chart) { c.Device[3] = []float64{0, 0} }), []drift.Sample{one}, "layout"},
		"driven":           {chart(func(c *drift.Chart) { c.Driven = "lab" }), []drift.Sample{one}, "layout"},
		"nothing printed":  {chart(func(c *drift.Chart) { c.Device = flat }), []drift.Sample{one}, "singular"},
		"no reading":       {chart(func(*drift.Chart) {}), nil, "missing"},
		"one in disorder":  {chart(func(*drift.Chart) {}), []drift.Sample{one, s.sample(2, madeup.Faults{}), s.sample(3, madeup.Faults{}), bad}, "order"},
	} {
		_, err := drift.Learn(c.chart, c.samples, drift.Options{})
		if err == nil {
			t.Errorf("%s: learned", name)
			continue
		}
		wantCode(t, err, c.code)
	}
	if _, err := drift.Learn(drift.Chart(*s.Chart()), []drift.Sample{one}, drift.Options{Lambda: 3}); err == nil || !strings.Contains(err.Error(), "lambda") {
		t.Errorf("lambda 3: %v", err)
	}
}

// TestBlind: a chart that cannot tell two channels apart, or never prints one, says so.
func TestBlind(t *testing.T) {
	t.Parallel()
	s := newShop(t, 17, 1, nil)
	full := s.Chart()
	var keep []int
	for p, d := range full.Device {
		if d[0] == 0 && d[3] == 0 {
			keep = append(keep, p)
		}
	}
	c := drift.Chart{Channels: full.Channels, Driven: full.Driven}
	for _, p := range keep {
		c.IDs = append(c.IDs, full.IDs[p])
		c.Device = append(c.Device, full.Device[p])
	}
	all := s.sample(2, madeup.Faults{})
	smp := drift.Sample{Day: day(2)}
	for _, p := range keep {
		smp.Lab = append(smp.Lab, all.Lab[p])
	}
	b, err := drift.Learn(c, []drift.Sample{smp}, drift.Options{})
	if err != nil {
		t.Fatal(err)
	}
	said := strings.Join(b.Blind, "; ")
	for _, want := range []string{"the strength of C does not show", "the strength of K does not show"} {
		if !strings.Contains(said, want) {
			t.Errorf("blind says %q, not %q", said, want)
		}
	}
	if _, err := b.Prepare(); err != nil {
		t.Error(err)
	}
}

// TestTiedChannels: on a chart that always prints two channels together nobody can tell which of the two
// is weak. It is said, and no verdict names one of them as if it were known.
func TestTiedChannels(t *testing.T) {
	t.Parallel()
	s := newShop(t, 19, 1, nil)
	full := drift.Chart(*s.Chart())
	var base []drift.Sample
	for d := range 10 {
		base = append(base, s.sample(d, madeup.Faults{}))
	}
	c, of := pick(full, append(base, s.sample(20, weak("C", -15)), s.sample(21, weak("C", -15)), s.sample(22, weak("C", -15))), func(d []float64) bool { return d[0] == d[1] })
	b, err := drift.Learn(c, of[:10], drift.Options{})
	if err != nil {
		t.Fatal(err)
	}
	said := strings.Join(b.Blind, "; ")
	if !strings.Contains(said, "strength of C") && !strings.Contains(said, "strength of M") {
		t.Errorf("blind says %q", said)
	}
	m, err := b.Prepare()
	if err != nil {
		t.Fatal(err)
	}
	var r drift.Result
	var st drift.State
	for _, smp := range of[10:] {
		if r, st, err = m.Judge(smp, st); err != nil {
			t.Fatal(err)
		}
		for _, f := range cause.Decide(cause.Evidence{Stage: cause.StagePressed, Driven: drift.DrivenInk, Drift: &r}) {
			if f.Advice != cause.CheckInk {
				continue
			}
			both := f.Channel + f.RivalChannel
			if f.Likelihood > 0.5 || f.Rival != cause.CheckInk || both != "CM" && both != "MC" || len(f.Moves) > 0 || !strings.Contains(f.Why, "cannot tell") {
				t.Errorf("%+v", f)
			}
		}
	}
	if r.Level == drift.LevelNone {
		t.Error("15 % less of one of the two is not seen")
	}
}
