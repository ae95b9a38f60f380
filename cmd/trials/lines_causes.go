package main

import (
	"cmp"
	"context"
	"image/color"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"

	"swathkeeper/measure/banding"
	"swathkeeper/measure/madeup"
)

// causes tells seams from dropouts, names ink and nozzle, and checks the positions.
func (t *linesTrial) causes(ctx context.Context, p func(string, ...any), curves []*curve, observers []*observer, tracers []*madeup.Tracer) error {
	n := t.perPoint / 2
	channels := []string{"C", "M", "Y", "K"}
	p("### What it is, where, and which nozzle\n")
	p("%d readings each. Dropouts and seams at twice the repeating line's 90 %% contrast (a seam: that contrast in each ink; and at half of it, which is the same d' over all inks); of the lines found. \"Position\" is the rms error of the repeat nearest the middle of the strip over the bound 1/(d' sqrt(lambda)) of the true spectrum, at 1.5 times the 90 %% contrast; \"nozzle\" is how often the true nozzle is among the candidates at d' of 6 to 12, and how many candidates there are.\n", n)
	p("| fabric | dropout called one ink's | right ink | seam called feed | seam at half | with period off by up to 2 %%: found, called feed | position over bound | nozzle among candidates (median number) |")
	p("|---|---|---|---|---|---|---|---|")
	for k, tr := range tracers {
		w, err := newWorld(tr, 0, 10, 40+k)
		if err != nil {
			return err
		}
		pitch := tr.PitchUM / 1000
		step := tr.Head.StepMM()
		a := 2 * curves[k].at
		var fail atomic.Pointer[error]
		judge := func(seed, i int, st func(at, period float64, ch string) madeup.State, reach float64, see func(r *banding.Result, ch string, at, period float64)) {
			rng := seeded(seed+10*k, i)
			ch := channels[rng.IntN(4)]
			period := step * (1 + reach*(2*rng.Float64()-1))
			at := tr.StartMM + step*rng.Float64()
			r, err := w.judge(i, st(at, period, ch), rng)
			if err != nil {
				fail.Store(&err)
				return
			}
			see(&r, ch, at, period)
		}
		one := func(peak float64) func(at, period float64, ch string) madeup.State {
			return func(at, period float64, ch string) madeup.State {
				return madeup.State{Peaks: []madeup.Peak{{Channel: ch, AtMM: at, PeriodMM: period, Peak: peak}}}
			}
		}
		all := func(peak float64) func(at, period float64, ch string) madeup.State {
			return func(at, period float64, _ string) madeup.State {
				return madeup.State{Peaks: []madeup.Peak{{AtMM: at, PeriodMM: period, Peak: peak}}}
			}
		}
		var asOne, rightInk, dropN atomic.Int64
		each(n, func(i int) {
			judge(600, i, one(a), 0.01, func(r *banding.Result, ch string, _, _ float64) {
				if !anyLine(r) {
					return
				}
				dropN.Add(1)
				if len(linesOf(r, banding.AllChannels)) == 0 {
					asOne.Add(1)
					right := true
					for _, c := range r.Channels {
						right = right && (len(c.Lines) > 0) == (c.Channel == ch)
					}
					if right {
						rightInk.Add(1)
					}
				}
			})
		})
		feed := func(seed int, peak, reach float64) (found, called int64) {
			var f, c atomic.Int64
			each(n, func(i int) {
				s := 1.0
				if i%2 == 1 {
					s = -1 // an overlap: a dark seam
				}
				judge(seed, i, all(s*peak), reach, func(r *banding.Result, _ string, _, _ float64) {
					if !anyLine(r) {
						return
					}
					f.Add(1)
					ok := len(linesOf(r, banding.AllChannels)) > 0
					for _, ch := range channels {
						ok = ok && len(linesOf(r, ch)) == 0
					}
					if ok {
						c.Add(1)
					}
				})
			})
			return f.Load(), c.Load()
		}
		f1, c1 := feed(700, a, 0.01)
		f2, c2 := feed(800, a/2, 0.01)
		f3, c3 := feed(900, a/2, 0.02)

		o := observers[k]
		peak := 1.5 * curves[k].at
		var mu sync.Mutex
		sq, count := 0.0, 0
		var astray atomic.Int64
		bound := pitch / (peak * math.Sqrt(o.rows()*o.v*o.lambda))
		each(n, func(i int) {
			judge(1000, i, one(peak), 0.01, func(r *banding.Result, ch string, at, period float64) {
				l, ok := strongest(linesOf(r, ch))
				if !ok || l.PeriodMM == 0 {
					return
				}
				d := math.Mod(l.AtMM-at, period)
				if d < 0 {
					d += period
				}
				d = math.Min(d, period-d)
				if d > 6*bound { // another line altogether
					astray.Add(1)
					return
				}
				mu.Lock()
				sq += d * d
				count++
				mu.Unlock()
			})
		})
		dead, among, sizes := 0, 0, []int{}
		unit := 1 / math.Sqrt(o.rows()*o.v)
		each(n, func(i int) {
			rng := seeded(1100+10*k, i)
			d := 6 + 6*rng.Float64()
			nozzle := 1 + rng.IntN(tr.Head.Nozzles)
			ch := channels[rng.IntN(4)]
			full := tr.Strips[0].Removal * tr.Head.NozzlePitchUM / 1000 / float64(tr.Head.Passes) / (math.Sqrt(2*math.Pi) * tr.BlurMM)
			st := madeup.State{Faults: []madeup.Fault{{Channel: ch, Nozzle: nozzle, Loss: d * unit / full}},
				Feed: madeup.Feed{Scale: 1 + 0.005*(2*rng.Float64()-1)}}
			r, err := w.judge(i, st, rng)
			if err != nil {
				fail.Store(&err)
				return
			}
			if l, ok := strongest(linesOf(&r, ch)); ok && l.PeriodMM > 0 {
				mu.Lock()
				dead++
				if slices.Contains(l.NozzleCandidates, nozzle) {
					among++
				}
				sizes = append(sizes, len(l.NozzleCandidates))
				mu.Unlock()
			}
		})
		if e := fail.Load(); e != nil {
			return *e
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		slices.Sort(sizes)
		pc := func(a, b int64) float64 { return 100 * float64(a) / float64(max(1, b)) }
		p("| %s | %.1f %% | %.1f %% | %.1f %% | %.1f %% | %.1f %%, %.1f %% | %.2f (%d astray) | %.1f %% (%d) |", []string{"none", "knit 1.0"}[k],
			pc(asOne.Load(), dropN.Load()), pc(rightInk.Load(), dropN.Load()), pc(c1, f1), pc(c2, f2), pc(f3, int64(n)), pc(c3, f3),
			math.Sqrt(sq/float64(max(1, count)))/bound, astray.Load(), pc(int64(among), int64(dead)), sizes[len(sizes)/2])
	}
	p("\nGoals: seam and dropout told apart 98 %%, right ink 99 %%, position 1.2, nozzle 95 %%.\n")
	return nil
}

// strongest is the line farthest above its limit.
func strongest(lines []banding.Line) (banding.Line, bool) {
	if len(lines) == 0 {
		return banding.Line{}, false
	}
	return slices.MaxFunc(lines, func(a, b banding.Line) int { return cmp.Compare(a.Score/a.Limit, b.Score/b.Limit) }), true
}

// passes kills or weakens one nozzle of printers with 1 to 8 passes.
func (t *linesTrial) passes(ctx context.Context, p func(string, ...any)) error {
	n := t.perPoint / 5
	p("### Nozzles by the number of passes\n")
	p("One nozzle of one ink of a 25.4 mm head, 360 nozzles, loses all or half of its ink; removing all ink changes a strip by 25 L\\*. Found at the default limits (1 in 740), %d readings each.\n", n)
	p("| passes | step, mm | peak of a dead nozzle, L\\* | dead, no texture | dead, knit | half, no texture | half, knit |")
	p("|---|---|---|---|---|---|---|")
	for _, passes := range []int{1, 2, 4, 8} {
		var cells [4]float64
		var peak, step float64
		for k := range 2 {
			tr := madeup.KnitTracer()
			tr.Head.Passes = passes
			if k == 1 {
				tr.Knit = knitOne
			}
			step = tr.Head.StepMM()
			peak = tr.Strips[0].Removal * tr.Head.NozzlePitchUM / 1000 / float64(passes) / (math.Sqrt(2*math.Pi) * tr.BlurMM)
			w, err := newWorld(tr, 0, 4, 60+10*passes+k)
			if err != nil {
				return err
			}
			for h, loss := range []float64{1, 0.5} {
				var found atomic.Int64
				var fail atomic.Pointer[error]
				each(n, func(i int) {
					rng := seeded(1200+100*passes+10*k+h, i)
					ch := []string{"C", "M", "Y", "K"}[rng.IntN(4)]
					r, err := w.judge(i, madeup.State{Faults: []madeup.Fault{{Channel: ch, Nozzle: 1 + rng.IntN(360), Loss: loss}}}, rng)
					if err != nil {
						fail.Store(&err)
					} else if len(linesOf(&r, ch)) > 0 {
						found.Add(1)
					}
				})
				if e := fail.Load(); e != nil {
					return *e
				}
				cells[2*h+k] = 100 * float64(found.Load()) / float64(n)
			}
		}
		p("| %d | %.2f | %.2f | %.0f %% | %.0f %% | %.0f %% | %.0f %% |", passes, step, peak, cells[0], cells[1], cells[2], cells[3])
	}
	return ctx.Err()
}

// plotCurves draws detection against contrast with the ideal observer's 90 % point.
func plotCurves(path string, curves []*curve) error {
	pl := plot.New()
	pl.Title.Text = "Repeating lines found at 1 % false alarms (simulated)"
	pl.X.Label.Text = "peak contrast, L*"
	pl.Y.Label.Text = "found"
	pl.Y.Min, pl.Y.Max = 0, 1
	for i, c := range curves {
		col := []color.RGBA{{R: 20, G: 90, B: 160, A: 255}, {R: 180, G: 80, B: 20, A: 255}}[i%2]
		pts := make(plotter.XYs, len(c.x))
		for k := range c.x {
			pts[k] = plotter.XY{X: c.x[k], Y: float64(c.found[k]) / float64(c.of[k])}
		}
		sc, err := plotter.NewScatter(pts)
		if err != nil {
			return err
		}
		sc.Color = col
		fit := plotter.NewFunction(func(x float64) float64 { return math.Erfc(-(c.fit[0]+c.fit[1]*x)/math.Sqrt2) / 2 })
		fit.Color = col
		fit.XMin, fit.XMax = 0.7*c.x[0], c.x[len(c.x)-1]
		ideal, err := plotter.NewScatter(plotter.XYs{{X: c.ideal, Y: 0.9}})
		if err != nil {
			return err
		}
		ideal.Color, ideal.Radius = col, vg.Points(5)
		pl.Add(fit, sc, ideal)
		pl.Legend.Add(c.name, fit)
		pl.Legend.Add("ideal observer, "+c.name, ideal)
	}
	// Curves rise from the lower left to the upper right: the lower right is free.
	pl.Legend.Top, pl.Legend.Left = false, false
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	return pl.Save(16*vg.Centimeter, 11*vg.Centimeter, path)
}
