package chat

import (
	"bytes"
	"fmt"
	"image/color"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"

	"swathkeeper/protocol"
	"swathkeeper/worker/alert"
)

// takesPicture reports whether a service shows a picture beside the text.
func takesPicture(s service) bool {
	switch s.(type) {
	case *discord, *telegram, *mailer:
		return true
	}
	return false
}

// Size of a picture in pixels, small enough for every service and a phone.
const (
	pictureWidth  = 640
	pictureHeight = 320
)

// picture draws, as PNG, what a change is about: for lines, the profile of the ink folded over one
// paper step; for colours, how far each channel is from its baseline. It gives nil when the change
// asks for nothing, when the verdict holds no such data, or when it cannot be drawn: a message goes
// out without a picture rather than not at all.
func picture(rec *protocol.Record, c protocol.Change) []byte {
	v := rec.Verdict
	if v == nil || ended(c.Change) {
		return nil
	}
	var p *plot.Plot
	switch c.Advice {
	case protocol.AdviceClean, protocol.AdviceFeed:
		p = profilePlot(v.Banding, c.Channel)
	case protocol.AdviceInk, protocol.AdvicePress, protocol.AdviceRefit, protocol.AdviceSettings:
		p = channelPlot(v.Colour)
	}
	if p == nil {
		return nil
	}
	p.Title.Text = where(rec.Site, rec.Printer) + ": " + p.Title.Text
	for _, f := range []*font.Font{&p.Title.TextStyle.Font, &p.X.Label.TextStyle.Font, &p.Y.Label.TextStyle.Font, &p.X.Tick.Label.Font, &p.Y.Tick.Label.Font} {
		f.Size = vg.Points(11)
	}
	canvas := vgimg.NewWith(vgimg.UseWH(pictureWidth*vg.Inch/96, pictureHeight*vg.Inch/96), vgimg.UseDPI(96))
	p.Draw(draw.Crop(draw.New(canvas), vg.Points(6), -vg.Points(10), vg.Points(6), -vg.Points(6)))
	var b bytes.Buffer
	if _, err := (vgimg.PngCanvas{Canvas: canvas}).WriteTo(&b); err != nil {
		return nil
	}
	return b.Bytes()
}

// profilePlot draws the folded profile of the channel; of the one with the clearest line, if
// channel is empty.
func profilePlot(b *protocol.Banding, channel string) *plot.Plot {
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
	if ch == nil || !finite(ch.Profile...) {
		return nil
	}
	p := plot.New()
	period, unit := 1.0, "of one paper step"
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
		return nil
	}
	line.Width, line.Color = vg.Points(1.5), channelColour(ch.Channel)
	p.Title.Text = clip(clean(alert.ChannelName(ch.Channel)), 20) + " over one paper step"
	p.X.Label.Text, p.Y.Label.Text = unit, "lighter or darker"
	p.Add(plotter.NewGrid(), line)
	return p
}

// channelPlot draws how much stronger or weaker each channel is.
func channelPlot(c *protocol.Colour) *plot.Plot {
	if c == nil || len(c.Channels) == 0 || len(c.Channels) > 16 {
		return nil
	}
	p := plot.New()
	var names []string
	width := vg.Points(min(30, 260/float64(len(c.Channels))))
	for i, ch := range c.Channels {
		if !finite(ch.StrengthPercent) {
			return nil
		}
		bar, err := plotter.NewBarChart(plotter.Values{ch.StrengthPercent}, width)
		if err != nil {
			return nil
		}
		bar.XMin, bar.Color, bar.LineStyle.Width = float64(i), channelColour(ch.Channel), vg.Points(0.5)
		p.Add(bar)
		names = append(names, fmt.Sprintf("%s %+.1f %%", clip(clean(ch.Channel), 6), ch.StrengthPercent))
	}
	p.NominalX(names...)
	p.X.Min, p.X.Max = -0.6, float64(len(names))-0.4
	zero := plotter.NewFunction(func(float64) float64 { return 0 })
	zero.Width = vg.Points(0.75)
	p.Add(zero)
	// Two per cent at least, so that nothing looks large that is not.
	p.Y.Min, p.Y.Max = min(p.Y.Min, -2), max(p.Y.Max, 2)
	p.Title.Text, p.Y.Label.Text = "ink against the baseline", "%, weaker or stronger"
	return p
}

func finite(vs ...float64) bool {
	for _, v := range vs {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

func channelColour(channel string) color.Color {
	switch channel {
	case "C", "LC":
		return color.RGBA{0, 150, 200, 255}
	case "M", "LM":
		return color.RGBA{200, 0, 110, 255}
	case "Y", "FY":
		return color.RGBA{225, 190, 0, 255}
	case "R":
		return color.RGBA{200, 40, 30, 255}
	case "G":
		return color.RGBA{30, 140, 60, 255}
	case "B":
		return color.RGBA{40, 60, 170, 255}
	case "O":
		return color.RGBA{235, 120, 0, 255}
	}
	return color.RGBA{50, 50, 50, 255}
}
