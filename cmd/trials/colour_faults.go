package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"

	"swathkeeper/measure/cause"
	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
)

// found says in which of the first readings a fault was called act, and what for; 0 is never.
func (b *bench) found(f madeup.Faults, most int) (at int, first *cause.Finding, err error) {
	for i := range most {
		r, err := b.judge(f)
		if err != nil {
			return 0, nil, err
		}
		if acts(&r) {
			return i + 1, decide(&r, b.cfg.Chart.Driven), nil
		}
	}
	return 0, nil, nil
}

func decide(r *drift.Result, driven string) *cause.Finding {
	fs := cause.Decide(cause.Evidence{Stage: cause.StagePressed, Path: "device", Driven: driven, Drift: r})
	if len(fs) == 0 {
		return nil
	}
	return &fs[0]
}

// settle judges a few good readings, so that a fault starts from a running chart.
func (b *bench) settle(n int) error {
	b.state = drift.State{}
	for range n {
		if _, err := b.judge(madeup.Faults{}); err != nil {
			return err
		}
	}
	return nil
}

type foundCount struct{ n, first, three, right, late int }

const (
	weakRunning = 4  // good days between the baseline and a weak ink
	lateRunning = 30 // the same where the printer has been watched for long
)

func (c foundCount) share(k int) float64 { return 100 * float64(k) / float64(max(1, c.n)) }

// late counts the inks that are found within three readings when they turn weak after many good days, on
// a shop printed anew.
func (b *bench) late(seed uint64, cfg madeup.Config, size float64) (found int, err error) {
	s, err := madeup.NewShop(seed, cfg)
	if err != nil {
		return 0, err
	}
	l := bench{Shop: s, cfg: cfg, model: b.model, day: boundBaseline}
	if err := l.settle(lateRunning); err != nil {
		return 0, err
	}
	day, state := l.day, l.state
	for _, ink := range []string{"C", "M", "Y", "K"} {
		l.day, l.state = day, state
		at, _, err := l.found(madeup.Faults{Ink: map[string]madeup.InkFault{ink: {StrengthPercent: -size}}}, 3)
		if err != nil {
			return 0, err
		}
		if at > 0 {
			found++
		}
	}
	return found, nil
}

func weakTrial(ctx context.Context, o colourOptions, plots string, s *strings.Builder) error {
	sizes := []float64{2, 3, 4, 5, 6, 8, 10}
	s.WriteString("\n### One weak ink\n\nOne channel's tints weaker by 5 %, baseline of 10, four good days, then the fault; each ink in turn (and, in a column of its own, after 30 good days)." +
		" Goal: found within 3 readings (3\n" +
		"days) in 95 % at a strength sd of at most 1 %, and the right ink in 95 % of those. Beside it is what an observer would find who knows\n" +
		"each shop's spread, correlation and tails and sees every ink's own strength without error: least squares on the same days, the whole\n" +
		"false-alarm budget of 1 in 740 its own in every shop. With normal days (the steady press) no test on these days can do better. With heavy\n" +
		"tails one that asks for agreeing days can, as the judge does. Last, the same observer where the spread has to be learned, from the same 14 days of\n" +
		"all four inks, as a shop's has to.\n\n" +
		"| world | strength sd, % | trials | at the first reading | within 3 | right ink of those | within 3, after 30 good days | knowing, least squares, within 3 | knowing all but the spread |\n|---|---|---|---|---|---|---|---|---|\n")
	var curves []colourCurve
	for _, w := range []colourWorld{steadyWorld, variedWorld} {
		for _, sd := range []float64{0.5, 1, 1.5, 2} {
			counts := make([]foundCount, len(sizes))
			var mu sync.Mutex
			err := parallel(ctx, o.Shops, func(k int) error {
				b, err := newBench(o.Seed*2000003+uint64(k), w.config(k, sd), 10, false)
				if err != nil {
					return err
				}
				// Every ink has days of its own; the losses of one ink begin on the same day after the same good ones.
				for n, ink := range []string{"C", "M", "Y", "K"} {
					b.day = boundBaseline + n*(weakRunning+3)
					if err := b.settle(weakRunning); err != nil {
						return err
					}
					day, state := b.day, b.state
					for i, size := range sizes {
						b.day, b.state = day, state
						at, f, err := b.found(madeup.Faults{Ink: map[string]madeup.InkFault{ink: {StrengthPercent: -size}}}, 3)
						if err != nil {
							return err
						}
						mu.Lock()
						counts[i].n++
						if at == 1 {
							counts[i].first++
						}
						if at > 0 {
							counts[i].three++
							if f != nil && f.Advice == cause.CheckInk && f.Channel == ink {
								counts[i].right++
							}
						}
						mu.Unlock()
					}
				}
				late, err := b.late(o.Seed*2000003+uint64(k), w.config(k, sd), 5)
				mu.Lock()
				defer mu.Unlock()
				counts[slices.Index(sizes, 5)].late += late
				return err
			})
			if err != nil {
				return err
			}
			c := colourCurve{name: fmt.Sprintf("%s, sd %g %%", w.name, sd), dashed: w.varied}
			for i, size := range sizes {
				c.x = append(c.x, size)
				c.y = append(c.y, counts[i].share(counts[i].three))
				if size == 5 {
					n := counts[i]
					knows, learns := knowing(w, o.Shops, sd, size, o.Seed)
					fmt.Fprintf(s, "| %s | %g | %d | %.0f %% | **%.1f %%** | %.1f %% | %.1f %% | %.1f %% | %.1f %% |\n", w.name, sd, n.n, n.share(n.first), n.share(n.three),
						100*float64(n.right)/float64(max(1, n.three)), n.share(n.late), knows, learns)
				}
			}
			curves = append(curves, c)
		}
	}
	s.WriteString("\nFound within 3 readings, in %, by size of the loss:\n\n| world, strength sd |")
	for _, size := range sizes {
		fmt.Fprintf(s, " %g %% |", size)
	}
	s.WriteString("\n|---|" + strings.Repeat("---|", len(sizes)) + "\n")
	for _, c := range curves {
		fmt.Fprintf(s, "| %s |", c.name)
		for _, y := range c.y {
			fmt.Fprintf(s, " %.0f |", y)
		}
		s.WriteString("\n")
	}
	if plots == "" {
		return nil
	}
	name, err := drawCurves(plots, "colour-weak.png", "One weak ink: found within 3 readings (simulated)", "loss of strength, %", "%", curves, 0, 100)
	if err != nil {
		return err
	}
	fmt.Fprintf(s, "\n![One weak ink](%s)\n", name)
	return nil
}

