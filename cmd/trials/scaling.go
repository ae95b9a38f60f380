package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"gonum.org/v1/gonum/stat"
)

func init() { trials = append(trials, newScaling) }

// scalingOptions say up to where each cost is followed.
type scalingOptions struct {
	Patches, Strips, Series, Printers []int
	History                           []int // verdicts in the store
	Visits                            int   // readings of each worker run
	Chart                             int   // patches where it is not they that grow
	Only                              string
}

// defaultScaling leaves out the store of a million verdicts, which takes as long to make as all the rest.
func defaultScaling() scalingOptions {
	return scalingOptions{
		Patches:  []int{50, 100, 200, 400, 800, 1600, 3200, 5000},
		Strips:   []int{0, 1, 2, 4, 8, 16, 32},
		Series:   []int{1, 5, 20, 50, 100, 200},
		Printers: []int{1, 10, 50, 100, 200, 400, 1000, 3000, 10_000},
		History:  []int{10_000, 100_000},
		Visits:   400,
		Chart:    400,
	}
}

func newScaling() *cobra.Command {
	o := defaultScaling()
	var page string
	var asJSON bool
	c := &cobra.Command{
		Use:   "scaling",
		Short: "How the cost of a reading grows with patches, strips, series, printers and history",
		Long: `Measures on this machine how cost grows with the number of patches and strips of a chart, of
printing conditions of a printer, of printers, and of verdicts in the store. Straight lines
are expected; where a cost bends, the page says why.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			res, err := runScaling(c.Context(), c.ErrOrStderr(), o)
			if err != nil {
				return err
			}
			if asJSON {
				return json.NewEncoder(c.OutOrStdout()).Encode(res)
			}
			return emit(c.OutOrStdout(), page, "scaling", o.Only != "", func(plots string) (string, error) { return scalingPage(res, plots) })
		},
	}
	f := c.Flags()
	f.IntSliceVar(&o.History, "history", o.History, "verdicts in the store")
	f.IntSliceVar(&o.Printers, "printers", o.Printers, "printers of one worker")
	f.StringVar(&o.Only, "only", "", "one part: patches, strips, series, printers, history or stored")
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	f.StringVar(&page, "write", "", "write into this page, such as measure/TRIALS.md, and a plot beside it")
	return c
}

// scaleTable is how several costs grow with one number.
type scaleTable struct {
	Name string      `json:"name"`
	By   string      `json:"by"`
	Cols []scaleCol  `json:"columns"`
	X    []float64   `json:"x"`
	Y    [][]float64 `json:"y"` // one row for each x, one figure for each column
}

// scaleCol is one cost.
type scaleCol struct {
	Name   string `json:"name"`
	Format string `json:"-"`
	// Line says that the cost is expected to be a straight line in the number, with or without a
	// constant; else it is expected not to grow at all. Plot draws it.
	Line, Plot bool
}

func (t *scaleTable) add(x int, y ...float64) {
	t.X, t.Y = append(t.X, float64(x)), append(t.Y, y)
}

func (t *scaleTable) column(name string) (x, y []float64) {
	k := slices.IndexFunc(t.Cols, func(c scaleCol) bool { return c.Name == name })
	for i, row := range t.Y {
		if x0 := t.X[i]; x0 > 0 && k >= 0 && row[k] > 0 {
			x, y = append(x, x0), append(y, row[k])
		}
	}
	return x, y
}

// power is the power of the number with which a cost grows over the last stretch of its table that
// spans at least a factor: 1 is a straight line through nought, 0 no growth.
func (t *scaleTable) power(name string, factor float64) float64 {
	x, y := t.column(name)
	n := len(x)
	if n < 2 {
		return math.NaN()
	}
	from := 0
	for i := range n {
		if x[n-1]/x[i] >= factor {
			from = i
		}
	}
	return math.Log(y[n-1]/y[from]) / math.Log(x[n-1]/x[from])
}

// at gives a cost at the entry of a table nearest to x.
func (t *scaleTable) at(name string, x float64) float64 {
	xs, ys := t.column(name)
	best := math.NaN()
	gap := math.Inf(1)
	for i := range xs {
		if d := math.Abs(math.Log(xs[i] / x)); d < gap {
			best, gap = ys[i], d
		}
	}
	return best
}

func (t *scaleTable) markdown(b *strings.Builder) {
	fmt.Fprintf(b, "| %s |", t.By)
	for _, c := range t.Cols {
		fmt.Fprintf(b, " %s |", c.Name)
	}
	b.WriteString("\n|" + strings.Repeat("---|", len(t.Cols)+1) + "\n")
	for i, row := range t.Y {
		fmt.Fprintf(b, "| %.0f |", t.X[i])
		for k, v := range row {
			fmt.Fprintf(b, " "+t.Cols[k].Format+" |", v)
		}
		b.WriteString("\n")
	}
	b.WriteString("\n")
}

// scalingResult holds a table for each number.
type scalingResult struct {
	Cores  int           `json:"cores"`
	Tables []*scaleTable `json:"tables"`
	Stored []storedSize  `json:"stored"`
}

func (r *scalingResult) table(name string) *scaleTable {
	for _, t := range r.Tables {
		if t.Name == name {
			return t
		}
	}
	return nil
}

func runScaling(ctx context.Context, progress io.Writer, o scalingOptions) (*scalingResult, error) {
	res := &scalingResult{Cores: runtime.GOMAXPROCS(0)}
	for _, part := range []struct {
		name string
		run  func(context.Context, scalingOptions) (*scaleTable, error)
	}{{"patches", scalePatches}, {"strips", scaleStrips}, {"series", scaleSeries}, {"printers", scalePrinters}, {"history", scaleHistory}} {
		if o.Only != "" && o.Only != part.name {
			continue
		}
		start := time.Now()
		t, err := part.run(ctx, o)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", part.name, err)
		}
		t.Name = part.name
		res.Tables = append(res.Tables, t)
		fmt.Fprintf(progress, "scaling %s: %.0f s\n", part.name, time.Since(start).Seconds())
	}
	if o.Only == "" || o.Only == "stored" {
		start := time.Now()
		var err error
		if res.Stored, err = measureStored(ctx, o); err != nil {
			return nil, fmt.Errorf("stored: %w", err)
		}
		fmt.Fprintf(progress, "scaling stored: %.0f s\n", time.Since(start).Seconds())
	}
	return res, nil
}

// timeOf is the processor time of one call in milliseconds, which other programs change little: the lower
// quartile of batches that take some milliseconds each, until a tenth of a second and five batches are full,
// or two seconds.
func timeOf(ctx context.Context, f func() error) (float64, error) {
	var ms []float64
	batch, start := 1, time.Now()
	clock := scaleClock()
	for {
		if err := ctx.Err(); err != nil {
			return 0, err
		}
		t := clock()
		for range batch {
			if err := f(); err != nil {
				return 0, err
			}
		}
		took := millis(clock() - t)
		if took < 4 && batch < 1<<16 {
			batch *= 2 // the first of these calls only warm up
			continue
		}
		ms = append(ms, took/float64(batch))
		if all := time.Since(start); all > 2*time.Second || all > 100*time.Millisecond && len(ms) >= 5 {
			return quartile(ms), nil
		}
	}
}

// scaleClock tells processor time, or on a system that does not tell it time itself.
func scaleClock() func() time.Duration {
	if processorTime() > 0 {
		return processorTime
	}
	start := time.Now()
	return func() time.Duration { return time.Since(start) }
}

func millis(d time.Duration) float64 { return float64(d.Nanoseconds()) / 1e6 }

func quartile(v []float64) float64 {
	slices.Sort(v)
	return stat.Quantile(0.25, stat.Empirical, v, nil)
}

// scaleDir makes a data folder on the disk that the working directory is on.
func scaleDir() (string, func(), error) {
	dir, err := os.MkdirTemp(".", ".scaling-")
	if err != nil {
		return "", nil, err
	}
	return dir, func() { _ = os.RemoveAll(dir) }, nil
}
