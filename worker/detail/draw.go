package detail

import (
	"fmt"
	"image/color"
	"math"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/text"

	"swathkeeper/protocol"
	"swathkeeper/worker/picture"
)

// Pictures for terminals. With colour, a patch is a field of its shade; without, a character that
// is the heavier the larger its difference.

// heatSteps are the characters of a heat map without colour, and where each begins as a share of
// the scale.
var heatSteps = []rune(" .:-=+*#@")

// ground writes s on a background colour.
func (p *printer) ground(c color.Color, s string) string {
	r16, g16, b16, _ := c.RGBA()
	r, g, b := uint8(r16>>8), uint8(g16>>8), uint8(b16>>8)
	if p.True {
		return fmt.Sprintf("\x1b[48;2;%d;%d;%dm%s\x1b[0m", r, g, b, s)
	}
	return fmt.Sprintf("\x1b[48;5;%dm%s\x1b[0m", nearest256(r, g, b), s)
}

// nearest256 is the nearest of the 6x6x6 colours and 24 greys that terminals of 256 colours agree
// on (xterm's table, which the others follow; common practice).
func nearest256(r, g, b uint8) int {
	level := func(v uint8) (int, int) { // nearest of 0, 95, 135, 175, 215, 255
		if v < 48 {
			return 0, 0
		}
		if v < 115 {
			return 1, 95
		}
		i := (int(v) - 35) / 40
		return i, 55 + 40*i
	}
	ri, rv := level(r)
	gi, gv := level(g)
	bi, bv := level(b)
	grey := min(max((int(r)+int(g)+int(b))/3-3, 0)/10, 23)
	gl := 8 + 10*grey
	d := func(x, y, z int) int {
		dx, dy, dz := x-int(r), y-int(g), z-int(b)
		return dx*dx + dy*dy + dz*dz
	}
	if d(gl, gl, gl) < d(rv, gv, bv) {
		return 232 + grey
	}
	return 16 + 36*ri + 6*gi + bi
}

// sheet draws where on the chart the colours moved.
func (d *Detail) sheet(p *printer) {
	if len(d.Patches) == 0 {
		return
	}
	rows, cols, largest := 0, 0, 0.0
	for _, k := range d.Patches {
		rows, cols, largest = max(rows, k.Row), max(cols, k.Col), max(largest, k.DE00)
	}
	end := picture.ScaleEnd(largest)
	grid := make([][]*Patch, rows)
	for i := range grid {
		grid[i] = make([]*Patch, cols)
	}
	for i := range d.Patches {
		k := &d.Patches[i]
		grid[k.Row-1][k.Col-1] = k
	}
	cell := 2
	if p.Width > 0 && 2*cols+2 > p.Width {
		cell = 1
	}
	p.title("Where on the chart")
	if p.Width > 0 && cols+2 > p.Width {
		p.wrap("  ", fmt.Sprintf("The chart is %d patches wide; widen the window to see it, or use --png.", cols))
		return
	}
	for _, row := range grid {
		p.b.WriteString("  ")
		line := ""
		for _, k := range row {
			line += p.heatCell(k, end, cell)
		}
		p.b.WriteString(strings.TrimRight(line, " ") + "\n")
	}
	legend := ""
	for i := range 9 {
		share := float64(i) / 8
		if p.Colour {
			legend += p.ground(picture.Shade(share), "  ")
		} else {
			legend += string(heatStep(share))
		}
	}
	p.b.WriteString(fmt.Sprintf("  0 %s %g dE00\n", legend, end))
	p.wrap("  ", "!: a patch that does not follow the rest; x: one that was not read")
}

func heatStep(share float64) rune {
	return heatSteps[min(max(int(math.Round(share*float64(len(heatSteps)-1))), 0), len(heatSteps)-1)]
}

