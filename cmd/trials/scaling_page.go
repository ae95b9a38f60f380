package main

import (
	"fmt"
	"image/color"
	"os"
	"path/filepath"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
)

// scalingPage tells in words and tables how cost grows, and why it bends where it does.
func scalingPage(res *scalingResult, plots string) (string, error) {
	var b strings.Builder
	fmt.Fprintf(&b, "## How cost grows\n\nMeasured, not simulated: times of one machine with %d cores, on made-up readings. What matters here is their shape. ", res.Cores)
	b.WriteString("A cost that is a straight line through nought grows with the power 1 of the number, one that does not depend on it with the power 0. Grey dashes in a plot are the straight line, or the level, through a curve's last point.\n")
	for _, p := range []struct {
		name, heading, before string
		after                 func(*scaleTable) string
	}{
		{"patches", "Patches of a chart", "One reading of CIE L\\*a\\*b\\* without strips, no bus; processor time. *Make ready* is what a worker does once for each stored baseline that it judges by.", patchBends},
		{"strips", "Strips of a chart", "The same with strips of 2,700 samples beside 400 patches, going round four inks.", stripBends},
		{"series", "Printing conditions of one printer", "A worker and its bus in one process, waiting for no disk; readings of 400 patches, one condition after the other. Every condition has a baseline of its own. *First reading* is the first of a condition since the worker started, which reads and makes ready its baseline; it and the next ones are told in processor time. Memory is live heap of worker and bus.", seriesBends},
		{"printers", "Printers of one worker", "The same over printers of one condition each. Readings come from at most 400 of them in turn; the others only stand in the store.", printerBends},
		{"history", "Verdicts in the store", "A year of verdicts, 1,000 a printer, looked back on while a worker runs on the store. *Rows made* is what happens once where the short rows beside the records are missing.", historyBends},
	} {
		t := res.table(p.name)
		if t == nil {
			continue
		}
		fmt.Fprintf(&b, "\n### %s\n\n%s\n\n", p.heading, p.before)
		t.markdown(&b)
		b.WriteString(p.after(t) + "\n")
		if plots == "" {
			continue
		}
		name, err := drawScaling(plots, t)
		if err != nil {
			return "", err
		}
		fmt.Fprintf(&b, "\n![Cost by %s](%s)\n", t.By, name)
	}
	if len(res.Stored) > 0 {
		storedPart(&b, res.Stored)
	}
	return b.String(), nil
}

func patchBends(t *scaleTable) string {
	return fmt.Sprintf("Over the last tenfold decoding grows with the power %.2f and judging with %.2f. "+
		"Writing the record does not grow (power %.2f): it holds figures of the chart, not of patches. "+
		"Learning bends: the smooth surface that tells what each ink does is laid through at most 700 patches, at a cost with the cube of those, "+
		"so that learning climbs steeply up to there (%.0f ms at 400, %.0f ms at 800) and is a straight line beyond (power %.2f over the last fourfold). "+
		"Making ready has a part that patches do not matter to, %.0f ms: limits are looked for that keep the promised rate of false alarms.",
		t.power("decode, ms", 10), t.power("judge, ms", 10), t.power("write record, ms", 10),
		t.at("learn from 10, ms", 400), t.at("learn from 10, ms", 800), t.power("learn from 10, ms", 4), t.at("make ready, ms", 50))
}

func stripBends(t *scaleTable) string {
	return fmt.Sprintf("From 4 to 32 strips judging grows with the power %.2f and decoding with %.2f: 400 patches stand beside them. "+
		"The strips of one ink are put on top of each other before they are searched, so that from four strips on, "+
		"when every ink has one, a further strip costs no further search.",
		t.power("judge, ms", 8), t.power("decode, ms", 8))
}

func seriesBends(t *scaleTable) string {
	const most = 100 // conditions of one printer that its alert state remembers
	each := (t.at("record, KB", most) - t.at("record, KB", 1)) / (most - 1)
	return fmt.Sprintf("A record carries the alert state of its whole printer, so that the newest one alone brings a worker back: %.2f KB for each condition. "+
		"Up to the %d conditions heard of last, which a printer remembers, the record is a straight line, and a store that takes readings of all of them "+
		"grows with their square; beyond it grows no more. %s",
		each, most, readyBend(t, 100, 200))
}

// readyBends is the bend that both tables of a shop have.
const readyBends = "A worker keeps baselines ready within half of its soft limit of memory, which was 192 MB here as it is where nobody says otherwise " +
	"(`run --memory`): some 170 of 400 patches and one layout. Where more take turns, which one is ready is left to chance, and the others cost what a first reading costs: " +
	"%.1f ms a reading at %d conditions, %.1f ms at %d."

