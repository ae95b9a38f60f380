package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/perf/benchfmt"
	"golang.org/x/perf/benchmath"
)

func init() { trials = append(trials, newBenchmarks) }

// benchOptions say which benchmarks are run, and what they are held against.
type benchOptions struct {
	File   string // figures of before, in Go's benchmark format
	Before string // a commit to take those of before from, on this machine
	Note   string // why something may be slower
	Write  bool
	Count  int
	Time   string
	Only   string
}

// benchWorse is the share by which a median may grow before it is told.
const benchWorse = 0.10

// benchSkip are benchmarks of what bad input may cost at most, which are bounds and not hot.
const benchSkip = "Hostile|Bombs|Memory"

var benchPackages = []string{"./measure/...", "./protocol/...", "./worker/..."}

func newBenchmarks() *cobra.Command {
	o := benchOptions{File: filepath.Join("measure", "benchmarks.txt"), Count: 6, Time: "200ms", Only: "."}
	c := &cobra.Command{
		Use:   "bench",
		Short: "Every benchmark, held against the figures of before: what is worse by more than 10 %",
		Long: `Runs the Go benchmarks of every part that works on a reading and holds them against the
figures in --file, or against those of another commit, taken on this machine in turns with
those of the working folder. It prints what is worse by more than 10 % in the median, in
time where chance is no likely reason (Mann-Whitney U test, 5 %), and in bytes and numbers
of allocations. Times of another processor are not compared.

With --write the file is written anew; where something is worse, only with a --note that
says why, which the file keeps.

EXIT STATUS: 1 when something is worse.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if o.Count < 4 {
				return errors.New("--count must be at least 4: with fewer runs nothing can be told from chance")
			}
			return o.run(c.Context(), c.OutOrStdout(), c.ErrOrStderr())
		},
	}
	f := c.Flags()
	f.StringVar(&o.File, "file", o.File, "the figures of before")
	f.StringVar(&o.Before, "before", "", "a commit; its figures are taken now, instead of those of --file")
	f.BoolVar(&o.Write, "write", false, "write the new figures into --file")
	f.StringVar(&o.Note, "note", "", "why something is worse, kept in --file")
	f.IntVar(&o.Count, "count", o.Count, "runs of each benchmark")
	f.StringVar(&o.Time, "benchtime", o.Time, "length of each run")
	f.StringVar(&o.Only, "only", o.Only, "only benchmarks whose names match this pattern")
	return c
}

func (o *benchOptions) run(ctx context.Context, out, progress io.Writer) error {
	var old, now bytes.Buffer
	switch {
	case o.Before != "":
		dir, clean, err := checkout(ctx, o.Before)
		if err != nil {
			return err
		}
		defer clean()
		// In turns, so that whatever else the machine does in these minutes meets both alike.
		for i := range o.Count {
			fmt.Fprintf(progress, "round %d of %d ...\n", i+1, o.Count)
			if err := errors.Join(o.goTest(ctx, dir, 1, &old, progress), o.goTest(ctx, ".", 1, &now, progress)); err != nil {
				return err
			}
		}
	default:
		data, err := os.ReadFile(o.File)
		if err != nil && !(o.Write && errors.Is(err, os.ErrNotExist)) {
			return fmt.Errorf("figures of before: %w; --write makes them, --before COMMIT takes them from a commit", err)
		}
		old.Write(data)
		if err := o.goTest(ctx, ".", o.Count, &now, progress); err != nil {
			return err
		}
	}
	kept := benchNotes(old.Bytes())
	before, err := readBenchmarks(&old, o.File)
	if err != nil {
		return err
	}
	text := slices.Clone(now.Bytes())
	after, err := readBenchmarks(&now, "now")
	if err != nil {
		return err
	}
	if len(after) == 0 {
		return errors.New("no benchmark ran")
	}
	worse := compareBenchmarks(out, before, after)
	if worse > 0 && o.Note == "" {
		return fmt.Errorf("%d worse by more than %.0f %%: mend it, or run again with --write and a --note that says why", worse, 100*benchWorse)
	}
	if !o.Write {
		return nil
	}
	if o.Note != "" {
		kept = append(kept, fmt.Sprintf("# %s, %d worse: %s", time.Now().Format(time.DateOnly), worse, o.Note))
	}
	head := "# Written by `go run ./cmd/trials bench --write`; readable by `go tool benchstat`.\n"
	if len(kept) > 0 {
		head += strings.Join(kept, "\n") + "\n"
	}
	return os.WriteFile(o.File, append([]byte(head), text...), 0o644)
}

// goTest runs the benchmarks of the module in dir.
func (o *benchOptions) goTest(ctx context.Context, dir string, count int, out, progress io.Writer) error {
	args := []string{"test", "-run", "^$", "-bench", o.Only, "-skip", benchSkip, "-benchmem", "-benchtime", o.Time, fmt.Sprint("-count=", count), "-p", "1"}
	cmd := exec.CommandContext(ctx, "go", append(args, benchPackages...)...)
	cmd.Dir, cmd.Stderr = dir, progress
	var all bytes.Buffer
	cmd.Stdout = &all
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("go test -bench in %s: %w\n%s", dir, err, tail(all.Bytes(), 2000))
	}
	// Packages without benchmarks only say so.
	for line := range bytes.Lines(all.Bytes()) {
		if !bytes.HasPrefix(line, []byte("ok ")) && !bytes.HasPrefix(line, []byte("?")) && !bytes.HasPrefix(line, []byte("PASS")) {
			if _, err := out.Write(line); err != nil {
				return err
			}
		}
	}
	return nil
}

func tail(b []byte, n int) []byte { return b[max(0, len(b)-n):] }

// checkout makes a folder with a commit's files.
func checkout(ctx context.Context, commit string) (dir string, clean func(), err error) {
	parent, err := os.MkdirTemp("", "trials-before-")
	if err != nil {
		return "", nil, err
	}
	dir = filepath.Join(parent, "tree")
	git := func(ctx context.Context, args ...string) error {
		if out, err := exec.CommandContext(ctx, "git", args...).CombinedOutput(); err != nil {
			return fmt.Errorf("git %s: %w: %s", args[0], err, bytes.TrimSpace(out))
		}
		return nil
	}
	if err := git(ctx, "worktree", "add", "--detach", dir, commit); err != nil {
		_ = os.RemoveAll(parent)
		return "", nil, err
	}
	return dir, func() {
		_ = git(context.WithoutCancel(ctx), "worktree", "remove", "--force", dir)
		_ = os.RemoveAll(parent)
	}, nil
}

// benchNotes are the notes that a file of figures keeps.
func benchNotes(data []byte) []string {
	var out []string
	for line := range strings.Lines(string(data)) {
		if strings.HasPrefix(line, "# 2") { // a date
			out = append(out, strings.TrimSpace(line))
		}
	}
	return out
}

// benchKey names one figure of one benchmark.
type benchKey struct{ pkg, name, unit string }

func (k benchKey) String() string { return k.pkg + " " + k.name }

type benchFigures struct {
	cpu    string
	values []float64
}

// readBenchmarks gathers the figures of every benchmark; of units only time, bytes and allocations.
func readBenchmarks(r io.Reader, name string) (map[benchKey]*benchFigures, error) {
	out := map[benchKey]*benchFigures{}
	reader := benchfmt.NewReader(r, name)
	for reader.Scan() {
		res, ok := reader.Result().(*benchfmt.Result)
		if !ok {
			continue // a line that is no result
		}
		for _, v := range res.Values {
			if v.Unit != "sec/op" && v.Unit != "B/op" && v.Unit != "allocs/op" {
				continue
			}
			k := benchKey{res.GetConfig("pkg"), string(res.Name.Full()), v.Unit}
			if out[k] == nil {
				out[k] = &benchFigures{cpu: res.GetConfig("cpu")}
			}
			out[k].values = append(out[k].values, v.Value)
		}
	}
	return out, reader.Err()
}

// compareBenchmarks prints what is worse and returns how many figures are.
func compareBenchmarks(out io.Writer, before, after map[benchKey]*benchFigures) (worse int) {
	keys := make([]benchKey, 0, len(after))
	for k := range after {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b benchKey) int {
		return strings.Compare(a.String()+a.unit, b.String()+b.unit)
	})
	names, added, others, better := 0, 0, 0, 0
	for _, k := range keys {
		now, was := after[k], before[k]
		time := k.unit == "sec/op"
		if time {
			names++
		}
		if was == nil {
			if time {
				added++
			}
			continue
		}
		if time && was.cpu != now.cpu {
			others++
			continue
		}
		a, b := benchmath.NewSample(was.values, &benchmath.DefaultThresholds), benchmath.NewSample(now.values, &benchmath.DefaultThresholds)
		x, y := benchmath.AssumeNothing.Summary(a, 0.95).Center, benchmath.AssumeNothing.Summary(b, 0.95).Center
		p := benchmath.AssumeNothing.Compare(a, b).P
		chance := time && p >= 0.05
		if y < x*(1-benchWorse) && !chance {
			better++
		}
		// Less than one allocation, or 64 bytes, is what a run's length rounds to.
		least := map[string]float64{"B/op": 64, "allocs/op": 1}[k.unit]
		if y <= x*(1+benchWorse) || y-x < least || chance {
			continue
		}
		worse++
		fmt.Fprintf(out, "worse: %s: %s before, %s now (%s, p %.3f)\n", k, benchValue(x, k.unit), benchValue(y, k.unit), benchChange(x, y), p)
	}
	fmt.Fprintf(out, "%d benchmarks, %d of them new; %d figures worse by more than %.0f %%, %d better\n", names, added, worse, 100*benchWorse, better)
	if others > 0 {
		fmt.Fprintf(out, "the times of %d are of another processor and were not compared; --before COMMIT takes those of a commit here\n", others)
	}
	return worse
}

func benchValue(v float64, unit string) string {
	if unit == "sec/op" {
		return time.Duration(v * 1e9).String()
	}
	return fmt.Sprintf("%.0f %s", v, unit)
}

func benchChange(x, y float64) string {
	if x == 0 {
		return "from none"
	}
	return fmt.Sprintf("%+.0f %%", 100*(y/x-1))
}
