package main

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"

	"swathkeeper/measure/drift"
	"swathkeeper/measure/madeup"
)

// settingsGoal is how near to the best reachable counts as found.
const settingsGoal = 1.15

// within gives the share of runs, in percent, whose settings after j prints are within the goal.
func withinGoal(runs []settingsRun, j int, curve func(settingsRun) []float64) float64 {
	n := 0.0
	for _, r := range runs {
		if curve(r)[j-1] <= settingsGoal*r.Floor {
			n++
		}
	}
	return 100 * n / float64(max(1, len(runs)))
}

func bySearch(r settingsRun) []float64 { return r.Search }
func byPerson(r settingsRun) []float64 { return r.Person }
func byKnown(r settingsRun) []float64  { return r.Known }
func bySlopes(r settingsRun) []float64 { return r.Slopes }

func settingsPage(b *strings.Builder, o settingsOptions, runs []settingsRun, plots string) error {
	fmt.Fprintf(b, `## Settings

Simulated. Made-up drivers (`+"`measure/madeup`"+`, type Panel) of four kinds, whose arithmetic the search does not know and is not shaped
after, with five or six coupled sliders in whole steps, on shops of varied physics. Each starts from settings whose chart is 8 to 12 (mean
CIEDE2000) from that under the best settings. Aims by turns: the default (for charts driven by RGB the screen's colours mapped to the fabric and
brought within reach of a first print; for ink the table of another printer with other inks), or a reading of an earlier batch of the same
printer with other lots of ink and goods. *Best reachable* is the smallest mean difference from the aim that a print measures on average, at
the best settings known to an oracle that sees the hidden driver; the wrong settings' own print counts as the first. What counts after n
prints is the print that the search says to keep. The person turns one slider at a time, with the same instrument.

| drivers | aim | shops | best reachable, dE00 | after 3 | **after 4** | after 5 | **after 6** | person after 4 | after 6 | after %d |
|---|---|---|---|---|---|---|---|---|---|---|
`, o.Prints)
	line := func(name, aim string, runs []settingsRun) {
		if len(runs) == 0 {
			return
		}
		var floors []float64
		for _, r := range runs {
			floors = append(floors, r.Floor)
		}
		fmt.Fprintf(b, "| %s | %s | %d | %.1f to %.1f |", name, aim, len(runs), slices.Min(floors), slices.Max(floors))
		for _, j := range []int{3, 4, 5, 6} {
			mark := ""
			if j == 4 || j == 6 {
				mark = "**"
			}
			fmt.Fprintf(b, " %s%.1f %%%s |", mark, withinGoal(runs, j, bySearch), mark)
		}
		for _, j := range []int{4, 6, o.Prints} {
			fmt.Fprintf(b, " %.1f %% |", withinGoal(runs, j, byPerson))
		}
		b.WriteString("\n")
	}
	pick := func(kind madeup.PanelKind, aim string) (out []settingsRun) {
		for _, r := range runs {
			if (kind == "" || r.Kind == kind) && (aim == "" || r.Aim == aim) {
				out = append(out, r)
			}
		}
		return out
	}
	line("all", "all", runs)
	for _, aim := range []string{aimDefault, aimBatch} {
		line("all", aim, pick("", aim))
	}
	for _, kind := range madeup.PanelKinds() {
		for _, aim := range []string{aimDefault, aimBatch} {
			line(string(kind), aim, pick(kind, aim))
		}
	}
	fmt.Fprintf(b, "\nWithin 1.15 times the best reachable. Goal: 90 %% after 4 prints, 99 %% after 6.\n\n")
	settingsBound(b, pick("", aimBatch))
	settingsExcess(b, o, "all", runs)
	for _, aim := range []string{aimDefault, aimBatch} {
		settingsExcess(b, o, aim, pick("", aim))
	}
	settingsStops(b, runs)
	if plots != "" {
		path, err := settingsPlot(plots, o, runs)
		if err != nil {
			return err
		}
		fmt.Fprintf(b, "\n![Difference from the aim by prints](%s)\n", path)
	}
	fmt.Fprintf(b, "\nSeed %d, shops %d to %d.\n", o.Seed, o.From, o.From+o.Shops-1)
	return nil
}

// settingsBound tells how far knowledge that no search has would come.
func settingsBound(b *strings.Builder, runs []settingsRun) {
	if len(runs) == 0 {
		return
	}
	var room, noise []float64
	for _, r := range runs {
		room, noise = append(room, (settingsGoal-1)*r.Floor), append(noise, r.Noise)
	}
	fmt.Fprintf(b, `Where the aim is an earlier batch, little more is left at the best settings than the noise of prints: within 1.15 times means
no more than %.2f dE00 above the best in the median shop, while single prints under those settings measure with a standard deviation of %.2f. Two observers show what that asks for. Both see the shop only through noisy prints, as the search does.
One knows the hidden driver, inks and goods outright, but for the wander of its days. The other knows the driver's exact slopes at every
print, for every patch, and follows them as Gauss and Newton do; a search has to learn those slopes from its two or three prints.

| aim earlier batch, %d shops | after 2 | after 3 | **after 4** | after 5 | **after 6** |
|---|---|---|---|---|---|
`, drift.Quantile(room, 0.5), drift.Quantile(noise, 0.5), len(runs))
	for _, l := range []struct {
		name  string
		curve func(settingsRun) []float64
	}{{"search", bySearch}, {"knows the exact slopes", bySlopes}, {"knows the driver", byKnown}} {
		fmt.Fprintf(b, "| %s |", l.name)
		for j := 2; j <= boundPrints; j++ {
			mark := ""
			if j == 4 || j == 6 {
				mark = "**"
			}
			fmt.Fprintf(b, " %s%.1f %%%s |", mark, withinGoal(runs, j, l.curve), mark)
		}
		b.WriteString("\n")
	}
	b.WriteString("\n")
}

