package main

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"

	"github.com/spf13/cobra"
	"gonum.org/v1/gonum/dsp/fourier"

	"swathkeeper/measure/banding"
	"swathkeeper/measure/madeup"
)

func init() { trials = append(trials, newLines) }

func newLines() *cobra.Command {
	t := linesTrial{}
	c := &cobra.Command{
		Use:   "lines",
		Short: "How faint a nozzle line is found, beside the ideal observer, and what is mistaken for what",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			body, err := t.run(c.Context())
			if err != nil {
				return err
			}
			return writeSection(t.page, "lines", body)
		},
	}
	c.Flags().StringVar(&t.page, "page", filepath.Join("measure", "TRIALS.md"), "Markdown page to write the section into")
	c.Flags().IntVar(&t.perPoint, "trials", 2000, "readings per point")
	c.Flags().IntVar(&t.inControl, "in-control", 10000, "in-control readings")
	c.Flags().IntVar(&t.baselines, "baselines", 200, "baselines of the in-control readings")
	return c
}

type linesTrial struct {
	page      string
	perPoint  int
	inControl int
	baselines int
}

// each runs f for 0..n-1 on all cores.
func each(n int, f func(i int)) {
	var next atomic.Int64
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				f(i)
			}
		})
	}
	wg.Wait()
}

func seeded(trial, i int) *rand.Rand {
	return rand.New(rand.NewPCG(uint64(trial)<<32+20260304, uint64(i)))
}

const linesAlpha = 0.01

var knitOne = madeup.Knit{PitchMM: 0.9, RMS: 1, Harmonic: 0.2, CoherenceMM: 40, Wander: 0.1}

// world is one made-up printer with detectors from several baselines.
type world struct {
	t         *madeup.Tracer
	detectors []*banding.Detector
}

func newWorld(t *madeup.Tracer, alpha float64, baselines, seed int) (*world, error) {
	w := &world{t: t, detectors: make([]*banding.Detector, baselines)}
	errs := make([]error, baselines)
	each(baselines, func(b int) {
		rng := seeded(seed, b)
		var rs [][]banding.Trace
		for range 10 {
			r, err := t.Traces(madeup.State{}, rng)
			if err != nil {
				errs[b] = err
				return
			}
			rs = append(rs, r)
		}
		base, err := banding.Learn(t.Geometry(), rs, banding.Options{Alpha: alpha})
		if err == nil {
			w.detectors[b], err = base.Prepare()
		}
		errs[b] = err
	})
	for _, err := range errs {
		if err != nil {
			return nil, err
		}
	}
	return w, nil
}

// judge draws and judges one reading.
func (w *world) judge(i int, st madeup.State, rng *rand.Rand) (banding.Result, error) {
	tr, err := w.t.Traces(st, rng)
	if err != nil {
		return banding.Result{}, err
	}
	return w.detectors[i%len(w.detectors)].Judge(tr)
}

func linesOf(r *banding.Result, channel string) []banding.Line {
	for _, c := range r.Channels {
		if c.Channel == channel {
			return c.Lines
		}
	}
	return nil
}

func anyLine(r *banding.Result) bool {
	for _, c := range r.Channels {
		if len(c.Lines) > 0 {
			return true
		}
	}
	return false
}

// curve is detection against contrast.
type curve struct {
	name        string
	x           []float64
	found, of   []int
	at, se      float64
	fit         [2]float64
	ideal       float64
	idealSE     float64
	falseAlarms int
	inControl   int
}

func (c *curve) ratio() (r, lo, hi float64) {
	r = c.at / c.ideal
	s := 1.96 * r * math.Hypot(c.se/c.at, c.idealSE/c.ideal)
	return r, r - s, r + s
}

// detection runs one curve: lines of random phase, period within 1 % and channel; single lines when
// single.
func (t *linesTrial) detection(ctx context.Context, name string, tr *madeup.Tracer, single bool, seed int) (*curve, *observer, error) {
	power := spectrumOf(tr, seed)
	pitch := tr.PitchUM / 1000
	step := tr.Head.StepMM()
	period := step / pitch
	if single {
		period = 0
	}
	o := newObserver(power, tr.BlurMM/pitch, period, 0.01, 4)
	c := &curve{name: name}
	c.ideal, c.idealSE = o.contrast90(linesAlpha, t.perPoint, uint64(seed))
	w, err := newWorld(tr, linesAlpha, 10, seed)
	if err != nil {
		return nil, nil, err
	}
	channels := []string{"C", "M", "Y", "K"}
	var fail atomic.Pointer[error]
	for k, f := range []float64{0.8, 0.95, 1.05, 1.15, 1.3, 1.5} {
		a := f * c.ideal
		var found atomic.Int64
		each(t.perPoint, func(i int) {
			if ctx.Err() != nil {
				return
			}
			rng := seeded(seed+1000*(k+1), i)
			ch := channels[rng.IntN(4)]
			p := madeup.Peak{Channel: ch, Peak: a, AtMM: tr.StartMM + float64(tr.Samples)*pitch*rng.Float64()}
			if !single {
				p.PeriodMM = step * (1 + 0.01*(2*rng.Float64()-1))
			}
			r, err := w.judge(i, madeup.State{Peaks: []madeup.Peak{p}}, rng)
			if err != nil {
				fail.Store(&err)
				return
			}
			if len(linesOf(&r, ch)) > 0 {
				found.Add(1)
			}
		})
		c.x, c.found, c.of = append(c.x, a), append(c.found, int(found.Load())), append(c.of, t.perPoint)
	}
	var fa atomic.Int64
	c.inControl = 2 * t.perPoint
	each(c.inControl, func(i int) {
		if ctx.Err() != nil {
			return
		}
		r, err := w.judge(i, madeup.State{}, seeded(seed+77, i))
		if err != nil {
			fail.Store(&err)
		} else if anyLine(&r) {
			fa.Add(1)
		}
	})
	if e := fail.Load(); e != nil {
		return nil, nil, *e
	}
	if ctx.Err() != nil {
		return nil, nil, ctx.Err()
	}
	c.falseAlarms = int(fa.Load())
	c.at, c.se, c.fit, err = probit(c.x, c.found, c.of, 0.9)
	return c, o, err
}

