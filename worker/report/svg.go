package report

import (
	"fmt"
	"html"
	"html/template"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/lucasb-eyer/go-colorful"

	"swathkeeper/measure/colour"
	"swathkeeper/worker/detail"
)

// svg writes a drawing.
type svg struct {
	b    strings.Builder
	w, h float64
}

func newSVG(w, h float64, title string) *svg {
	s := &svg{w: w, h: h}
	fmt.Fprintf(&s.b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" role="img"><title>%s</title>`, w, h, html.EscapeString(title))
	return s
}

func (s *svg) done() template.HTML { return template.HTML(s.b.String() + "</svg>") }

func (s *svg) line(class string, x1, y1, x2, y2 float64) {
	fmt.Fprintf(&s.b, `<path class="%s" d="M%.1f %.1fL%.1f %.1f"/>`, class, x1, y1, x2, y2)
}

// text writes at x, y; anchor is start, middle or end.
func (s *svg) text(class, anchor string, x, y float64, t string) {
	fmt.Fprintf(&s.b, `<text x="%.1f" y="%.1f"`, x, y)
	if class != "" {
		fmt.Fprintf(&s.b, ` class="%s"`, class)
	}
	if anchor != "start" {
		fmt.Fprintf(&s.b, ` text-anchor="%s"`, anchor)
	}
	s.b.WriteString(">" + html.EscapeString(t) + "</text>")
}

// axis is a stretch of time on a stretch of the drawing.
type axis struct {
	from, to time.Time
	x1, x2   float64
}

func (a axis) x(t time.Time) float64 {
	span := a.to.Sub(a.from).Seconds()
	if span <= 0 {
		return a.x1
	}
	return min(max(a.x1+(a.x2-a.x1)*t.Sub(a.from).Seconds()/span, a.x1), a.x2)
}

// ticks are local midnights, at most n of them.
func (a axis) ticks(zone *time.Location, n int) []time.Time {
	days := int(a.to.Sub(a.from).Hours()/24) + 1
	step := 1
	for _, s := range []int{1, 2, 3, 4, 7, 14, 30, 61, 91, 182, 365, 730} {
		if step = s; days/s <= n {
			break
		}
	}
	y, m, d := a.from.In(zone).Date()
	var out []time.Time
	for i := 0; ; i += step {
		t := time.Date(y, m, d+i, 0, 0, 0, 0, zone) // also where clocks change
		if t.After(a.to) {
			return out
		}
		if !t.Before(a.from) {
			out = append(out, t)
		}
	}
}

// letterWidth is about how wide a letter of the drawings' text is.
const letterWidth = 6.2

// base draws the time axis at y, with labels under it.
func (a axis) base(s *svg, zone *time.Location, y float64, n int) {
	s.line("axis", a.x1, y, a.x2, y)
	ticks := a.ticks(zone, n)
	layout := "2 Jan"
	if a.to.Sub(a.from) > 300*24*time.Hour {
		layout = "Jan 2006"
	}
	free := a.x1 - 14 // up to here there is writing
	for _, t := range ticks {
		x := a.x(t)
		s.line("axis", x, y, x, y+4)
		label := t.In(zone).Format(layout)
		long := letterWidth * float64(len(label))
		anchor, begins := "middle", x-long/2
		switch {
		case x-a.x1 < 14:
			anchor, begins = "start", x
		case a.x2-x < 14:
			anchor, begins = "end", x-long
		}
		if begins < free {
			continue
		}
		free = begins + long + letterWidth
		s.text("", anchor, x, y+15, label)
	}
}

// span is when the page's drawings begin and end: that of the readings where these are fewer, so
// that a month's report of one week is not mostly empty.
func (p *Page) span() (time.Time, time.Time) {
	from, to := p.To, p.From
	see := func(t time.Time) {
		if t.Before(from) {
			from = t
		}
		if t.After(to) {
			to = t
		}
	}
	for _, s := range p.Series {
		for _, t := range s.Tracks {
			see(t.Points[0].At)
			see(t.Now().At)
		}
	}
	for _, e := range p.Events {
		see(e.At)
	}
	if !to.After(from) {
		return p.From, p.To
	}
	pad := to.Sub(from) / 50
	return from.Add(-pad), to.Add(pad)
}

// timeline draws the mean difference of every series over time, the alerts and what was done.
//
// It is drawn for a width of its own, since a wide one on a phone would be too small to read, or cut
// off at its newest end. Where there is no room beside an alert's bar its name stands above it.
func (p *Page) timeline(width float64) template.HTML {
	const left, right, top, plot = 44.0, 10.0, 16.0, 170.0
	lane, above := 15.0, 0.0
	if width < wideTimeline {
		lane, above = 24, 11
	}
	height := top + plot + 26 + lane*float64(len(p.Spans)) + 6
	s := newSVG(width, height, "mean colour difference over time, with alerts and what was done")
	from, to := p.span()
	a := axis{from, to, left, s.w - right}
	top1 := 0.0
	for _, se := range p.Series {
		for _, t := range se.Tracks {
			if t.Kind == "mean" {
				for _, pt := range t.Points {
					top1 = max(top1, pt.Value, 1.2*pt.Tolerance)
				}
			}
		}
	}
	end := nice(top1)
	y := func(v float64) float64 { return top + plot*(1-min(v/end, 1)) }
	for _, v := range []float64{0, end / 2, end} {
		s.text("", "end", left-5, y(v)+4, round3(v))
		s.line("axis", left, y(v), s.w-right, y(v))
	}
	p.marks(s, a, top-4, top+plot)
	for _, se := range p.Series {
		for i := range se.Tracks {
			if t := &se.Tracks[i]; t.Kind == "mean" {
				steps(s, "tol", a, y, t, tolerance)
				run(s, a, y, t)
			}
		}
	}
	a.base(s, p.Zone, top+plot, int((a.x2-a.x1)/60))
	for i, sp := range p.Spans {
		yy := top + plot + 26 + above + lane*float64(i)
		x1, x2 := a.x(sp.From), max(a.x(sp.To), a.x(sp.From)+3)
		fmt.Fprintf(&s.b, `<rect class="span-%s" x="%.1f" y="%.1f" width="%.1f" height="5" rx="2"/>`, cond(sp.Level == "stop", "stop", "act"), x1, yy, x2-x1)
		label := sp.What + cond(!sp.Open, "", cond(p.Made.Sub(p.To) > time.Minute, ", open at the end", ", open"))
		switch long := letterWidth * float64(utf8.RuneCountInString(label)); {
		case above > 0:
			s.text("", "start", max(min(x1, s.w-long), 2), yy-4, label)
		case x2+6+long < s.w:
			s.text("", "start", x2+6, yy+7, label)
		default:
			s.text("", "end", x1-6, yy+7, label)
		}
	}
	return s.done()
}

// Widths of the timeline on a desk and on a phone.
const (
	wideTimeline   = 960.0
	narrowTimeline = 360.0
)

// marks draws what was done as upright lines with letters. Where lines stand too near to one another
// for that, their letters stand side by side over the first.
func (p *Page) marks(s *svg, a axis, top, bottom float64) {
	first, letters := 0.0, ""
	write := func() {
		if letters != "" {
			half := 4 * float64(len(letters))
			s.text("letter", "middle", max(min(first, s.w-half), half), top-2, letters)
		}
	}
	for _, e := range p.Events {
		if e.Mark == "" || e.At.Before(a.from) || e.At.After(a.to) {
			continue
		}
		x := a.x(e.At)
		s.line("when", x, top, x, bottom)
		switch {
		case letters == "" || x-first > 9*float64(len(letters)):
			write()
			first, letters = x, e.Mark
		case !strings.Contains(letters, e.Mark):
			letters += e.Mark
		}
	}
	write()
}

// run draws the dots of a track and the line through them.
func run(s *svg, a axis, y func(float64) float64, t *detail.Track) {
	var d strings.Builder
	for i, pt := range t.Points {
		fmt.Fprintf(&d, "%s%.1f %.1f", cond(i == 0, "M", "L"), a.x(pt.At), y(pt.Value))
	}
	fmt.Fprintf(&s.b, `<path class="run" d="%s"/>`, d.String())
	r := 2.2
	if len(t.Points) > 200 {
		r = 1.2
	}
	for _, pt := range t.Points {
		x, yy := a.x(pt.At), y(pt.Value)
		if pt.Beyond() {
			fmt.Fprintf(&s.b, `<rect class="beyond" x="%.1f" y="%.1f" width="6" height="6"/>`, x-3, yy-3)
		} else {
			fmt.Fprintf(&s.b, `<circle class="dot" cx="%.1f" cy="%.1f" r="%.1f"/>`, x, yy, r)
		}
	}
}

// control draws the control chart of one figure.
func (p *Page) control(t *detail.Track) template.HTML {
	const left, right, top, plot = 40.0, 8.0, 38.0, 96.0
	now := t.Now()
	s := newSVG(360, top+plot+22, t.Name())
	value := detail.Signed(now.Value) + " " + t.Unit
	if !t.Sided {
		value = fmt.Sprintf("%.2f %s", now.Value, t.Unit)
	}
	s.text("name", "start", 2, 13, t.Name())
	s.text("", "end", s.w-right, 13, "now "+strings.TrimSpace(value))
	from, to := p.span()
	a := axis{from, to, left, s.w - right}
	largest := 0.0
	for _, pt := range t.Points {
		largest = max(largest, math.Abs(pt.Value), pt.Limit*1.1, pt.Tolerance*1.1)
	}
	end := nice(largest)
	bottom := -end
	if !t.Sided {
		bottom = 0
	}
	y := func(v float64) float64 { return top + plot*(end-v)/(end-bottom) }
	for _, v := range []float64{bottom, 0, end} {
		if v == 0 && bottom == 0 && v != bottom {
			continue
		}
		s.text("", "end", left-4, y(v)+4, round3(v))
	}
	s.line("zero", left, y(0), s.w-right, y(0))
	p.marks(s, a, top-2, top+plot)
	steps(s, "limit", a, y, t, func(p detail.Point) float64 { return p.Limit })
	steps(s, "tol", a, y, t, tolerance)
	run(s, a, y, t)
	a.base(s, p.Zone, top+plot, int((a.x2-a.x1)/50))
	return s.done()
}

func tolerance(p detail.Point) float64 { return p.Tolerance }

// steps draws what each reading is held against, which changes with the baseline, on both sides of
// 0 where the track has two.
func steps(s *svg, class string, a axis, y func(float64) float64, t *detail.Track, of func(detail.Point) float64) {
	for _, sign := range []float64{1, -1} {
		if sign < 0 && !t.Sided {
			continue
		}
		var d strings.Builder
		for i, pt := range t.Points {
			if of(pt) <= 0 {
				continue
			}
			x1 := a.x(pt.At)
			x2 := a.x2
			if i == 0 {
				x1 = a.x1
			}
			if i+1 < len(t.Points) {
				x2 = a.x(t.Points[i+1].At)
			}
			fmt.Fprintf(&d, "%s%.1f %.1fL%.1f %.1f", cond(d.Len() == 0, "M", "L"), x1, y(sign*of(pt)), x2, y(sign*of(pt)))
		}
		if d.Len() > 0 {
			fmt.Fprintf(&s.b, `<path class="%s" d="%s"/>`, class, d.String())
		}
	}
}

// toD65 takes colours measured for D50 to the white of an sRGB screen (linear Bradford).
var toD65 = colour.Bradford(colour.D50, colour.XYZ{X: 100 * colorful.D65[0], Y: 100 * colorful.D65[1], Z: 100 * colorful.D65[2]})

// Swatch is a measured colour for an sRGB screen. shown is false where the screen cannot show it:
// the nearest that it can is given then.
func Swatch(lab colour.Lab) (c colorful.Color, shown bool) {
	xyz := toD65.Apply(lab.XYZ(colour.D50))
	c = colorful.Xyz(xyz.X/100, xyz.Y/100, xyz.Z/100)
	const slack = 0.5 / 255
	shown = c.R >= -slack && c.G >= -slack && c.B >= -slack && c.R <= 1+slack && c.G <= 1+slack && c.B <= 1+slack
	return c.Clamped(), shown
}

// sheet draws the chart: each patch before on the left, now on the right.
func sheet(patches []detail.Patch) template.HTML {
	if len(patches) == 0 {
		return ""
	}
	rows, cols := 0, 0
	for _, k := range patches {
		rows, cols = max(rows, k.Row), max(cols, k.Col)
	}
	// A tall chart is laid on its side, so that it fits a page.
	turned := rows > cols
	if turned {
		rows, cols = cols, rows
	}
	const w, h = 24.0, 18.0
	s := newSVG(w*float64(cols), h*float64(rows), "the chart: each patch before and now")
	for i := range patches {
		k := &patches[i]
		row, col := k.Row, k.Col
		if turned {
			row, col = col, row
		}
		x, y := w*float64(col-1), h*float64(row-1)
		half(s, k.Before, x, y, w/2, h)
		if k.Now != nil {
			half(s, *k.Now, x+w/2, y, w/2, h)
		}
	}
	return s.done()
}

func half(s *svg, lab colour.Lab, x, y, w, h float64) {
	c, shown := Swatch(lab)
	fmt.Fprintf(&s.b, `<rect x="%g" y="%g" width="%g" height="%g" fill="%s"/>`, x, y+0.5, w, h-1, c.Hex())
	if !shown {
		fmt.Fprintf(&s.b, `<path d="M%g %gh6l-6 6z" fill="%s"/>`, x, y+0.5, cond(lab.L > 50, "#000", "#fff"))
	}
}

// swatchBlock is one half of a house colour.
func swatchBlock(lab colour.Lab) template.HTML {
	c, shown := Swatch(lab)
	mark := cond(shown, "", fmt.Sprintf(`<svg viewBox="0 0 8 8" width="12" height="12" style="width:12px"><path d="M0 0h8l-8 8z" fill="%s"/></svg>`, cond(lab.L > 50, "#000", "#fff")))
	return template.HTML(fmt.Sprintf(`<b style="background:%s">%s</b>`, c.Hex(), mark))
}

// round3 writes a number with three digits that mean something, and never with an exponent.
func round3(v float64) string {
	short, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 3, 64), 64)
	if err != nil {
		return ""
	}
	return strconv.FormatFloat(short, 'f', -1, 64)
}
