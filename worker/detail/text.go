package detail

import (
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/jedib0t/go-pretty/v6/text"

	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
	"swathkeeper/worker/alert"
	"swathkeeper/worker/history"
	"swathkeeper/worker/zones"
)

// printer writes a detail onto a screen.
type printer struct {
	*history.Screen
	b   strings.Builder
	tol map[string]float64
}

// Print writes everything for people. now are the shop's tolerances as they are set now, for where
// those of the verdict's time are not known.
func (d *Detail) Print(s *history.Screen, now drift.Tolerances) error {
	tol := now
	if d.Tolerances != nil {
		tol = *d.Tolerances
	}
	p := &printer{Screen: s, tol: tolerancesOf(tol)}
	d.head(p)
	if v := d.Record.Verdict; v != nil {
		d.says(p, v)
	}
	d.changes(p)
	if v := d.Record.Verdict; v != nil {
		d.numbers(p, v, tol)
		d.lines(p, v)
		d.sheet(p)
		d.course(p)
	}
	for _, m := range d.Missing {
		p.wrap("", "not shown: "+m)
	}
	for line := range strings.Lines(p.b.String()) {
		if _, err := fmt.Fprintln(s.Out, strings.TrimRight(line, " \n")); err != nil {
			return err
		}
	}
	return nil
}

func (p *printer) title(s string) {
	p.b.WriteString("\n")
	if p.Colour {
		s = text.Bold.Sprint(s)
	}
	p.b.WriteString(s + "\n")
}

// wrap writes a paragraph under an indent; what follows the first line hangs by two more.
func (p *printer) wrap(indent, s string) {
	p.b.WriteString(p.Paragraph(indent, s))
}

func (p *printer) when(t time.Time) string { return zones.Stamp(t, p.Zone, "Mon 2 Jan 2006 15:04") }

func (d *Detail) head(p *printer) {
	r := d.Record
	if d.Key != "" {
		switch a := d.Alert; {
		case a != nil && a.Held:
			fmt.Fprintf(&p.b, "alert %s: %s, on hold until %s\n", d.Key, p.Paint(a.Level, a.Level), p.when(a.HeldTill))
		case a != nil:
			fmt.Fprintf(&p.b, "alert %s: open, %s, since %s\n", d.Key, p.Paint(a.Level, a.Level), p.when(a.Since))
		default:
			fmt.Fprintf(&p.b, "alert %s: not open now\n", d.Key)
		}
		if a := d.Alert; a != nil && a.LastGood != nil && a.Advice != protocol.AdviceSilent {
			p.wrap("", "suspect: everything printed since "+p.when(a.LastGood.At))
		}
		for _, s := range d.Steps {
			p.wrap("  ", p.when(s.Entry.At)+"  "+s.Change.Change+": "+s.Change.Why)
		}
		p.title(cond(r.Verdict != nil, "The reading that showed it last", "The record that changed it last"))
	}
	level := ""
	if v := r.Verdict; v != nil {
		level = "  " + p.Paint(v.Outcome, v.Outcome)
	}
	fmt.Fprintf(&p.b, "%s/%s  %s%s\n", r.Site, r.Printer, p.when(r.At), level)
	v := r.Verdict
	if v == nil {
		p.wrap("", strings.TrimPrefix(r.Text, r.Printer+": "))
		if r.Refusal != nil {
			what := "message"
			if w, _, _, err := protocol.ParseInput(r.Refusal.Subject); err == nil {
				what = w
			}
			p.wrap("", fmt.Sprintf("It came in as a %s of %d bytes; --json shows them as they were, up to 64 KB.", what, r.Refusal.Bytes))
		}
		if b := r.Baseline; b != nil {
			for _, w := range b.Warnings {
				p.wrap("  ", "note: "+w)
			}
		}
		return
	}
	p.wrap("", conditionWords(v.Condition))
	facts := []string{}
	if v.Print != "" {
		facts = append(facts, "print "+v.Print)
	}
	if v.Station != "" {
		facts = append(facts, "read at "+v.Station)
	}
	if v.Press != nil && v.Press.Celsius > 0 {
		facts = append(facts, fmt.Sprintf("pressed at %.0f °C for %.0f s", v.Press.Celsius, v.Press.Seconds))
	}
	if v.Lots != nil && v.Lots.Media != "" {
		facts = append(facts, "media "+v.Lots.Media)
	}
	grade := gradeWords[v.Baseline.Grade]
	if v.Baseline.Count > 0 {
		grade += " of " + Count(v.Baseline.Count, "reading")
	}
	facts = append(facts, "against "+grade)
	p.wrap("", strings.Join(facts, "; "))
	p.wrap("", "ids: record "+r.ID+", reading "+v.Reading)
}