func readyBend(t *scaleTable, few, many int) string {
	return fmt.Sprintf(readyBends, t.at("next ones, ms", float64(few)), few, t.at("next ones, ms", float64(many)), many)
}

func printerBends(t *scaleTable) string {
	return readyBend(t, 100, 400) + fmt.Sprintf(" From there on a reading costs little more, whatever else stands in the store (%.1f ms at 10,000 printers). "+
		"At its start a worker reads the newest record of every printer, so that starting is a straight line (power %.2f over the last tenfold).",
		t.at("next ones, ms", 10_000), t.power("start, s", 10))
}

func historyBends(t *scaleTable) string {
	return fmt.Sprintf("A printer's year is found through the index of the rows by printer: tenfold the store takes it from %.0f to %.0f ms. "+
		"The list of printers takes the newest record of each and grows with the printers (power %.2f).",
		t.Y[0][5], t.Y[len(t.Y)-1][5], t.power("list of printers, ms", 5))
}

func storedPart(b *strings.Builder, sizes []storedSize) {
	b.WriteString("\n### What a reading leaves in the store\n\nMessages of one printer with one condition, with all that the bus adds to each; the folder is everything on disk over the number of readings.\n\n" +
		"| reading | inbox, KB | record, KB | row, KB | folder, KB | baseline of the condition, KB |\n|---|---|---|---|---|---|\n")
	for _, s := range sizes {
		fmt.Fprintf(b, "| %s | %.1f | %.1f | %.2f | %.1f | %.0f |\n", s.Kind, s.Inbox/1000, s.Record/1000, s.Row/1000, s.Folder/1000, s.Baseline/1000)
	}
}

// drawScaling draws the costs of a table, both axes logarithmic, each with the straight line (grey) or the
// level through its first point that was expected of it.
func drawScaling(dir string, t *scaleTable) (string, error) {
	p := plot.New()
	p.Title.Text, p.X.Label.Text, p.Y.Label.Text = "Cost by "+t.By+" (measured)", t.By, "in the unit beside each name"
	p.X.Scale, p.Y.Scale = plot.LogScale{}, plot.LogScale{}
	p.X.Tick.Marker, p.Y.Tick.Marker = plot.LogTicks{Prec: -1}, plot.LogTicks{Prec: -1}
	p.Add(plotter.NewGrid())
	k := 0
	for _, c := range t.Cols {
		x, y := t.column(c.Name)
		if !c.Plot || len(x) < 2 {
			continue
		}
		xy, want := make(plotter.XYs, len(x)), make(plotter.XYs, len(x))
		for i := range x {
			xy[i].X, xy[i].Y = x[i], y[i]
			want[i].X, want[i].Y = x[i], y[len(y)-1]
			if c.Line {
				want[i].Y *= x[i] / x[len(x)-1]
			}
		}
		line, points, err := plotter.NewLinePoints(xy)
		if err != nil {
			return "", err
		}
		line.Color, line.Width = lineColours[k%len(lineColours)], vg.Points(1.5)
		points.Color, points.Shape = line.Color, draw.CircleGlyph{}
		ideal, err := plotter.NewLine(want)
		if err != nil {
			return "", err
		}
		ideal.Color, ideal.Dashes = color.Gray{160}, []vg.Length{vg.Points(4), vg.Points(3)}
		p.Add(ideal, line, points)
		p.Legend.Add(c.Name, line, points)
		k++
	}
	// The names stand beside the picture, not on the lines.
	const wide, high, names = 22 * vg.Centimeter, 11 * vg.Centimeter, 6 * vg.Centimeter
	img := vgimg.New(wide, high)
	dc := draw.New(img)
	neat(p)
	p.Legend.Top, p.Legend.Left = true, true
	legend := p.Legend
	p.Legend = plot.NewLegend()
	p.Draw(draw.Crop(dc, margin, -names, margin, -margin))
	legend.Draw(draw.Crop(dc, wide-names+2*margin, 0, 0, -vg.Centimeter))
	file := filepath.Join(dir, "scaling-"+t.Name+".png")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", err
	}
	f, err := os.Create(file)
	if err != nil {
		return "", err
	}
	if _, err := (vgimg.PngCanvas{Canvas: img}).WriteTo(f); err != nil {
		_ = f.Close()
		return "", err
	}
	return filepath.ToSlash(filepath.Join(filepath.Base(dir), filepath.Base(file))), f.Close()
}