// settingsExcess tells how far above the best reachable the settings are, print by print.
func settingsExcess(b *strings.Builder, o settingsOptions, name string, runs []settingsRun) {
	if len(runs) == 0 {
		return
	}
	fmt.Fprintf(b, "Mean dE00 above the best reachable, aim %s, %d shops:\n\n| prints |", name, len(runs))
	for j := range o.Prints {
		fmt.Fprintf(b, " %d |", j+1)
	}
	b.WriteString("\n|---|" + strings.Repeat("---|", o.Prints) + "\n")
	for _, c := range []struct {
		name  string
		q     float64
		curve func(settingsRun) []float64
	}{{"search, median", 0.5, bySearch}, {"search, worst tenth", 0.9, bySearch}, {"person, median", 0.5, byPerson}, {"person, worst tenth", 0.9, byPerson}} {
		fmt.Fprintf(b, "| %s |", c.name)
		for j := range o.Prints {
			var over []float64
			for _, r := range runs {
				over = append(over, c.curve(r)[j]-r.Floor)
			}
			fmt.Fprintf(b, " %.2f |", drift.Quantile(over, c.q))
		}
		b.WriteString("\n")
	}
	b.WriteString("\n")
}

// settingsStops tells when searches end, and how well differences are foretold.
func settingsStops(b *strings.Builder, runs []settingsRun) {
	stopped, good, sum, n := 0, 0, 0.0, 0
	doubted, searches, spoilt, caught := 0, 0, 0, 0
	var within [2]int
	var prints []float64
	for _, r := range runs {
		if r.Stopped > 0 {
			stopped++
			prints = append(prints, float64(r.Stopped))
			if r.StoppedDE <= settingsGoal*r.Floor {
				good++
			}
		}
		doubted, spoilt, caught = doubted+r.Suspected, spoilt+r.Spoilt, caught+r.Caught
		if r.Suspected > 0 {
			searches++
		}
		sum += r.Foretold
		n += r.Foretellings
		for k := range within {
			within[k] += r.Within[k]
		}
	}
	if stopped > 0 {
		fmt.Fprintf(b, "Of %d searches %d ended by themselves, after %.0f prints in the median; %d of those were then within 1.15 times the best reachable. ",
			len(runs), stopped, drift.Quantile(prints, 0.5), good)
	}
	fmt.Fprintf(b, "Prints in order that were doubted: %d, in %d of %d searches. ", doubted, searches, len(runs))
	if spoilt > 0 {
		fmt.Fprintf(b, "Where the fourth print was pressed 45 degrees too cold for 20 s too short, it was doubted in %.0f %% of %d. ", 100*float64(caught)/float64(spoilt), spoilt)
	}
	all := float64(max(1, n))
	fmt.Fprintf(b, "Of %d foretold differences %.0f %% were within one standard error of what was then measured and %.0f %% within two\n"+
		"(68 and 95 %% if all were normal); root mean square %.1f.\n", n, 100*float64(within[0])/all, 100*float64(within[1])/all, math.Sqrt(sum/all))
}

// settingsPlot draws the difference above the best reachable by prints made.
func settingsPlot(dir string, o settingsOptions, runs []settingsRun) (string, error) {
	p := plot.New()
	p.Title.Text, p.X.Label.Text, p.Y.Label.Text = "Settings found (simulated)", "prints made", "mean dE00 above the best reachable"
	p.Y.Min, p.Y.Max = 0, 14
	p.Legend.Top = true
	p.Add(plotter.NewGrid())
	for i, c := range []struct {
		name  string
		q     float64
		curve func(settingsRun) []float64
	}{{"search, median", 0.5, bySearch}, {"search, worst tenth", 0.9, bySearch},
		{"one slider at a time, median", 0.5, byPerson}, {"one slider at a time, worst tenth", 0.9, byPerson}} {
		xy := make(plotter.XYs, o.Prints)
		for j := range xy {
			var over []float64
			for _, r := range runs {
				over = append(over, c.curve(r)[j]-r.Floor)
			}
			xy[j].X, xy[j].Y = float64(j+1), drift.Quantile(over, c.q)
		}
		l, err := plotter.NewLine(xy)
		if err != nil {
			return "", err
		}
		l.Width, l.Color = vg.Points(1.5), lineColours[i/2]
		if i%2 == 1 {
			l.Dashes = []vg.Length{vg.Points(5), vg.Points(3)}
		}
		p.Add(l)
		p.Legend.Add(c.name, l)
	}
	return save(p, dir, "settings.png", 16*vg.Centimeter, 10*vg.Centimeter)
}