func (p *printer) heatCell(k *Patch, end float64, width int) string {
	pad := func(r rune) string { return string(r) + strings.Repeat(" ", width-1) }
	switch {
	case k == nil:
		return strings.Repeat(" ", width)
	case k.DE00 < 0:
		return pad('x')
	case !p.Colour && k.Odd:
		return pad('!')
	case !p.Colour:
		return strings.Repeat(string(heatStep(k.DE00/end)), width)
	case k.Odd:
		mark := "\x1b[38;5;16m!"
		if k.DE00/end > 0.5 {
			mark = "\x1b[38;5;231m!"
		}
		return p.ground(picture.Shade(k.DE00/end), mark+strings.Repeat(" ", width-1))
	}
	return p.ground(picture.Shade(k.DE00/end), strings.Repeat(" ", width))
}

// dots is a picture of 2 by 4 dots a character (the Braille patterns of Unicode).
type dots struct {
	w, h  int // characters
	cells []rune
}

func newDots(w, h int) *dots { return &dots{w, h, make([]rune, w*h)} }

// set puts a dot; x and y count dots from the upper left.
func (d *dots) set(x, y int) {
	if x < 0 || y < 0 || x >= 2*d.w || y >= 4*d.h {
		return
	}
	bit := [4][2]rune{{0x01, 0x08}, {0x02, 0x10}, {0x04, 0x20}, {0x40, 0x80}}[y%4][x%2]
	d.cells[y/4*d.w+x/2] |= bit
}

func (d *dots) row(y int) string {
	var b strings.Builder
	for _, c := range d.cells[y*d.w : (y+1)*d.w] {
		if c == 0 {
			b.WriteByte(' ')
		} else {
			b.WriteRune(0x2800 + c)
		}
	}
	return strings.TrimRight(b.String(), " ")
}

// mostDots is how wide a folded profile is drawn at most.
const mostDots = 120

// profile draws a folded profile, with marks under it where lines were found.
func (p *printer) profile(f *Profile) {
	const h = 6
	w := mostDots / 2
	if p.Width > 0 {
		w = min(w, max(p.Width-14, 16))
	}
	d := newDots(w, h)
	lo, hi := slices.Min(f.Values), slices.Max(f.Values)
	if hi-lo < 1e-9 {
		return
	}
	y := func(v float64) int { return int(math.Round((hi - v) / (hi - lo) * float64(4*h-1))) }
	last := -1
	for x := range 2 * w {
		v := f.Values[x*len(f.Values)/(2*w)]
		at := y(v)
		from, to := at, at
		if last >= 0 {
			from, to = min(at, last), max(at, last)
		}
		for k := from; k <= to; k++ {
			d.set(x, k)
		}
		last = at
	}
	p.wrap("  ", fmt.Sprintf("%s: all strips laid over one another, one paper step of %.2f mm wide; up is darker than the strip around it, down lighter; ^: a line found here", trackName("lines", f.Channel), f.PeriodMM))
	for row := range h {
		label := "        "
		switch row {
		case 0:
			label = fmt.Sprintf("%+8.2f", hi)
		case h - 1:
			label = fmt.Sprintf("%+8.2f", lo)
		}
		p.b.WriteString(strings.TrimRight(label+" "+d.row(row), " ") + "\n")
	}
	under := []rune(strings.Repeat(" ", w))
	for _, m := range f.Marks {
		under[min(int(m/f.PeriodMM*float64(w)), w-1)] = '^'
	}
	p.b.WriteString("         " + strings.TrimRight(string(under), " ") + "\n")
}

// course draws how each figure came to where it is.
func (d *Detail) course(p *printer) {
	if len(d.Tracks) == 0 {
		return
	}
	p.title("How each figure came here")
	p.wrap("  ", fmt.Sprintf("Control charts: the last %d readings of this kind of print, the newest on the right. The upper and lower edge are what is usual for this printer; * is beyond. Middle: as on the good days. %s", len(d.Tracks[0].Points), Units))
	loud := Loudest(d.Tracks)
	big := 0
	for i := range loud {
		t := &loud[i]
		if t.Now().Beyond() && big < 4 || big < 1 && t.Now().Limit > 0 {
			p.b.WriteString("\n")
			p.control(t)
			big++
		}
	}
	p.b.WriteString("\n")
	for i := range d.Tracks {
		t := &d.Tracks[i]
		now := t.Now()
		name := text.Pad(t.Name(), 36, ' ')
		value := Signed(now.Value) + " " + t.Unit
		if !t.Sided {
			value = fmt.Sprintf("%.2f %s", now.Value, t.Unit)
		}
		if now.Limit > 0 {
			value = strings.TrimRight(value, " ") + fmt.Sprintf(", usual %s%.1f", cond(t.Sided, "±", "up to "), now.Limit)
		}
		level := ""
		if now.Beyond() {
			level, value = protocol.LevelAct, value+" *"
		}
		spark := ladder(t)
		value = strings.TrimSpace(value)
		if p.Width > 0 && p.Width < 110 {
			p.wrap("  ", t.Name()+": "+value)
			spark = string([]rune(spark)[max(0, len([]rune(spark))-p.Width+6):])
			p.b.WriteString("    " + p.Paint(level, spark) + "\n")
			continue
		}
		p.b.WriteString("  " + name + " " + p.Paint(level, spark) + " " + value + "\n")
	}
}