func (d *Detail) says(p *printer, v *protocol.Verdict) {
	p.title("What it says")
	if v.Late {
		p.wrap("  ", "This reading came late: it is older than the newest one, so nothing changes by it.")
	}
	if len(v.Findings) == 0 && v.Outcome == protocol.Steady {
		p.wrap("  ", "Nothing is out of the ordinary.")
	}
	for _, f := range v.Findings {
		name := AdviceWords(f.Advice, f.Channel)
		p.wrap("  ", fmt.Sprintf("%s: %s. %s", p.Paint(f.Level, f.Level), name, sentence(f.Why)))
		p.wrap("    ", fmt.Sprintf("How sure that it is this and no other cause: %.0f %%.", 100*f.Likelihood))
		if f.Rival != "" {
			p.wrap("    ", "It could also be: "+AdviceWords(f.Rival, "")+".")
		}
		if f.SplittingCheck != "" {
			p.wrap("    ", "To tell them apart: "+sentence(f.SplittingCheck))
		}
		if len(f.Moves) > 0 {
			var m []string
			for _, x := range f.Moves {
				m = append(m, fmt.Sprintf("%s %+.0f %%", alert.ChannelName(x.Channel), x.Percent))
			}
			p.wrap("    ", fmt.Sprintf("Would bring it back: %s; about %.1f dE00 would be left on the whole chart.", strings.Join(m, ", "), f.Moves[0].ExpectedDE00))
		}
	}
	for _, w := range v.Warnings {
		p.wrap("  ", "note: "+w)
	}
}

func (d *Detail) changes(p *printer) {
	r := d.Record
	if len(r.Changes) > 0 {
		p.title("What changed by it")
	}
	for _, c := range r.Changes {
		p.wrap("  ", fmt.Sprintf("%s: %s. %s", c.Change, AdviceWords(c.Advice, c.Channel), sentence(c.Why)))
		if c.LastGood != nil && c.Change != protocol.ChangeCleared && c.Change != protocol.ChangeClosed && c.Advice != protocol.AdviceSilent {
			p.wrap("    ", "Suspect: everything printed since "+p.when(c.LastGood.At)+".")
		}
		for i, s := range c.Steps {
			p.wrap("    ", fmt.Sprintf("%d. %s", i+1, s))
		}
		for _, s := range c.Cautions {
			p.wrap("    ", "Care: "+s)
		}
	}
	for _, o := range r.Outcomes {
		words := map[string]string{protocol.Helped: "helped", protocol.NoChange: "changed nothing", protocol.Worse: "made it worse"}
		p.wrap("  ", fmt.Sprintf("The %s of %s %s.", o.What, p.when(o.At), words[o.Outcome]))
	}
}

// tableWidth is how wide a screen must be for the figures to stand in columns.
const tableWidth = 80