// spectrumOf is the power density of the mean of one ink's two strips, from the model: Hann-windowed
// periodograms of 400 draws without trend and lines, averaged.
func spectrumOf(tr *madeup.Tracer, seed int) []float64 {
	t := *tr
	t.Noise.Trend = 0
	n := t.Samples
	power := make([]float64, n/2+1)
	hann, sum := make([]float64, n), 0.0
	for i := range hann {
		hann[i] = 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n))
		sum += hann[i] * hann[i]
	}
	var mu sync.Mutex
	const draws = 100
	each(draws, func(d int) {
		traces, err := t.Traces(madeup.State{}, seeded(seed+5, d))
		if err != nil {
			return
		}
		for _, ch := range []string{"C", "M", "Y", "K"} {
			x := make([]float64, n)
			mean := 0.0
			for _, s := range traces {
				if s.Channel == ch {
					for i, v := range s.Values {
						x[i] += v / 2
						mean += v / 2 / float64(n)
					}
				}
			}
			for i := range x {
				x[i] = (x[i] - mean) * hann[i]
			}
			c := fourier.NewFFT(n).Coefficients(nil, x)
			mu.Lock()
			for k, v := range c {
				power[k] += (real(v)*real(v) + imag(v)*imag(v)) / sum / (4 * draws)
			}
			mu.Unlock()
		}
	})
	power[0] = power[2]
	power[1] = power[2]
	return power
}

func (t *linesTrial) run(ctx context.Context) (string, error) {
	var b strings.Builder
	p := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	p("## Lines\n")
	p("Made-up printer: four inks, two strips of 10 mm each, 229 mm long, read every 84.7 um as CIE L\\*; 360 nozzles at 70.6 um, 4 passes, step 6.35 mm; blur of a line 0.20 mm (standard deviation). Noise of one strip 0.30 L\\* rms: 0.25 independent, 0.17 correlated over 0.5 mm; a slow trend of 1 L\\*. Knit: courses at 0.9 mm, 1.0 L\\* rms, straight, wandering in phase (one radian in 40 mm) and strength (10 %%), the same under all strips. Baselines of 10 readings, 10 different ones a row; every reading is new.\n")

	plain, knit := madeup.KnitTracer(), madeup.KnitTracer()
	knit.Knit = knitOne
	type row struct {
		name   string
		t      *madeup.Tracer
		single bool
		goal   float64
	}
	rows := []row{{"repeating, no texture", plain, false, 1.15}, {"repeating, knit 1.0", knit, false, 1.3},
		{"one line anywhere, no texture", plain, true, 1.3}, {"one line anywhere, knit 1.0", knit, true, 1.3}}
	var curves []*curve
	var observers []*observer
	for i, r := range rows {
		c, o, err := t.detection(ctx, r.name, r.t, r.single, 10+i)
		if err != nil {
			return "", fmt.Errorf("%s: %w", r.name, err)
		}
		curves, observers = append(curves, c), append(observers, o)
	}
	p("### How faint a line is found\n")
	p("Peak contrast (L\\*) found nine times in ten at 1 %% false alarms per reading of four inks; %d readings a point, six points, maximum-likelihood probit curve. The ideal observer knows the true noise spectrum and the line's shape, and not the ink, the phase or the period within 1 %%: it averages the likelihood ratio over them (%d draws; tested against the closed form for a fully known line). A drifting texture is not quite a Gaussian process, so that on knit it is the ideal observer of noise of the same spectrum.\n", t.perPoint, t.perPoint)
	p("| search | found 90 %% | ideal | ratio (95 %%) | goal | ratio to no texture's ideal | false alarms at 1 %% |")
	p("|---|---|---|---|---|---|---|")
	for i, c := range curves {
		r, lo, hi := c.ratio()
		base := curves[i/2*2]
		p("| %s | %.3f | %.3f | %.3f (%.3f to %.3f) | %.2f | %.2f | %.2f %% of %d |", c.name, c.at, c.ideal, r, lo, hi, rows[i].goal, c.at/base.ideal,
			100*float64(c.falseAlarms)/float64(c.inControl), c.inControl)
	}
	if err := plotCurves(filepath.Join(filepath.Dir(t.page), "trials", "lines-detection.png"), curves[:2]); err != nil {
		return "", err
	}
	p("\n![Detection against contrast](trials/lines-detection.png)\n")

	if err := t.falseAlarms(ctx, p); err != nil {
		return "", err
	}
	if err := t.causes(ctx, p, curves, observers, []*madeup.Tracer{plain, knit}); err != nil {
		return "", err
	}
	if err := t.passes(ctx, p); err != nil {
		return "", err
	}
	return b.String(), nil
}

