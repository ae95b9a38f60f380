package picture

import (
	"fmt"
	"strings"
	"unicode"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"

	"swathkeeper/protocol"
)

// Clearest is the channel whose folded profile is worth drawing: the one named, or the one with the
// clearest line if channel is empty. It is nil when there is none.
func Clearest(b *protocol.Banding, channel string) *protocol.BandingChannel {
	if b == nil {
		return nil
	}
	var ch *protocol.BandingChannel
	for i := range b.Channels {
		k := &b.Channels[i]
		if len(k.Profile) < 2 || channel != "" && k.Channel != channel {
			continue
		}
		if ch == nil || k.Score > ch.Score {
			ch = k
		}
	}
	return ch
}

// Profile draws a channel's traces folded over one paper step, in the traces' own unit. title is
// one line for people.
func Profile(title string, ch *protocol.BandingChannel) ([]byte, error) {
	if ch == nil || len(ch.Profile) < 2 || !finite(ch.Profile...) {
		return nil, ErrNothing
	}
	period, unit := 1.0, "part of one paper step"
	for _, l := range ch.Lines {
		if l.PeriodMM > 0 && finite(l.PeriodMM) {
			period, unit = l.PeriodMM, "mm along the paper step"
			break
		}
	}
	xy := make(plotter.XYs, len(ch.Profile))
	for i, y := range ch.Profile {
		xy[i].X, xy[i].Y = (float64(i)+0.5)/float64(len(ch.Profile))*period, y
	}
	line, err := plotter.NewLine(xy)
	if err != nil {
		return nil, err
	}
	line.Width, line.Color = vg.Points(1.5), channelColour(ch.Channel)
	p := plot.New()
	p.Title.Text, p.X.Label.Text, p.Y.Label.Text = title, unit, "lighter     darker"
	p.Add(plotter.NewGrid(), line)
	return Plotted(p)
}

// Inks draws how much stronger or weaker each channel is than in the baseline.
func Inks(title string, c *protocol.Colour) ([]byte, error) {
	if c == nil || len(c.Channels) == 0 || len(c.Channels) > 16 {
		return nil, ErrNothing
	}
	p := plot.New()
	var names []string
	width := vg.Points(min(30, 260/float64(len(c.Channels))))
	for i, ch := range c.Channels {
		if !finite(ch.StrengthPercent) {
			return nil, ErrNothing
		}
		bar, err := plotter.NewBarChart(plotter.Values{ch.StrengthPercent}, width)
		if err != nil {
			return nil, err
		}
		bar.XMin, bar.Color, bar.LineStyle.Width = float64(i), channelColour(ch.Channel), vg.Points(0.5)
		p.Add(bar)
		names = append(names, fmt.Sprintf("%s %+.1f %%", short(ch.Channel), ch.StrengthPercent))
	}
	p.NominalX(names...)
	p.X.Min, p.X.Max = -0.6, float64(len(names))-0.4
	zero := plotter.NewFunction(func(float64) float64 { return 0 })
	zero.Width = vg.Points(0.75)
	p.Add(zero)
	// Two per cent at least, so that nothing looks large that is not.
	p.Y.Min, p.Y.Max = min(p.Y.Min, -2), max(p.Y.Max, 2)
	p.Title.Text, p.Y.Label.Text = title, "%, weaker or stronger"
	return Plotted(p)
}

// short makes a channel's name fit under its bar.
func short(s string) string {
	s = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return -1
		}
		return r
	}, s)
	if r := []rune(s); len(r) > 6 {
		s = string(r[:5]) + "…"
	}
	return s
}
