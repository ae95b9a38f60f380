package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"

	"gonum.org/v1/gonum/floats"

	"swathkeeper/measure/cause"
	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
)

// causes are the rows of the confusion table, with the advice that is right.
var causes = []struct{ name, advice string }{
	{"ink weak", cause.CheckInk}, {"ink hue", cause.CheckInk}, {underPressed, cause.CheckPress}, {"over-pressed", cause.CheckPress},
	{"media lot", cause.CheckMedia}, {"wrong preset", cause.CheckSettings}, {"flare", cause.Remeasure}, {"scale", cause.Remeasure}, {mixedDrift, cause.RefitProfile},
}

var advices = []string{
	cause.CheckInk, "other ink", cause.CheckPress, cause.CheckMedia, cause.CheckSettings, cause.Remeasure, cause.RefitProfile, cause.CleanHead, "none",
}

// mostReadings is how many charts with the fault are printed before it counts as not found; a
// mixed drift needs three that agree after it has become significant.
const (
	mostReadings = 8
	causeRunning = 2 // good days before it
	underPressed = "under-pressed"
)

// named says which advice stood first: at the first act, or, for a fault that is mixed, once three
// charts agree.
func (b *bench) named(k madeup.FaultKind, f madeup.Faults) (string, error) {
	for range mostReadings {
		r, err := b.judge(f)
		if err != nil {
			return "", err
		}
		if !acts(&r) || k.Cause == mixedDrift && r.Agreeing < 3 {
			continue
		}
		found := decide(&r, b.cfg.Chart.Driven)
		switch {
		case found == nil:
			return "none", nil
		case found.Advice == cause.CheckInk && found.Channel != k.Ink:
			return "other ink", nil
		}
		return found.Advice, nil
	}
	return "none", nil
}

func causeTrial(ctx context.Context, o colourOptions, plots string, s *strings.Builder) error {
	fmt.Fprintf(s, "\n### Which cause\n\nEach cause at the size that changes the chart by 1.0 dE00 in the mean, baseline of 10, strength sd 1 %%: the advice that stands first in the first\n"+
		"verdict of `act` (for mixed drift: the first one when three charts agree). Goal: right in 95 %%. Media lot: yellower, less brightened and\n"+
		"thirstier goods, where such a lot can change the chart that much (less than no brightener there is not); scale: a lamp or a calibration off by one\n"+
		"factor; hue: cyan, magenta, yellow. \"none\" is no act within %d charts.\n", mostReadings)
	for _, w := range []colourWorld{steadyWorld, variedWorld} {
		sizes, err := faultSizes(ctx, o, w)
		if err != nil {
			return err
		}
		for _, spectra := range []bool{false, true} {
			counts := make([][]float64, len(causes))
			for i := range counts {
				counts[i] = make([]float64, len(advices))
			}
			if err := causeCounts(ctx, o, w, spectra, sizes, counts); err != nil {
				return err
			}
			from := "L*a*b*"
			if spectra {
				from = "spectra"
			}
			fmt.Fprintf(s, "\n%s, signatures from %s, in %% of each cause:\n\n| cause | trials | right |", strings.ToUpper(w.name[:1])+w.name[1:], strings.ReplaceAll(from, "*", "\\*"))
			for _, a := range advices {
				fmt.Fprintf(s, " %s |", a)
			}
			s.WriteString("\n|---|---|---|" + strings.Repeat("---|", len(advices)) + "\n")
			rows := make([]string, len(causes))
			var all, right float64
			for i, c := range causes {
				rows[i] = c.name
				var n float64
				for _, v := range counts[i] {
					n += v
				}
				ok := counts[i][slices.Index(advices, c.advice)]
				all, right = all+1, right+ok/max(1, n)
				fmt.Fprintf(s, "| %s | %.0f | **%.1f** |", c.name, n, 100*ok/max(1, n))
				for k := range counts[i] {
					counts[i][k] *= 100 / max(1, n)
					if counts[i][k] == 0 {
						s.WriteString(" |")
						continue
					}
					fmt.Fprintf(s, " %.1f |", counts[i][k])
				}
				s.WriteString("\n")
			}
			fmt.Fprintf(s, "| mean | | **%.1f** |%s\n", 100*right/all, strings.Repeat(" |", len(advices)))
			if !spectra {
				if err := observers(ctx, o, w, sizes, s); err != nil {
					return err
				}
			}
			if plots == "" {
				continue
			}
			file := "colour-causes-" + strings.ReplaceAll(w.name, " ", "-") + ".png"
			if spectra {
				continue
			}
			name, err := drawTable(plots, file, "Causes and the advice named first, "+w.name+" (simulated, % of row)", rows, advices, counts)
			if err != nil {
				return err
			}
			fmt.Fprintf(s, "\n![Confusion of causes](%s)\n", name)
		}
	}
	return nil
}

