package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"swathkeeper/measure/madeup"
	"swathkeeper/measure/settings"
)

func init() { trials = append(trials, newSettings) }

// settingsOptions size the settings trial.
type settingsOptions struct {
	Results string // file that keeps each shop's outcome; empty for none
	Seed    uint64
	Shops   int
	From    int
	Prints  int
	Worth   float64
}

func newSettings() *cobra.Command {
	o := settingsOptions{Seed: 1, Shops: 200, Prints: 8}
	var page string
	var list bool
	c := &cobra.Command{
		Use:   "settings",
		Short: "Driver settings found from wrong ones, print by print, on made-up drivers",
		Long: "Searches driver settings on made-up printers with hidden drivers of several kinds, from seeds, beside\n" +
			"a person who turns one slider at a time. Everything is simulated.",
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if o.Shops < 1 || o.Prints < 6 || o.From < 0 {
				return fmt.Errorf("--shops must be at least 1, --prints at least 6, --from at least 0")
			}
			progress := io.Discard
			if list {
				progress = c.ErrOrStderr()
			}
			return emit(c.OutOrStdout(), page, "settings", false, func(plots string) (string, error) {
				return runSettings(c.Context(), progress, o, plots)
			})
		},
	}
	c.Flags().Uint64Var(&o.Seed, "seed", o.Seed, "seed of all shops")
	c.Flags().IntVar(&o.Shops, "shops", o.Shops, "made-up shops")
	c.Flags().IntVar(&o.From, "from", o.From, "the first shop's number")
	c.Flags().IntVar(&o.Prints, "prints", o.Prints, "prints of each search")
	c.Flags().Float64Var(&o.Worth, "worth", 0, "gain in mean dE00 for which a print is still made; 0: as shops have it")
	c.Flags().StringVar(&o.Results, "results", "", "keep each shop's outcome in this file, and go on from those it holds")
	c.Flags().BoolVar(&list, "list", false, "print a line for each shop to standard error")
	c.Flags().StringVar(&page, "write", "", "write into this page, such as measure/TRIALS.md, and a plot beside it")
	return c
}

// settingsRun is what came of one shop. Its fields are those of the results file.
type settingsRun struct {
	Shop         int
	Seed         uint64
	Kind         madeup.PanelKind
	Aim          string
	Away         float64
	Floor        float64
	Search       []float64 // typical mean difference of the settings to keep, after each print
	Person       []float64
	Stopped      int     // prints made when the search said that nothing is left; 0 if it did not
	StoppedDE    float64 // typical difference of what it then said to keep
	Suspected    int     // prints in order that were doubted
	Spoilt       int     // failed prints in the place of the search's, each by itself
	Caught       int     // those of them that were doubted
	Noise        float64 // standard deviation of the difference that one print under the best settings measures
	Foretold     float64 // sum of ((measured - foretold) / standard error) squared, over Foretellings
	Within       [2]int  // foretellings off by no more than 1 and 2 standard errors
	Foretellings int
	Known        []float64 // by the observer that knows the driver; where the aim is a batch
	Slopes       []float64 // by the one that knows its slopes
}

func runSettings(ctx context.Context, progress io.Writer, o settingsOptions, plots string) (string, error) {
	start := time.Now()
	runs := make([]settingsRun, o.Shops)
	done, err := o.earlier(runs)
	if err != nil {
		return "", err
	}
	var keep sync.Mutex
	err = parallel(ctx, o.Shops, func(k int) error {
		if done[k] {
			return nil
		}
		s, err := newSettingsShop(o.Seed, o.From+k)
		if err != nil {
			return err
		}
		s.task.Worth = o.Worth
		if runs[k], err = s.run(o.Prints); err != nil {
			return fmt.Errorf("shop %d: %w", o.From+k, err)
		}
		r := &runs[k]
		r.Shop, r.Seed = o.From+k, o.Seed
		keep.Lock()
		defer keep.Unlock()
		if err := o.keep(r); err != nil {
			return err
		}
		fmt.Fprintf(progress, "%3d %-6s %-15s away %5.2f best %5.2f search %5.2f person %5.2f stopped %d at %.2f, doubted %d\n",
			o.From+k, r.Kind, r.Aim, r.Away, r.Floor, r.Search, r.Person, r.Stopped, r.StoppedDE, r.Suspected)
		return nil
	})
	if err != nil {
		return "", err
	}
	var b strings.Builder
	if err := settingsPage(&b, o, runs, plots); err != nil {
		return "", err
	}
	fmt.Fprintf(progress, "settings: %.0f s\n", time.Since(start).Seconds())
	return b.String(), nil
}