// ladder is a control chart in one line: the middle step is the baseline, the outer ones are the
// limits, * is beyond them. Without limits it is a plain sparkline.
func ladder(t *Track) string {
	steps := []rune("▁▂▃▄▅▆▇")
	top := 0.0
	for _, p := range t.Points {
		top = max(top, math.Abs(p.Value))
	}
	out := make([]rune, len(t.Points))
	for i, p := range t.Points {
		limit := p.Limit
		if limit <= 0 {
			limit = max(top, 1)
		}
		if p.Beyond() {
			out[i] = '*'
			continue
		}
		share := p.Value / limit // -1 to 1, or 0 to 1
		k := int(math.Round(share * float64(len(steps)-1)))
		if t.Sided {
			k = len(steps)/2 + int(math.Round(share*float64(len(steps)/2)))
		}
		out[i] = steps[min(max(k, 0), len(steps)-1)]
	}
	return string(out)
}

// control draws one control chart large: a column for each reading, dashed limits.
func (p *printer) control(t *Track) {
	const h = 9
	top := 0.0
	for _, k := range t.Points {
		top = max(top, math.Abs(k.Value), 1.15*k.Limit)
	}
	if top == 0 {
		return
	}
	bottom := -top
	if !t.Sided {
		bottom = 0
	}
	at := func(v float64) int {
		return min(max(int(math.Round((top-v)/(top-bottom)*float64(h-1))), 0), h-1)
	}
	points := t.Points
	if p.Width > 0 {
		points = points[max(0, len(points)-(p.Width-14)/2):]
	}
	grid := make([][]string, h)
	for y := range grid {
		grid[y] = make([]string, len(points))
		for x := range grid[y] {
			grid[y][x] = "  "
		}
	}
	for x, k := range points {
		if t.Sided {
			grid[at(0)][x] = "──"
		}
		if k.Limit > 0 {
			grid[at(k.Limit)][x] = "╌╌"
			if t.Sided {
				grid[at(-k.Limit)][x] = "╌╌"
			}
		}
	}
	for x, k := range points {
		if k.Beyond() {
			grid[at(k.Value)][x] = p.Paint(protocol.LevelStop, "* ")
		} else {
			grid[at(k.Value)][x] = "• "
		}
	}
	now := t.Now()
	p.wrap("  ", strings.TrimSpace(t.Name()+", "+t.Unit)+cond(now.Beyond(), ": beyond what is usual", ""))
	for y, row := range grid {
		label := ""
		switch {
		case y == at(now.Limit) && now.Limit > 0:
			label = fmt.Sprintf("%+.1f", now.Limit)
		case y == at(-now.Limit) && now.Limit > 0 && t.Sided:
			label = fmt.Sprintf("%+.1f", -now.Limit)
		case y == at(0):
			label = "0"
		}
		p.b.WriteString(fmt.Sprintf("%8s ", label) + strings.TrimRight(strings.Join(row, ""), " ") + "\n")
	}
	if n := len(points); n > 0 {
		p.b.WriteString(fmt.Sprintf("         %s to %s\n", points[0].At.In(p.Zone).Format("2 Jan"), points[n-1].At.In(p.Zone).Format("2 Jan 2006")))
	}
}