// falseAlarms judges in-control readings of printers and fabrics that the detector knows nothing of.
func (t *linesTrial) falseAlarms(ctx context.Context, p func(string, ...any)) error {
	per := max(1, t.inControl/t.baselines)
	var alarms, readings, marks, moved, heavyAlarms, heavyN atomic.Int64
	var fail atomic.Pointer[error]
	each(t.baselines, func(b int) {
		if ctx.Err() != nil {
			return
		}
		rng := seeded(500, b)
		tr := madeup.KnitTracer()
		k := madeup.Knit{PitchMM: 0.5 + 0.75*rng.Float64(), RMS: 0.2 + rng.Float64(), Harmonic: 0.4 * rng.Float64(),
			CoherenceMM: 20 + 60*rng.Float64(), Wander: 0.3 * rng.Float64(), SkewDeg: 5 * rng.Float64()}
		heavy := b%2 == 1
		if heavy {
			tr.Noise.TailDF = 4
		}
		draw := func() []banding.Trace {
			// The fabric never lies twice the same way.
			tr.Knit = k
			tr.Knit.PitchMM *= 1 + 0.005*rng.NormFloat64()
			tr.Knit.SkewDeg = math.Abs(k.SkewDeg + 0.5*rng.NormFloat64())
			r, err := tr.Traces(madeup.State{}, rng)
			if err != nil {
				fail.Store(&err)
			}
			return r
		}
		var rs [][]banding.Trace
		for range 10 {
			rs = append(rs, draw())
		}
		base, err := banding.Learn(tr.Geometry(), rs, banding.Options{})
		if err != nil {
			fail.Store(&err)
			return
		}
		d, err := base.Prepare()
		if err != nil {
			fail.Store(&err)
			return
		}
		for range per {
			r, err := d.Judge(draw())
			if err != nil {
				fail.Store(&err)
				return
			}
			readings.Add(1)
			if heavy {
				heavyN.Add(1)
			}
			if anyLine(&r) {
				alarms.Add(1)
				if heavy {
					heavyAlarms.Add(1)
				}
			}
			if len(r.Marks) > 0 {
				marks.Add(1)
			}
			for _, w := range r.Warnings {
				if w.Code == "texture" {
					moved.Add(1)
					break
				}
			}
		}
	})
	if e := fail.Load(); e != nil {
		return *e
	}
	n, a := float64(readings.Load()), float64(alarms.Load())
	rate := "none"
	if a > 0 {
		rate = fmt.Sprintf("1 in %.0f", n/a)
	}
	p("### False alarms\n")
	p("%d in-control readings of %d baselines of 10 readings, default limits (1 in 740 readings). Each baseline has its own knit: pitch 0.5 to 1.25 mm, 0.2 to 1.2 L\\* rms, skew 0 to 5 degrees, its phase and strength wandering; from reading to reading the pitch moves by 0.5 %% and the skew by half a degree. Every second baseline has heavy-tailed noise (Student's t, 4 degrees of freedom).\n", readings.Load(), t.baselines)
	p("| alarms | rate | goal | 95 %% interval of alarms | of these heavy-tailed | readings with single-strip or fabric marks | readings whitened by their own spectrum |")
	p("|---|---|---|---|---|---|---|")
	lo, hi := poissonInterval(a)
	p("| %d | %s | 1 in 740 (%.1f) | %.1f to %.1f | %d of %d | %d | %d |\n", alarms.Load(), rate, n/740, lo, hi, heavyAlarms.Load(), heavyN.Load(), marks.Load(), moved.Load())
	return ctx.Err()
}

// poissonInterval is the 95 % interval of a Poisson mean by the Wilson-Hilferty approximation of the
// chi-square quantiles.
func poissonInterval(k float64) (lo, hi float64) {
	q := func(df, z float64) float64 {
		h := 2 / (9 * df)
		return df * math.Pow(1-h+z*math.Sqrt(h), 3)
	}
	if k > 0 {
		lo = q(2*k, -1.96) / 2
	}
	return lo, q(2*k+2, 1.96) / 2
}