// numbers prints every figure against what is usual and what the shop tolerates.
func (d *Detail) numbers(p *printer, v *protocol.Verdict, tol drift.Tolerances) {
	c := v.Colour
	if c == nil {
		return
	}
	p.title("Numbers against limits")
	p.wrap("  ", "usual: how far a reading may lie from the baseline by chance alone, for this printer; tolerance: what matters to you"+cond(d.Tolerances != nil, ", as it was set when its baseline was frozen", ", as it is set now, since what was set then is not known any more")+"; an alert needs both. In brackets: give or take, of this reading. dE00 (CIEDE2000): a colour difference as large as the eye sees it; side by side, about 1 is seen.")
	row := func(name, value, usual, tolerance string, level string) {
		line := fmt.Sprintf("%s %s  %s  %s", text.Pad(name, 36, ' '), text.AlignRight.Apply(value, 22), text.AlignRight.Apply(usual, 6), text.AlignRight.Apply(tolerance, 9))
		line = strings.TrimRight(line, " ")
		if p.Width <= 0 || p.Width >= tableWidth && text.StringWidthWithoutEscSequences(line)+2 <= p.Width {
			p.b.WriteString("  " + p.Paint(level, line) + "\n") // not wrapped, which would take its columns apart
			return
		}
		line = name + ": " + value + cond(usual != "", ", usual "+usual, "") + cond(tolerance != "", ", tolerance "+tolerance, "")
		p.wrap("  ", p.Paint(level, line))
	}
	if p.Width <= 0 || p.Width >= tableWidth {
		row("", "this reading", "usual", "tolerance", "")
	}
	de := func(name string, value, tolerance float64) {
		t := ""
		if tolerance > 0 {
			t = fmt.Sprintf("%.1f", tolerance)
		}
		row(name, fmt.Sprintf("%.2f dE00", value), "", t, p.level(value, 0, tolerance, tol.StopFactor))
	}
	de("whole chart: mean difference", c.MeanDE00, tol.MeanDE00)
	de("whole chart: middle one (median)", c.MedianDE00, 0)
	de("whole chart: 95 of 100 patches below", c.P95DE00, tol.P95DE00)
	de("whole chart: largest, patch "+c.WorstPatch, c.MaxDE00, 0)
	if c.WhiteDE00 > 0 { // 0: no such patch was read
		de("white of the fabric", c.WhiteDE00, tol.WhiteDE00)
	}
	if c.GreyDE00 > 0 {
		de("greys: cast", c.GreyDE00, tol.GreyDE00)
	}
	for _, h := range c.House {
		de("house colour "+h.Name, h.DE00, h.Tolerance)
	}
	sided := func(kind, channel, unit string, value, se, limit float64) {
		tolerance, usual := p.tol[kind], ""
		if limit > 0 {
			usual = fmt.Sprintf("±%.1f", limit)
		}
		t := ""
		if tolerance > 0 {
			t = fmt.Sprintf("±%.1f", tolerance)
		}
		value2 := Signed(value)
		if unit != "" {
			value2 += " " + unit
		}
		if se > 0.05 {
			value2 = strings.Replace(value2, " ", fmt.Sprintf(" (±%.1f) ", se), 1)
		}
		row(trackName(kind, channel), value2, usual, t, p.level(value, limit, tolerance, tol.StopFactor))
	}
	curve := false
	for _, ch := range c.Channels {
		sided("strength", ch.Channel, "%", ch.StrengthPercent, ch.StrengthSE, ch.StrengthLimit)
		if t, ok := ToneOf(&ch); ok {
			sided(t.Kind, ch.Channel, "points", t.Value, t.SE, t.Limit)
			curve = curve || t.Kind == "tone"
		}
		if ch.HueLimit > 0 || ch.HueDeg != 0 {
			sided("hue", ch.Channel, "degrees", ch.HueDeg, ch.HueSE, ch.HueLimit)
		}
	}
	for _, f := range c.Factors {
		kind, channel := splitFactor(f.Name)
		sided(kind, channel, factorUnit(kind, f.Unit), f.Value, f.SE, f.Limit)
	}
	for _, ch := range c.Channels {
		if ch.HardlyPrints {
			p.wrap("  ", sentence(HardlyPrints(ch.Channel)))
		}
	}
	if curve {
		p.wrap("  ", "Tone curve at 50 %: by how many points a 50 % tint prints darker (+) or lighter (-) when the solid stands still. Strength is of all tints and holds a part of it, so the two do not add up.")
	}
	if c.Unexplained > 0 {
		p.wrap("  ", fmt.Sprintf("%.0f %% of the change is of no kind listed here.", 100*c.Unexplained))
	}
	if len(c.Outliers) > 0 {
		p.wrap("  ", "Patches that do not follow the rest (a scratch, a smear, a slip of the instrument): "+strings.Join(c.Outliers, ", ")+".")
	}
}