// earlier fills in the runs that the results file holds already.
func (o *settingsOptions) earlier(runs []settingsRun) ([]bool, error) {
	done := make([]bool, len(runs))
	if o.Results == "" {
		return done, nil
	}
	f, err := os.Open(o.Results)
	if errors.Is(err, fs.ErrNotExist) {
		return done, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	for d := json.NewDecoder(f); ; {
		var r settingsRun
		if err := d.Decode(&r); err == io.EOF {
			return done, nil
		} else if err != nil {
			return nil, fmt.Errorf("%s: %w", o.Results, err)
		}
		if k := r.Shop - o.From; k >= 0 && k < len(runs) && r.Seed == o.Seed && len(r.Search) == o.Prints {
			runs[k], done[k] = r, true
		}
	}
}

// keep adds a run to the results file.
func (o *settingsOptions) keep(r *settingsRun) error {
	if o.Results == "" {
		return nil
	}
	f, err := os.OpenFile(o.Results, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	return errors.Join(json.NewEncoder(f).Encode(r), f.Close())
}

// run searches from the wrong settings, and lets a person search from there too.
func (s *settingsShop) run(prints int) (settingsRun, error) {
	r := settingsRun{Kind: s.panel.Kind(), Aim: s.aim, Away: s.away, Floor: s.floor, Noise: s.noise}
	var doubted []int
	var list []settings.Print
	v := s.start
	var before *settings.Advice
	for j := range prints {
		p, err := s.print(j, v)
		if err != nil {
			return r, err
		}
		if before != nil {
			p.Foretold, p.ForetoldSE = before.NextDE, before.NextSE
		}
		list = append(list, p)
		if j == spoiltPrint {
			caught, err := s.catches(list)
			if err != nil {
				return r, err
			}
			r.Spoilt++
			if caught {
				r.Caught++
			}
		}
		a, err := settings.Advise(s.task, list)
		if err != nil {
			return r, err
		}
		if before != nil && before.NextSE > 0 {
			z := (a.Measured[j] - before.NextDE) / before.NextSE
			r.Foretold += z * z
			r.Foretellings++
			for k := range r.Within {
				if math.Abs(z) <= float64(k+1) {
					r.Within[k]++
				}
			}
		}
		before = a
		for _, k := range a.Suspect {
			if !slices.Contains(doubted, k) {
				doubted = append(doubted, k)
			}
		}
		r.Suspected = len(doubted)
		kept, err := s.typical(list[a.Best].Values)
		if err != nil {
			return r, err
		}
		// The oracle is a search too: what is found below its best is the best.
		r.Floor = min(r.Floor, kept)
		r.Search = append(r.Search, kept)
		if a.Why == settings.WhyDone && r.Stopped == 0 {
			r.Stopped, r.StoppedDE = j+1, kept
		}
		if a.Why == settings.WhyDone {
			for len(r.Search) < prints {
				r.Search = append(r.Search, kept)
			}
			break
		}
		v = a.Next
	}
	var err error
	if r.Person, err = s.byHand(prints); err != nil || s.aim != aimBatch {
		return r, err
	}
	if r.Known, err = s.byKnowing(boundPrints); err != nil {
		return r, err
	}
	r.Slopes, err = s.bySlopes(boundPrints)
	for _, d := range slices.Concat(r.Known, r.Slopes) {
		r.Floor = min(r.Floor, d)
	}
	return r, err
}

// spoiltPrint is the print, counted from 0, in whose place a failed one is made too.
const spoiltPrint = 3

// catches tells whether the newest print is doubted when it was pressed far too cold and too short.
func (s *settingsShop) catches(list []settings.Print) (bool, error) {
	last := len(list) - 1
	f := madeup.Faults{Dials: list[last].Values, Press: madeup.Press{Celsius: -45, Seconds: -20}}
	if err := s.shop.ReadInto(&s.reading, madeup.Occasion{Day: 2 + last}, f); err != nil {
		return false, err
	}
	spoilt := slices.Clone(list)
	spoilt[last] = settings.Print{Values: f.Dials, Lab: slices.Clone(s.reading.Lab)}
	a, err := settings.Advise(s.task, spoilt)
	return err == nil && slices.Contains(a.Suspect, last), err
}

// boundPrints is how many prints the observers make that know what no search can.
const boundPrints = 6

// byHand turns one slider at a time, as a person does: a quarter of its range one way, on that
// way as long as it gets better, else the other way, then the next slider, and smaller steps in
// the next round. This person has an instrument: the mean difference is seen to the print's
// noise.
func (s *settingsShop) byHand(prints int) ([]float64, error) {
	best := slices.Clone(s.start)
	j := 0
	var curve []float64
	measure := func(v []float64) (float64, error) {
		p, err := s.print(100+j, v)
		j++
		return s.task.Difference(p.Lab, nil), err
	}
	top, err := measure(best)
	if err != nil {
		return nil, err
	}
	note := func() error {
		d, err := s.typical(best)
		curve = append(curve, d)
		return err
	}
	if err := note(); err != nil {
		return nil, err
	}
	for size := 0.25; j < prints; size /= 2 {
		for i := range best {
			for _, sign := range []float64{1, -1} {
				moved := false
				for j < prints {
					v := slices.Clone(best)
					v[i] = s.shift(i, v[i], sign, size)
					if v[i] == best[i] {
						break
					}
					d, err := measure(v)
					if err != nil {
						return nil, err
					}
					better := d < top
					if better {
						best, top, moved = v, d, true
					}
					if err := note(); err != nil {
						return nil, err
					}
					if !better {
						break
					}
				}
				if moved {
					break
				}
			}
		}
		if size < 0.01 {
			break
		}
	}
	for len(curve) < prints {
		curve = append(curve, curve[len(curve)-1])
	}
	return curve, nil
}
