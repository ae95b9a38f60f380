package main

import (
	"cmp"
	"context"
	"image/color"
	"math"
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
	p("### What it is, where, and which nozzle\n")
	p("%d readings each. Dropouts and seams at twice the repeating line's 90 %% contrast (a seam: that contrast in each ink; and at half of it, which is the same d' over all inks); of the lines found. \"Position\" is the rms error of the repeat nearest the middle of the strip over the bound 1/(d' sqrt(lambda)) of the true spectrum, at 1.5 times the 90 %% contrast; \"nozzle\" is how often the true nozzle is among the candidates at d' of 6 to 12, and how many candidates there are.\n", n)
	p("| fabric | dropout called one ink's | right ink | seam called feed | seam at half | with period off by up to 2 %%: found, called feed | position over bound | nozzle among candidates (median number) |")
	p("|---|---|---|---|---|---|---|---|")
	for k, tr := range tracers {
		w, err := newWorld(tr, 0, 10, 40+k)
		if err != nil {
			return err
		}
		c := &knownLines{world: w, tracer: tr, observer: observers[k], n: n, seed: 10 * k}
		a := curves[k].at
		oneInk, rightInk := c.dropouts(2 * a)
		_, whole := c.seams(700, 2*a, 0.01)
		_, half := c.seams(800, a, 0.01)
		foundOff, off := c.seams(900, a, 0.02)
		position, astray := c.positions(1.5 * a)
		among, candidates := c.nozzles()
		if e := c.failed.Load(); e != nil {
			return *e
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		p("| %s | %.1f %% | %.1f %% | %.1f %% | %.1f %% | %.1f %%, %.1f %% | %.2f (%d astray) | %.1f %% (%d) |", []string{"none", "knit 1.0"}[k],
			oneInk, rightInk, whole, half, foundOff, off, position, astray, among, candidates)
	}
	p("\nGoals: seam and dropout told apart 98 %%, right ink 99 %%, position 1.2, nozzle 95 %%.\n")
	return nil
}

// knownLines looks at lines whose cause is known, on one fabric.
type knownLines struct {
	*world
	tracer   *madeup.Tracer
	observer *observer
	n        int // readings of each kind
	seed     int // added to each kind's own
	failed   atomic.Pointer[error]
}

var lineInks = []string{"C", "M", "Y", "K"}

// repeated is a line that repeats, and what is seen of it.
type repeated struct {
	ink        string
	at, period float64 // mm
	*banding.Result
}

// each judges n readings with a line that repeats, somewhere within one step and with a period off by
// up to reach of itself. state makes the line, see looks at what is found; it is called on many cores.
func (c *knownLines) each(seed int, reach float64, state func(i int, l repeated) madeup.Peak, see func(l repeated)) {
	step := c.tracer.Head.StepMM()
	each(c.n, func(i int) {
		rng := seeded(seed+c.seed, i)
		l := repeated{ink: lineInks[rng.IntN(4)]}
		l.period = step * (1 + reach*(2*rng.Float64()-1))
		l.at = c.tracer.StartMM + step*rng.Float64()
		peak := state(i, l)
		peak.AtMM, peak.PeriodMM = l.at, l.period
		r, err := c.judge(i, madeup.State{Peaks: []madeup.Peak{peak}}, rng)
		if err != nil {
			c.failed.Store(&err)
			return
		}
		l.Result = &r
		see(l)
	})
}

func percent(a, b int64) float64 { return 100 * float64(a) / float64(max(1, b)) }

// dropouts puts lines into one ink: how many of those found are called one ink's, and the right ink's.
func (c *knownLines) dropouts(peak float64) (oneInk, rightInk float64) {
	var one, right, found atomic.Int64
	c.each(600, 0.01, func(_ int, l repeated) madeup.Peak { return madeup.Peak{Channel: l.ink, Peak: peak} }, func(l repeated) {
		if !anyLine(l.Result) {
			return
		}
		found.Add(1)
		if len(linesOf(l.Result, banding.AllChannels)) > 0 {
			return
		}
		one.Add(1)
		for _, ch := range l.Channels {
			if (len(ch.Lines) > 0) != (ch.Channel == l.ink) {
				return
			}
		}
		right.Add(1)
	})
	return percent(one.Load(), found.Load()), percent(right.Load(), found.Load())
}

// seams puts lines into all inks: how many are found, and how many of those are called the feed's.
func (c *knownLines) seams(seed int, peak, reach float64) (found, feed float64) {
	var seen, called atomic.Int64
	c.each(seed, reach, func(i int, _ repeated) madeup.Peak {
		if i%2 == 1 {
			return madeup.Peak{Peak: -peak} // an overlap: a dark seam
		}
		return madeup.Peak{Peak: peak}
	}, func(l repeated) {
		if !anyLine(l.Result) {
			return
		}
		seen.Add(1)
		if len(linesOf(l.Result, banding.AllChannels)) == 0 {
			return
		}
		for _, ch := range lineInks {
			if len(linesOf(l.Result, ch)) > 0 {
				return
			}
		}
		called.Add(1)
	})
	return percent(seen.Load(), int64(c.n)), percent(called.Load(), seen.Load())
}

// positions is how far off the places of lines in one ink are, rms over the bound, and how many lines
// are found that are another altogether.
func (c *knownLines) positions(peak float64) (overBound float64, astray int64) {
	o := c.observer
	bound := c.tracer.PitchUM / 1000 / (peak * math.Sqrt(o.rows()*o.v*o.lambda))
	var mu sync.Mutex
	sq, count := 0.0, 0
	var other atomic.Int64
	c.each(1000, 0.01, func(_ int, l repeated) madeup.Peak { return madeup.Peak{Channel: l.ink, Peak: peak} }, func(l repeated) {
		line, ok := strongest(linesOf(l.Result, l.ink))
		if !ok || line.PeriodMM == 0 {
			return
		}
		d := math.Mod(line.AtMM-l.at, l.period)
		if d < 0 {
			d += l.period
		}
		d = math.Min(d, l.period-d)
		if d > 6*bound {
			other.Add(1)
			return
		}
		mu.Lock()
		sq += d * d
		count++
		mu.Unlock()
	})
	return math.Sqrt(sq/float64(max(1, count))) / bound, other.Load()
}

// nozzles weakens one nozzle: how often it is among the candidates, and their median number.
func (c *knownLines) nozzles() (among float64, candidates int) {
	tr, o := c.tracer, c.observer
	full := deadPeak(tr)
	unit := 1 / math.Sqrt(o.rows()*o.v)
	var mu sync.Mutex
	var hits int64
	var sizes []int
	each(c.n, func(i int) {
		rng := seeded(1100+c.seed, i)
		d := 6 + 6*rng.Float64()
		nozzle := 1 + rng.IntN(tr.Head.Nozzles)
		ink := lineInks[rng.IntN(4)]
		r, err := c.judge(i, madeup.State{
			Faults: []madeup.Fault{{Channel: ink, Nozzle: nozzle, Loss: d * unit / full}},
			Feed:   madeup.Feed{Scale: 1 + 0.005*(2*rng.Float64()-1)},
		}, rng)
		if err != nil {
			c.failed.Store(&err)
			return
		}
		if l, ok := strongest(linesOf(&r, ink)); ok && l.PeriodMM > 0 {
			mu.Lock()
			if slices.Contains(l.NozzleCandidates, nozzle) {
				hits++
			}
			sizes = append(sizes, len(l.NozzleCandidates))
			mu.Unlock()
		}
	})
	if len(sizes) == 0 {
		return 0, 0
	}
	slices.Sort(sizes)
	return percent(hits, int64(len(sizes))), sizes[len(sizes)/2]
}

// deadPeak is the peak of the line that one dead nozzle leaves, in L*.
func deadPeak(tr *madeup.Tracer) float64 {
	return tr.Strips[0].Removal * tr.Head.NozzlePitchUM / 1000 / float64(tr.Head.Passes) / (math.Sqrt(2*math.Pi) * tr.BlurMM)
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
			peak = deadPeak(tr)
			w, err := newWorld(tr, 0, 4, 60+10*passes+k)
			if err != nil {
				return err
			}
			for h, loss := range []float64{1, 0.5} {
				var found atomic.Int64
				var fail atomic.Pointer[error]
				each(n, func(i int) {
					rng := seeded(1200+100*passes+10*k+h, i)
					ch := lineInks[rng.IntN(4)]
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
	pl.Y.Label.Text = "found, share of all"
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
	_, err := save(pl, filepath.Dir(path), filepath.Base(path), 16*vg.Centimeter, 11*vg.Centimeter)
	return err
}