// Signed writes a figure with its sign, and without one when it rounds to nothing.
func Signed(v float64) string {
	if s := fmt.Sprintf("%+.1f", v); s != "-0.0" && s != "+0.0" {
		return s
	}
	return "0.0"
}

// level colours a figure only when it is beyond both what is usual and what is tolerated.
func (p *printer) level(value, usual, tolerance, stop float64) string {
	v := math.Abs(value)
	switch {
	case tolerance <= 0 || v <= tolerance || usual > 0 && v <= usual:
		return ""
	case v > tolerance*stop:
		return protocol.LevelStop
	}
	return protocol.LevelAct
}

func (d *Detail) lines(p *printer, v *protocol.Verdict) {
	if v.Banding == nil {
		return
	}
	p.title("Lines and seams")
	n := 0
	for _, ch := range v.Banding.Channels {
		for _, l := range ch.Lines {
			n++
			s := fmt.Sprintf("%s: %s at %.2f mm along the feed", alert.ChannelName(ch.Channel), orWord(lineWords[l.Kind], l.Kind), l.AtMM)
			if l.Repeats > 1 {
				s += fmt.Sprintf(", again every %.2f mm (%d times)", l.PeriodMM, l.Repeats)
			}
			s += fmt.Sprintf("; %.1f dE00 at its clearest, %s than around it", math.Abs(l.ContrastDE00), cond(lighter(l), "lighter", "darker"))
			if l.WidthUM > 0 {
				s += fmt.Sprintf(", %.1f mm wide", l.WidthUM/1000)
			}
			s += cond(l.Visible, "; the eye sees it", "; the eye hardly sees it")
			if l.Standing {
				s += "; the baseline shows it too"
			}
			if len(l.Nozzles) > 0 {
				s += "; nozzle " + list(l.Nozzles, "or")
			}
			p.wrap("  ", s+".")
		}
	}
	for _, r := range v.Banding.Rows {
		n++
		p.wrap("  ", fmt.Sprintf("%s: %+.1f %% strength in rows %d to %d of the chart; a group of nozzles.", alert.ChannelName(r.Channel), r.StrengthPercent, r.FirstRow, r.LastRow))
	}
	for _, m := range v.Banding.Marks {
		p.wrap("  ", fmt.Sprintf("A mark at %.1f mm on strip %s alone: dirt or fabric, no nozzle.", m.AtMM, m.Strip))
	}
	if n == 0 {
		p.wrap("  ", "None found.")
	}
	for _, f := range d.Profiles {
		p.b.WriteString("\n")
		p.profile(&f)
	}
}

// lighter says on which side a line lies; density falls where lightness rises.
func lighter(l protocol.Line) bool { return l.Contrast < 0 }

func list(nozzles []int, word string) string {
	var s []string
	for _, n := range nozzles[:min(len(nozzles), 12)] {
		s = append(s, fmt.Sprint(n))
	}
	if len(s) == 1 {
		return s[0]
	}
	return strings.Join(s[:len(s)-1], ", ") + " " + word + " " + s[len(s)-1]
}

func cond(ok bool, yes, no string) string {
	if ok {
		return yes
	}
	return no
}

func orWord(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

func sentence(s string) string {
	if s = strings.TrimSpace(s); s == "" {
		return s
	}
	s = strings.ToUpper(s[:1]) + s[1:]
	if strings.HasSuffix(s, ".") {
		return s
	}
	return s + "."
}