func hueTrial(ctx context.Context, o colourOptions, _ string, s *strings.Builder) error {
	s.WriteString("\n### Another ink hue\n\nOne dye's absorption moved by 5 nm either way, baseline of 10, strength sd 1 %, up to 3 readings. Goal: `check_ink` in 95 %. Black's\n" +
		"change is given to show what cannot be seen: 5 nm move a black by less than the tolerances. Beside it is in how many of the trials such a print,\n" +
		"made on a mean day and read without noise, is beyond any tolerance at all: an observer who sees it so has no cause to act on the others. The last\n" +
		"column is of the trials in which the solid's hue turns by more than its tolerance of 2.5 degrees: in some shops 5 nm turn a yellow by 2.0 to 2.4.\n\n" +
		"| world | signatures from | ink | solid moves by, dE00 | beyond a tolerance without noise | act within 3 | `check_ink` of that ink, of all | of those beyond the hue's tolerance |\n|---|---|---|---|---|---|---|---|\n")
	for _, w := range []colourWorld{steadyWorld, variedWorld} {
		for _, spectra := range []bool{false, true} {
			inks := []string{"C", "M", "Y", "K"}
			counts := make([]foundCount, len(inks))
			out := make([]foundCount, len(inks)) // of those beyond the tolerance
			moved := make([]float64, len(inks))
			known := make([]int, len(inks)) // beyond a tolerance in truth
			var mu sync.Mutex
			err := parallel(ctx, o.Shops, func(k int) error {
				b, err := newBench(o.Seed*3000017+uint64(k), w.config(k, 1), 10, spectra)
				if err != nil {
					return err
				}
				good, err := b.Exact(madeup.Pressed, madeup.Faults{})
				if err != nil {
					return err
				}
				for i, ink := range inks {
					for _, nm := range []float64{-5, 5} {
						if err := b.settle(1); err != nil {
							return err
						}
						f := madeup.Faults{Ink: map[string]madeup.InkFault{ink: {HueNM: nm}}}
						de, turn, matters, err := b.solidMoves(i, good, f)
						if err != nil {
							return err
						}
						at, found, err := b.found(f, 3)
						if err != nil {
							return err
						}
						mu.Lock()
						counts[i].n++
						moved[i] += de
						if matters {
							known[i]++
						}
						beyond := ink != "K" && turn > drift.DefaultTolerances().HueDeg
						if beyond {
							out[i].n++
						}
						if at > 0 {
							counts[i].three++
							if found != nil && found.Advice == cause.CheckInk && found.Channel == ink {
								counts[i].right++
								if beyond {
									out[i].right++
								}
							}
						}
						mu.Unlock()
					}
				}
				return nil
			})
			if err != nil {
				return err
			}
			from := "L\\*a\\*b\\*"
			if spectra {
				from = "spectra"
			}
			for i, ink := range inks {
				c := counts[i]
				of := "none"
				if out[i].n > 0 {
					of = fmt.Sprintf("%.1f %% of %d", out[i].share(out[i].right), out[i].n)
				}
				fmt.Fprintf(s, "| %s | %s | %s | %.1f | %.1f %% | %.1f %% | **%.1f %%** | %s |\n", w.name, from, ink, moved[i]/float64(max(1, c.n)), c.share(known[i]), c.share(c.three), c.share(c.right), of)
			}
		}
	}
	return nil
}
