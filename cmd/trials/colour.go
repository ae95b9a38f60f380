package main

import (
	"context"
	"fmt"
	"io"
	"runtime"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
)

func init() { trials = append(trials, newColour) }

// colourOptions size the colour trial.
type colourOptions struct {
	Seed      uint64
	Baselines int // made-up shops of the in-control trial, for each line of its table
	Readings  int // in-control readings of each
	Shops     int // shops of the trials of faults, for each line
	Only      string
}

func newColour() *cobra.Command {
	o := colourOptions{Seed: 1, Baselines: 200, Readings: 50, Shops: 60}
	var page string
	c := &cobra.Command{
		Use:   "colour",
		Short: "False alarms, weak inks found, causes named and moves made, on made-up printers",
		Long: "Runs the colour judgement on made-up printers of several physics, from seeds, and writes tables\n" +
			"and plots. Everything is simulated.",
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if o.Baselines < 1 || o.Readings < 1 || o.Shops < 1 {
				return fmt.Errorf("--baselines, --readings and --shops must be at least 1")
			}
			return emit(c.OutOrStdout(), page, "colour", o.Only != "", func(plots string) (string, error) {
				return runColour(c.Context(), c.ErrOrStderr(), o, plots)
			})
		},
	}
	c.Flags().Uint64Var(&o.Seed, "seed", o.Seed, "seed of all shops")
	c.Flags().IntVar(&o.Baselines, "baselines", o.Baselines, "baselines for each line of the in-control table")
	c.Flags().IntVar(&o.Readings, "readings", o.Readings, "in-control readings after each baseline")
	c.Flags().IntVar(&o.Shops, "shops", o.Shops, "shops for each line of the other tables")
	c.Flags().StringVar(&o.Only, "only", "", "run one part: control, weak, hue, cause or moves; with --write the page's other parts stay")
	c.Flags().StringVar(&page, "write", "", "write into this page, such as measure/TRIALS.md, and plots beside it")
	return c
}

// colourWorld is a family of made-up shops.
type colourWorld struct {
	name   string
	varied bool
	// press is the day-to-day standard deviation of the press dose; 0 leaves the world's own.
	press float64
}

var (
	steadyWorld = colourWorld{name: "steady press", press: 0.01}
	variedWorld = colourWorld{name: "varied physics", varied: true}
)

// config is that of shop k with the given strength standard deviation (0 leaves the world's own).
func (w colourWorld) config(k int, sd float64) madeup.Config {
	cfg := madeup.DefaultConfig()
	if w.varied {
		cfg = madeup.VariedConfig(uint64(k) + 1)
	}
	if sd > 0 {
		cfg.Wander.StrengthPercent = sd
	}
	if w.press > 0 {
		cfg.Wander.Press = w.press
	}
	return cfg
}

// bench is one shop with its baseline.
type bench struct {
	*madeup.Shop
	cfg   madeup.Config
	model *drift.Model
	state drift.State
	day   int
	read  madeup.Reading
}

func date(n int) string {
	return time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, n).Format(time.DateOnly)
}

// newBench learns a baseline from n readings, one a day.
func newBench(seed uint64, cfg madeup.Config, n int, spectra bool) (*bench, error) {
	s, err := madeup.NewShop(seed, cfg)
	if err != nil {
		return nil, err
	}
	b := &bench{Shop: s, cfg: cfg}
	var samples []drift.Sample
	for range n {
		r, err := s.Read(madeup.Occasion{Day: b.day}, madeup.Faults{})
		if err != nil {
			return nil, err
		}
		smp := drift.Sample{Lab: r.Lab, Day: date(b.day)}
		if spectra {
			smp.Spectra = &drift.Spectra{StartNM: madeup.StartNM, StepNM: madeup.StepNM, Values: r.Spectra}
		}
		samples = append(samples, smp)
		b.day++
	}
	base, err := drift.Learn(drift.Chart(*s.Chart()), samples, drift.Options{})
	if err != nil {
		return nil, err
	}
	b.model, err = base.Prepare()
	return b, err
}

// judge prints and judges the next day's chart.
func (b *bench) judge(f madeup.Faults) (drift.Result, error) {
	if err := b.ReadInto(&b.read, madeup.Occasion{Day: b.day}, f); err != nil {
		return drift.Result{}, err
	}
	r, next, err := b.model.Judge(drift.Sample{Lab: b.read.Lab, Day: date(b.day)}, b.state)
	b.day++
	if err != nil {
		return r, err
	}
	b.state = next
	return r, nil
}

func acts(r *drift.Result) bool { return r.Level == drift.LevelAct || r.Level == drift.LevelStop }

// parallel runs f for 0..n-1 on all cores and returns the first error.
func parallel(ctx context.Context, n int, f func(k int) error) error {
	next := make(chan int)
	errs := make(chan error, n)
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for k := range next {
				if err := f(k); err != nil {
					errs <- err
				}
			}
		})
	}
	for k := range n {
		if ctx.Err() != nil {
			break
		}
		next <- k
	}
	close(next)
	wg.Wait()
	close(errs)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return <-errs
}

func runColour(ctx context.Context, progress io.Writer, o colourOptions, plots string) (string, error) {
	start := time.Now()
	var s strings.Builder
	s.WriteString("## Colour\n\nSimulated, on made-up printers (package `measure/madeup`), one chart of 360 patches a day read as L\\*a\\*b\\*, baselines of as\n" +
		"many days as readings unless said otherwise. *Steady press*: dye dissolved in fibre (Kubelka-Munk), normal and independent days, press dose\n" +
		"steady to 1 %. *Varied physics*: every shop another mixing model, ink family, tone curve, goods and press wobble (1.5 to 5 %); two\n" +
		"thirds of the shops wander (one day correlated 0.2 to 0.7 with the next), half have heavy-tailed days and patches (Student's t,\n" +
		"3.5 to 8 degrees of freedom): worlds that the code does not assume.\n")
	for _, part := range []struct {
		name string
		run  func(context.Context, colourOptions, string, *strings.Builder) error
	}{{"control", controlTrial}, {"weak", weakTrial}, {"hue", hueTrial}, {"cause", causeTrial}, {"moves", movesTrial}} {
		if o.Only != "" && o.Only != part.name {
			continue
		}
		at := time.Now()
		if err := part.run(ctx, o, plots, &s); err != nil {
			return "", fmt.Errorf("%s: %w", part.name, err)
		}
		if part.name == "control" {
			fmt.Fprintf(&s, "\nSeed %d; %d baselines a line and %d readings after each.\n", o.Seed, o.Baselines, o.Readings)
		} else {
			fmt.Fprintf(&s, "\nSeed %d; %d shops a line.\n", o.Seed, o.Shops)
		}
		fmt.Fprintf(progress, "colour %s: %.0f s\n", part.name, time.Since(at).Seconds())
	}
	fmt.Fprintf(progress, "colour: %.0f s in all\n", time.Since(start).Seconds())
	return s.String(), nil
}