// observers writes what those could tell who know more than a judge can.
func observers(ctx context.Context, o colourOptions, w colourWorld, sizes [][]float64, s *strings.Builder) error {
	can, learns, err := knowingPress(w, o.Shops, 1, o.Seed)
	if err != nil {
		return err
	}
	fmt.Fprintf(s, "\nAn observer who knows how each shop's press varies and reads its dose off every print without error, the whole budget of 1 in 740 its own,\n"+
		"calls out %.1f %% of the under-pressed prints within %d charts; one who has to learn the press's spread from the twelve days before, %.1f %%.\n", can, mostReadings, learns)
	known, err := knowingCauses(ctx, w, o, sizes)
	if err != nil {
		return err
	}
	mixed := slices.IndexFunc(causes, func(c struct{ name, advice string }) bool { return c.name == mixedDrift })
	fmt.Fprintf(s, "\nAn observer who knows how every fault, and every part that a mixed drift may be made of, changes each patch of this very printer's chart, how its\n"+
		"days spread and the noise of its patches, tells %.1f %% of the mixed drifts and %.1f %% of the others (mean of three charts, any size; %d shops). One who knows the\n"+
		"faults from a sister printer of the same make, and takes that for true of this one, tells %.1f and %.1f %%: a fault that is not quite as expected\n"+
		"looks like a drift of its own. What limits the causes is not noise but how well a shop's chart foretells its faults: the judge allows for\n"+
		"that, so that its single causes take in some mixed drifts. %.1f %% of these move the bare goods beyond their tolerance: `check_media` comes first then.\n",
		known[0].share(mixed), known[0].others(), min(o.Shops, knownShops), known[1].share(mixed), known[1].others(), known[0].goods)
	return nil
}

// causeRow is a kind's place among the causes, -1 for one that is not tried: 5 nm of black cannot be seen.
func causeRow(kind madeup.FaultKind) int {
	if kind.Cause == "ink hue" && kind.Ink == "K" {
		return -1
	}
	return slices.IndexFunc(causes, func(c struct{ name, advice string }) bool { return c.name == kind.Cause })
}

// faultSizes finds for each shop the size of each kind of fault that changes its chart by 1.0 dE00 in the mean;
// 0 for one that cannot, or is not tried.
func faultSizes(ctx context.Context, o colourOptions, w colourWorld) ([][]float64, error) {
	out := make([][]float64, o.Shops)
	return out, parallel(ctx, o.Shops, func(k int) error {
		s, err := madeup.NewShop(o.Seed*4000037+uint64(k), w.config(k, 1))
		if err != nil {
			return err
		}
		kinds := madeup.FaultKinds(s.Config().Inks)
		out[k] = make([]float64, len(kinds))
		for i, kind := range kinds {
			if causeRow(kind) < 0 {
				continue
			}
			if size, err := s.SizeFor(kind.Make, 1); err == nil && kind.Make(size).Media.BrightenerPercent >= -100 {
				out[k][i] = size
			}
		}
		return nil
	})
}

func causeCounts(ctx context.Context, o colourOptions, w colourWorld, spectra bool, sizes [][]float64, counts [][]float64) error {
	var mu sync.Mutex
	return parallel(ctx, o.Shops, func(k int) error {
		b, err := newBench(o.Seed*4000037+uint64(k), w.config(k, 1), 10, spectra)
		if err != nil {
			return err
		}
		for i, kind := range madeup.FaultKinds(b.cfg.Inks) {
			row, size := causeRow(kind), sizes[k][i]
			if row < 0 || size == 0 {
				continue
			}
			if err := b.settle(causeRunning); err != nil {
				return err
			}
			got, err := b.named(kind, kind.Make(size))
			if err != nil {
				return err
			}
			mu.Lock()
			counts[row][slices.Index(advices, got)]++
			mu.Unlock()
		}
		return nil
	})
}

// solidMoves is the CIEDE2000 by which a fault moves the solid of a channel, and the degrees by which it
// turns its hue, without noise; beyond says whether that print, on a mean day and read without noise, is
// beyond any tolerance of the baseline's.
func (b *bench) solidMoves(channel int, good *madeup.Reading, f madeup.Faults) (de, turn float64, beyond bool, err error) {
	bad, err := b.Exact(madeup.Pressed, f)
	if err != nil {
		return 0, 0, false, err
	}
	r, _, err := b.model.Judge(drift.Sample{Lab: bad.Lab}, drift.State{})
	if err != nil {
		return 0, 0, false, err
	}
	for p, d := range b.Chart().Device {
		if d[channel] == 100 && floats.Sum(d) == 100 {
			turn := math.Abs(math.Remainder(bad.Lab[p].Hue()-good.Lab[p].Hue(), 360))
			return colour.DE2000(good.Lab[p], bad.Lab[p]), turn, len(r.Exceeded) > 0, nil
		}
	}
	return 0, 0, len(r.Exceeded) > 0, nil
}
