package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"sync"

	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
)

// controlLine counts what happened while nothing was wrong.
type controlLine struct {
	world            colourWorld
	sd               float64
	baseline         int
	readings         int
	acts, alerts     int
	actsOf, alertsOf []int // by baseline
	runs             []int // readings to the first act of each baseline
}

// rate is the share of readings with its standard error over baselines: alarms of one shop come in
// runs, so readings are not independent.
func rate(of []int, each int) (p, se float64) {
	n := float64(len(of))
	var sum, sq float64
	for _, k := range of {
		x := float64(k) / float64(each)
		sum += x
		sq += x * x
	}
	p = sum / n
	if n > 1 {
		se = math.Sqrt(max(0, sq/n-p*p) / (n - 1))
	}
	return p, se
}

func controlTrial(ctx context.Context, o colourOptions, plots string, s *strings.Builder) error {
	var lines []*controlLine
	for _, w := range []colourWorld{steadyWorld, variedWorld} {
		first := len(lines)
		for _, n := range controlBaselines {
			for _, sd := range []float64{0.5, 1, 2} {
				lines = append(lines, &controlLine{world: w, sd: sd, baseline: n})
			}
		}
		for _, sd := range []float64{0.5, 1, 2} {
			var alike []*controlLine
			for _, l := range lines[first:] {
				if l.sd == sd {
					alike = append(alike, l)
				}
			}
			if err := controlLines(ctx, o, alike); err != nil {
				return err
			}
		}
	}
	s.WriteString("\n### In control\n\nReadings called `act` (or `stop`) while nothing is wrong. Goal: at most 1 in 740 after 10 readings, 1 in 400 after 5, none after 3.\n" +
		"An alert needs two such readings among three in a row. Strength sd is that of one channel's tints from day to day.\n\n" +
		"| world | baseline | strength sd, % | readings | act | one in | 95 % interval | alerts | one in |\n|---|---|---|---|---|---|---|---|---|\n")
	for _, l := range lines {
		p, se := rate(l.actsOf, o.Readings)
		a, _ := rate(l.alertsOf, o.Readings)
		fmt.Fprintf(s, "| %s | %d | %g | %d | %d | %s | %s | %d | %s |\n", l.world.name, l.baseline, l.sd, l.readings, l.acts, oneIn(p), interval(p, se, l.readings), l.alerts, oneIn(a))
	}
	return controlPlot(lines, o, plots, s)
}

// controlBaselines are the numbers of readings that baselines are learned from, the most last.
var controlBaselines = []int{3, 5, 10}

// controlLines runs lines of one world and one spread. Their shops are the same printers, so that every
// chart is printed once for all of them: a line with a smaller baseline begins to judge earlier.
func controlLines(ctx context.Context, o colourOptions, lines []*controlLine) error {
	n := o.Baselines
	for _, l := range lines {
		l.actsOf, l.alertsOf, l.runs = make([]int, n), make([]int, n), make([]int, n)
	}
	world, sd := lines[0].world, lines[0].sd
	return parallel(ctx, n, func(k int) error {
		shop, err := madeup.NewShop(o.Seed*1000003+uint64(k), world.config(k, sd))
		if err != nil {
			return err
		}
		var read madeup.Reading
		var samples []drift.Sample
		for day := range controlBaselines[len(controlBaselines)-1] + o.Readings {
			if err := shop.ReadInto(&read, madeup.Occasion{Day: day}, madeup.Faults{}); err != nil {
				return err
			}
			samples = append(samples, drift.Sample{Lab: slices.Clone(read.Lab), Day: date(day)})
		}
		chart := drift.Chart(*shop.Chart())
		for _, l := range lines {
			if err := l.run(k, o, chart, samples[:l.baseline+o.Readings]); err != nil {
				return err
			}
		}
		return nil
	})
}

// run learns shop k's baseline from the first samples and judges the rest.
func (l *controlLine) run(k int, o colourOptions, chart drift.Chart, samples []drift.Sample) error {
	base, err := drift.Learn(chart, samples[:l.baseline], drift.Options{})
	if err != nil {
		return err
	}
	model, err := base.Prepare()
	if err != nil {
		return err
	}
	var state drift.State
	var acting []bool
	first, acted, alerts, open := o.Readings+1, 0, 0, false
	for i, smp := range samples[l.baseline:] {
		var r drift.Result
		if r, state, err = model.Judge(smp, state); err != nil {
			return err
		}
		a := acts(&r)
		acting = append(acting, a)
		if a {
			acted++
			first = min(first, i+1)
		}
		recent := 0
		for j := max(0, i-2); j <= i; j++ {
			if acting[j] {
				recent++
			}
		}
		if recent >= 2 && !open {
			alerts++
		}
		open = recent >= 2 || open && recent > 0
	}
	controlMu.Lock()
	defer controlMu.Unlock()
	l.readings += o.Readings
	l.acts += acted
	l.alerts += alerts
	l.actsOf[k], l.alertsOf[k], l.runs[k] = acted, alerts, first
	return nil
}

// controlMu guards the sums of all lines.
var controlMu sync.Mutex

func oneIn(p float64) string {
	if p == 0 {
		return "none"
	}
	return fmt.Sprintf("%.0f", 1/p)
}

// interval is that of the rate as "one in"; with no event the rule of three.
func interval(p, se float64, n int) string {
	if p == 0 {
		return fmt.Sprintf("over %d", n/3)
	}
	high := fmt.Sprintf("%.0f", 1/(p+1.96*se))
	if low := p - 1.96*se; low > 0 {
		return fmt.Sprintf("%s to %.0f", high, 1/low)
	}
	return "over " + high
}

// controlPlot draws the share of shops without a false act against the number of readings.
func controlPlot(lines []*controlLine, o colourOptions, plots string, s *strings.Builder) error {
	if plots == "" {
		return nil
	}
	var curves []colourCurve
	for _, l := range lines {
		if l.baseline != 10 {
			continue
		}
		runs := append([]int(nil), l.runs...)
		sort.Ints(runs)
		c := colourCurve{name: fmt.Sprintf("%s, sd %g %%", l.world.name, l.sd), dashed: l.world.varied}
		for i := 0; i <= o.Readings; i++ {
			k := sort.SearchInts(runs, i+1)
			c.x = append(c.x, float64(i))
			c.y = append(c.y, 100*(1-float64(k)/float64(len(runs))))
		}
		curves = append(curves, c)
	}
	budget := colourCurve{name: "1 in 740", grey: true}
	for i := 0; i <= o.Readings; i++ {
		budget.x = append(budget.x, float64(i))
		budget.y = append(budget.y, 100*math.Pow(1-1.0/740, float64(i)))
	}
	name, err := drawCurves(plots, "colour-control.png", "In control, baseline of 10: shops without a false act (simulated)", "readings", "%", append(curves, budget), 60, 100)
	if err != nil {
		return err
	}
	fmt.Fprintf(s, "\n![Shops without a false act](%s)\n", name)
	return nil
}
