package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
)

// mixedDrift is the name of the fault that no percentages undo wholly.
const mixedDrift = "mixed drift"

func movesTrial(ctx context.Context, o colourOptions, _ string, s *strings.Builder) error {
	s.WriteString("\n### Moves\n\nThe moves of the last of three readings with the fault are made on the printer, and three more charts are read. Mean CIEDE2000 over\n" +
		"that of charts in control; goal: at most 1.3. Strength sd 1 %, fault of 1.0 dE00 in the mean. A mixed drift also turns inks' hues, moves the\n" +
		"goods and changes how inks take on each other, which no percentage of a channel undoes: beside it stands what the best percentages and\n" +
		"mid-tone points would do, found by search on the printer's colours without noise.\n\n" +
		"| world | fault | shops | before | after, median | after, 90th percentile | within 1.3 | best possible, median | best within 1.3 |\n|---|---|---|---|---|---|---|---|---|\n")
	for _, w := range []colourWorld{steadyWorld, variedWorld} {
		kinds := []string{"C weak", "M strong", "K weak", "darker preset", "two inks", mixedDrift}
		befores, afters, bests := make([][]float64, len(kinds)), make([][]float64, len(kinds)), make([][]float64, len(kinds))
		for i := range kinds {
			befores[i], afters[i], bests[i] = make([]float64, o.Shops), make([]float64, o.Shops), make([]float64, o.Shops)
		}
		err := parallel(ctx, o.Shops, func(k int) error {
			b, err := newBench(o.Seed*5000011+uint64(k), w.config(k, 1), 10, false)
			if err != nil {
				return err
			}
			for i, kind := range kinds {
				b.day, b.state = boundBaseline, drift.State{}
				if befores[i][k], afters[i][k], bests[i][k], err = b.moved(kind); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
		for i, kind := range kinds {
			before, after, best := befores[i], afters[i], bests[i]
			slices.Sort(after)
			var mean, within float64
			for k := range after {
				mean += before[k] / float64(len(before))
				if after[k] <= 1.3 {
					within += 100 / float64(len(after))
				}
			}
			bound := " | |"
			if kind == mixedDrift {
				slices.Sort(best)
				can := 0.0
				for _, v := range best {
					if v <= 1.3 {
						can += 100 / float64(len(best))
					}
				}
				bound = fmt.Sprintf(" %.2f | %.0f %% |", best[len(best)/2], can)
			}
			fmt.Fprintf(s, "| %s | %s | %d | %.1f | **%.2f** | %.2f | %.0f %% |%s\n", w.name, kind, len(after), mean, after[len(after)/2], after[len(after)*9/10], within, bound)
		}
	}
	return nil
}

// moved is the mean CIEDE2000 with a fault, with its moves made, and for a mixed drift with the best
// moves that there are, each over that of charts in control.
func (b *bench) moved(name string) (before, after, best float64, err error) {
	mean := func(f madeup.Faults, n int) (float64, *drift.Result, error) {
		var sum float64
		var last drift.Result
		for range n {
			r, err := b.judge(f)
			if err != nil {
				return 0, nil, err
			}
			sum += r.MeanDE00 / float64(n)
			last = r
		}
		return sum, &last, nil
	}
	ordinary, _, err := mean(madeup.Faults{}, 6)
	if err != nil {
		return 0, 0, 0, err
	}
	make := func(size float64) madeup.Faults {
		return madeup.Faults{Ink: map[string]madeup.InkFault{"C": {StrengthPercent: -5 * size}, "Y": {StrengthPercent: 4 * size, TonePoints: -size}}}
	}
	for _, f := range madeup.FaultKinds(b.cfg.Inks) {
		if f.Name == name {
			make = f.Make
		}
	}
	size, err := b.SizeFor(make, 1)
	if err != nil {
		return 0, 0, 0, err
	}
	f := make(size)
	bad, r, err := mean(f, 3)
	if err != nil {
		return 0, 0, 0, err
	}
	f.Correct = map[string]madeup.Correction{}
	for _, m := range r.Moves {
		f.Correct[m.Channel] = madeup.Correction{Percent: m.Percent, TonePoints: m.TonePoints}
	}
	good, _, err := mean(f, 3)
	if err != nil || name != mixedDrift {
		return bad / ordinary, good / ordinary, 0, err
	}
	if err := b.bestMoves(&f); err != nil {
		return 0, 0, 0, err
	}
	least, _, err := mean(f, 3)
	return bad / ordinary, good / ordinary, least / ordinary, err
}

// bestMoves improves the moves of f, one after the other, on the printer's colours without noise.
func (b *bench) bestMoves(f *madeup.Faults) error {
	good, err := b.Exact(madeup.Pressed, madeup.Faults{})
	if err != nil {
		return err
	}
	left := func() (sum float64, err error) {
		r, err := b.Exact(madeup.Pressed, *f)
		if err != nil {
			return 0, err
		}
		for p := range r.Lab {
			sum += colour.DE2000(good.Lab[p], r.Lab[p])
		}
		return sum, nil
	}
	best, err := left()
	if err != nil {
		return err
	}
	for _, step := range []float64{2, 1, 0.5, 0.25} {
		for range 3 {
			for _, channel := range b.cfg.Chart.Channels {
				for _, by := range []madeup.Correction{{Percent: step}, {Percent: -step}, {TonePoints: step}, {TonePoints: -step}} {
					was := f.Correct[channel]
					f.Correct[channel] = madeup.Correction{Percent: was.Percent + by.Percent, TonePoints: was.TonePoints + by.TonePoints}
					now, err := left()
					if err != nil {
						return err
					}
					if now >= best {
						f.Correct[channel] = was
						continue
					}
					best = now
				}
			}
		}
	}
	return nil
}
