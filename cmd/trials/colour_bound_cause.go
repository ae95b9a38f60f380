package main

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"sync"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"

	"swathkeeper/measure/cause"
	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
)

// knownCauses is how often an observer names each cause (in the order of causes) who knows everything of a shop
// but what has happened: how every fault, and every part that a mixed drift may be made of, changes each
// patch of this very chart, how the shop's days spread and hang together, and the noise of patches. It sees
// the mean of three charts with the fault against a baseline of ten, holds every cause for as likely before,
// and knows no size. It goes by likelihoods, which are exact where days are normal and changes add up; the
// changes that it is shown do add up.
type knownCauses struct {
	right, tried []float64
	goods        float64 // mixed drifts that move the bare goods beyond their tolerance
}

func (k *knownCauses) share(row int) float64 { return 100 * k.right[row] / math.Max(1, k.tried[row]) }

// others is the mean over the causes but the mixed drift.
func (k *knownCauses) others() (sum float64) {
	for i := range causes {
		if causes[i].name != mixedDrift {
			sum += k.share(i) / float64(len(causes)-1)
		}
	}
	return sum
}

const (
	knownShops  = 15 // of each world at most: they agree
	knownDraws  = 20 // changes of each kind in each shop
	knownMixed  = 100
	knownCharts = 3
	knownNoise  = 20 // charts by which it is told the noise of patches
)

// knownSizes are held for possible, in units of the size that changes the chart by 1.0 dE00 in the mean.
var knownSizes = []float64{0.5, math.Sqrt2 / 2, 1, math.Sqrt2, 2}

type answer struct{ advice, ink string }

var mixedAnswer = answer{advice: cause.RefitProfile}

// knowingCauses shows changes of all causes to that observer and, the second, to one who knows how faults
// change a chart from a sister printer only, of the same make with the same inks and goods, and takes
// that for true of this one. sizes are those of each shop's kinds of faults.
func knowingCauses(ctx context.Context, w colourWorld, o colourOptions, sizes [][]float64) (out [2]knownCauses, err error) {
	for i := range out {
		out[i] = knownCauses{right: make([]float64, len(causes)), tried: make([]float64, len(causes))}
	}
	shops := min(len(sizes), knownShops)
	mixed := slices.IndexFunc(causes, func(c struct{ name, advice string }) bool { return c.name == mixedDrift })
	var mu sync.Mutex
	err = parallel(ctx, shops, func(k int) error {
		s, err := newKnownShop(o.Seed*4000037+uint64(k), w.config(k, 1), sizes[k])
		if err != nil {
			return err
		}
		r := rand.New(rand.NewPCG(o.Seed, uint64(k)))
		var right [2][]float64
		for i := range right {
			right[i] = make([]float64, len(causes))
		}
		tried, goods := make([]float64, len(causes)), 0.0
		show := func(row int, at []float64, want answer) {
			tried[row]++
			for i, got := range s.name(at, r) {
				if got == want {
					right[i][row]++
				}
			}
		}
		for _, kind := range s.kinds {
			for range knownDraws {
				show(kind.row, kind.is, kind.answer)
			}
		}
		for range knownMixed {
			at, white := s.mixedDrift(r)
			if white > drift.DefaultTolerances().WhiteDE00 {
				goods++
			}
			show(mixed, at, mixedAnswer)
		}
		mu.Lock()
		defer mu.Unlock()
		for i := range out {
			floats.Add(out[i].right, right[i])
			floats.Add(out[i].tried, tried)
			out[i].goods += 100 * goods / float64(knownMixed*shops)
		}
		return nil
	})
	return out, err
}

// mixture draws a direction of mixed drift, and the size at which it changes the chart by 1.0 dE00.
func (s *knownShop) mixture(r *rand.Rand) (parts []float64, size float64) {
	for range s.labs {
		parts = append(parts, r.NormFloat64())
	}
	size = 1
	for range 3 { // the mean difference is nearly straight in the size
		var sum float64
		for p, c := range s.good {
			sum += colour.DE2000(c, s.moved(p, parts, size))
		}
		size *= float64(len(s.good)) / sum
	}
	return parts, size
}

func (s *knownShop) moved(p int, parts []float64, size float64) colour.Lab {
	c := s.good[p]
	for i, k := range parts {
		d := s.labs[i][p]
		c.L += size * k * d[0]
		c.A += size * k * d[1]
		c.B += size * k * d[2]
	}
	return c
}

// mixedDrift draws a mixed drift and says by how much it moves the unprinted goods, in CIEDE2000.
func (s *knownShop) mixedDrift(r *rand.Rand) (at []float64, white float64) {
	parts, size := s.mixture(r)
	at = make([]float64, len(s.days[0]))
	for i, k := range parts {
		floats.AddScaled(at, size*k, s.drift[i])
	}
	if s.bare >= 0 {
		white = colour.DE2000(s.good[s.bare], s.moved(s.bare, parts, size))
	}
	return at, white
}

// ordinary is what the noise and the wander of days make of the mean of the charts less that of the baseline's.
func (s *knownShop) ordinary(r *rand.Rand) []float64 {
	y := make([]float64, len(s.days[0]))
	for i := range y {
		y[i] = knownNoiseSD * r.NormFloat64()
	}
	trial := boundTrial{running: causeRunning, days: knownCharts}
	c, days := contrast(), s.ownDays()
	for _, d := range s.days {
		floats.AddScaled(y, inner(c, trial.series(r, days)), d)
	}
	return y
}

// name shows a change to the observers, on charts of ordinary days, and gives what each of them names.
func (s *knownShop) name(at []float64, r *rand.Rand) (out [2]answer) {
	y := s.ordinary(r)
	floats.Add(y, at)
	y = s.whitened(y)
	var mixed []float64
	var z mat.VecDense
	z.MulVec(s.along.T(), mat.NewVecDense(len(y), y))
	for _, size := range knownSizes {
		size *= s.size
		var l float64
		for d, v := range s.vars {
			wide := 1 + size*size*math.Max(0, v)
			l -= (math.Log(wide) + z.AtVec(d)*z.AtVec(d)/wide) / 2
		}
		mixed = append(mixed, l)
	}
	for b := range out {
		logs := map[answer][]float64{mixedAnswer: mixed}
		for i := range s.kinds {
			k := &s.kinds[i]
			for _, size := range knownSizes {
				var ss float64
				for d, v := range k.believed[b] {
					ss += (y[d] - size*v) * (y[d] - size*v)
				}
				logs[k.answer] = append(logs[k.answer], k.prior-ss/2)
			}
		}
		best := math.Inf(-1)
		for a, l := range logs {
			if sum := floats.LogSumExp(l); sum > best {
				best, out[b] = sum, a
			}
		}
	}
	return out
}
