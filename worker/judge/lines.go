package judge

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"swathkeeper/measure/banding"
	"swathkeeper/measure/cause"
	"swathkeeper/measure/colour"
	"swathkeeper/protocol"
)

// geometry is the layout as far as lines need it.
func geometry(c *protocol.Chart) banding.Geometry {
	return banding.Geometry{
		StepMM: c.StepMM, NozzlePitchUM: c.NozzlePitchUM, Nozzles: c.Nozzles, Passes: c.Passes,
		FirstNozzleMM: c.FirstNozzleMM, Channels: c.Channels,
	}
}

// traces gives the traces of a reading as banding takes them. A white strip has no ink and so no
// nozzles: it says what the bare goods read, and no line is looked for on it.
func traces(c *protocol.Chart, r *protocol.Reading) ([]banding.Trace, error) {
	out := make([]banding.Trace, 0, len(r.Traces))
	paper := map[string]float64{}
	for i := range r.Traces {
		t := &r.Traces[i]
		v, err := t.Samples()
		if err != nil {
			return nil, fmt.Errorf("trace %s: %w", t.Strip, err)
		}
		if t.Channel == "" {
			if w := level(v); w > 0 {
				paper[t.Unit] = w
			}
			continue
		}
		out = append(out, banding.Trace{
			Strip: t.Strip, Channel: t.Channel, TintPercent: t.TintPercent, StartMM: t.StartMM, PitchUM: t.PitchUM,
			Unit: t.Unit, Values: v,
		})
	}
	for i := range out {
		t := &out[i]
		if _, known := paper[t.Unit]; !known {
			paper[t.Unit] = paperOf(c, r, t.Unit)
		}
		t.Paper = paper[t.Unit]
	}
	return out, nil
}

// paperOf is what the bare goods read in the unit of a trace, by the white patches of the same
// reading; 0 when it has none. White goods are near enough to neutral that one density does for all filters.
func paperOf(c *protocol.Chart, r *protocol.Reading, unit string) float64 {
	if r.Patches == nil {
		return 0
	}
	bare := 0.0
	if c.Driven == protocol.DrivenRGB {
		bare = 255
	}
	labs, err := Labs(r.Patches)
	if err != nil {
		return 0 // said where the patches are judged
	}
	sum, n := 0.0, 0.0
	for k, i := range c.Places(r.Patches.ID) {
		if i < 0 {
			continue
		}
		if d := c.Patches[i].Device; len(d) > 0 && !slices.ContainsFunc(d, func(v float64) bool { return v != bare }) {
			sum += labs[k].L
			n++
		}
	}
	if n == 0 || !(sum > 0) {
		return 0
	}
	lab := colour.Lab{L: sum / n}
	if unit == banding.Lightness {
		return lab.L
	}
	return max(0.001, -math.Log10(lab.XYZ(colour.D50).Y/colour.D50.Y))
}

func level(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(max(1, len(v)))
}

// Lines is what was looked for on the strips of one reading. It needs nothing of what the series was
// before, so that it may be found ahead of the reading's turn, and by several goroutines at once.
type Lines struct {
	model    *Model // that it was judged by
	banding  *protocol.Banding
	lines    []cause.Line
	sure     map[string]bool
	warnings []string
	unusable bool
}

// FindLines looks for lines on the strips of a reading of a chart. Without a baseline for them (m nil,
// or one of patches alone) it judges by the reading itself, which still sees a line that stands out
// from its own strip.
func FindLines(c *protocol.Chart, r *protocol.Reading, m *Model, o Options) (*Lines, error) {
	out := &Lines{model: m}
	if len(r.Traces) == 0 {
		return out, nil
	}
	var det *banding.Detector
	if m != nil {
		det = m.lines
	}
	if det == nil {
		var err error
		if det, err = banding.WithinReading(geometry(c), o.Lines); err != nil {
			return nil, fmt.Errorf("lines: %w", err)
		}
	}
	ts, err := traces(c, r)
	if err != nil {
		return nil, err
	}
	if len(ts) == 0 {
		return out, nil // white strips only
	}
	res, err := det.JudgeFor(ts, o.Lines)
	out.warnings = texts(res.Warnings)
	if err != nil {
		// The patches may be as good as ever.
		out.warnings = append(out.warnings, "no line could be looked for: none of the strips can be used; scan the chart again")
		out.unusable = r.Patches == nil
		return out, nil
	}
	out.banding = bandingOf(&res)
	out.warnings = append(out.warnings, markWarnings(res.Marks)...)
	out.lines, out.sure = lineEvidence(&res), sureLines(&res)
	return out, nil
}

// judgeLines writes into a verdict what the strips show. What was found ahead counts only if it was
// found by the same baseline.
func judgeLines(in Input, v *protocol.Verdict, o Options) ([]cause.Line, map[string]bool, error) {
	found := in.Lines
	if found == nil || found.model != in.Model {
		var err error
		if found, err = FindLines(in.Chart, in.Reading, in.Model, o); err != nil {
			return nil, nil, err
		}
	}
	v.Warnings = append(v.Warnings, found.warnings...)
	if found.banding != nil {
		b := *found.banding // what the patches show is added to the verdict's alone
		v.Banding = &b
	}
	if found.unusable {
		v.Outcome = protocol.Unusable
	}
	return slices.Clone(found.lines), found.sure, nil
}

// shown bounds how many warnings of one kind are told singly.
const shown = 4

// texts gives warnings in words; of many with one code the first few stand for the rest.
func texts(ws []banding.Warning) []string {
	total, told := map[string]int{}, map[string]int{}
	for _, w := range ws {
		total[w.Code]++
	}
	var out []string
	for _, w := range ws {
		told[w.Code]++
		switch more := total[w.Code] - shown; {
		case told[w.Code] <= shown || more == 1:
			out = append(out, w.Text)
		case told[w.Code] == shown+1:
			out = append(out, fmt.Sprintf("%d more of this kind, such as: %s", more, w.Text))
		}
	}
	return out
}

// markWarnings says what was seen that is no fault of the head.
func markWarnings(marks []banding.Mark) []string {
	var out []string
	for i, m := range marks {
		if i == shown {
			out = append(out, fmt.Sprintf("and %d more marks that are no fault of the head", len(marks)-shown))
			break
		}
		again := ""
		if m.Repeats > 1 {
			again = fmt.Sprintf(", %d times", m.Repeats)
		}
		switch m.Why {
		case "one_strip":
			out = append(out, fmt.Sprintf("a mark on strip %s at %.1f mm%s, and on no other strip of %s: dirt, a scratch or the goods, not a nozzle", m.Strip, m.AtMM, again, m.Channel))
		case "all_inks":
			out = append(out, fmt.Sprintf("a mark under all inks at %.1f mm%s: the goods, or one jerk of the feed, not a nozzle", m.AtMM, again))
		default:
			out = append(out, fmt.Sprintf("one dark line in %s at %.1f mm%s: a drip, a hair or a crease, not a nozzle that fails", m.Channel, m.AtMM, again))
		}
	}
	return out
}

// lineEvidence sums the lines of each channel up for the search of causes. What the baseline shows
// as well is known and not news.
func lineEvidence(r *banding.Result) []cause.Line {
	var out []cause.Line
	for _, ch := range r.Channels {
		byKind := map[banding.Kind]int{}
		for i := range ch.Lines {
			l := &ch.Lines[i]
			if l.Standing {
				continue
			}
			kind := l.Kind
			at, ok := byKind[kind]
			if !ok {
				at = len(out)
				byKind[kind] = at
				name := ch.Channel
				if name == banding.AllChannels {
					name = ""
				}
				out = append(out, cause.Line{Kind: string(kind), Channel: name, Level: cause.Note, Section: kind == banding.Section, Likelihood: confidence(l)})
			}
			out[at].Count++
			out[at].Level = worse(out[at].Level, lineLevel(l))
		}
	}
	return out
}

func lineLevel(l *banding.Line) string {
	switch {
	case l.Stop:
		return cause.Stop
	case l.Matters:
		return cause.Act
	}
	return cause.Note
}

// confidence turns a statistic above its limit into a likelihood for people: at the limit a
// reading in some hundreds is a false alarm, and it falls off fast above it.
func confidence(l *banding.Line) float64 {
	if l.Limit <= 0 {
		return 0.9
	}
	excess := l.Score/l.Limit - 1
	return min(0.99, 0.9+0.3*max(0, excess))
}

func bandingOf(r *banding.Result) *protocol.Banding {
	b := &protocol.Banding{}
	for _, ch := range r.Channels {
		c := protocol.BandingChannel{Channel: ch.Channel, Score: round4(ch.Score), Limit: round4(ch.Limit)}
		for i := range ch.Lines {
			l := &ch.Lines[i]
			c.Lines = append(c.Lines, protocol.Line{
				Kind: string(l.Kind), AtMM: round4(l.AtMM), AtSE: round4(l.AtMMSE), Contrast: round4(l.Contrast), ContrastDE00: round4(l.ContrastDE00),
				WidthUM: round4(l.WidthUM), Repeats: l.Repeats, PeriodMM: round4(l.PeriodMM), Nozzles: l.NozzleCandidates,
				Visible: l.Visibility >= 1, Standing: l.Standing,
			})
		}
		b.Channels = append(b.Channels, c)
	}
	for _, m := range r.Marks {
		if m.Strip != "" { // the others are told in words
			b.Marks = append(b.Marks, protocol.StripMark{Strip: m.Strip, AtMM: round4(m.AtMM), Contrast: round4(m.Contrast)})
		}
	}
	return b
}

// lineWhy says what was seen of the worst line behind a finding, in a printer's words.
func lineWhy(v *protocol.Verdict, f *cause.Finding) string {
	if v.Banding == nil || (f.Advice != cause.CleanHead && f.Advice != cause.CheckFeed) {
		return ""
	}
	var worst *protocol.Line
	n := 0
	for i := range v.Banding.Channels {
		ch := &v.Banding.Channels[i]
		feed := f.Advice == cause.CheckFeed
		if !feed && ch.Channel != f.Channel {
			continue
		}
		for k := range ch.Lines {
			l := &ch.Lines[k]
			if l.Standing || (l.Kind == string(banding.Feed)) != feed {
				continue
			}
			n++
			if worst == nil || l.ContrastDE00 > worst.ContrastDE00 {
				worst = l
			}
		}
	}
	if worst == nil {
		return rowWhy(v, f)
	}
	var b strings.Builder
	name := lineNames[worst.Kind]
	if dark := worst.Contrast > 0; dark {
		switch worst.Kind {
		case string(banding.Section):
			name = "a dark band, as of a part of the head that prints more than the rest,"
		case string(banding.Feed):
			name = "a dark seam in all inks, as when the goods advance too little,"
		}
	}
	fmt.Fprintf(&b, "%s at %.1f mm, %.1f dE00", name, worst.AtMM, worst.ContrastDE00)
	if worst.Repeats > 1 {
		fmt.Fprintf(&b, ", again every %.2f mm (%d times)", worst.PeriodMM, worst.Repeats)
	}
	if n > 1 {
		fmt.Fprintf(&b, ", and %d more", n-1)
	}
	if k := len(worst.Nozzles); k > 0 && k <= 6 {
		b.WriteString("; nozzle ")
		for i, z := range worst.Nozzles {
			if i > 0 {
				b.WriteString(" or ")
			}
			fmt.Fprintf(&b, "%d", z)
		}
	}
	if worst.Visible {
		b.WriteString("; it can be seen with the eye")
	}
	return b.String()
}

var lineNames = map[string]string{
	string(banding.Dropout):   "a light line, as of a nozzle that does not fire,",
	string(banding.Weak):      "a faint light line, as of a weak nozzle,",
	string(banding.Deflected): "a light and a dark line side by side, as of a nozzle that fires sideways,",
	string(banding.Section):   "a pale band, as of a weak part of the head,",
	string(banding.Feed):      "a light seam in all inks, as when the goods advance too far,",
}

// rowWhy says where a group of nozzles is weak, when only the patches show it.
func rowWhy(v *protocol.Verdict, f *cause.Finding) string {
	for _, r := range v.Banding.Rows {
		if f.Advice != cause.CleanHead || r.Channel != f.Channel || r.StrengthPercent >= 0 {
			continue
		}
		where := fmt.Sprintf("rows %d to %d of the patches", r.FirstRow, r.LastRow)
		if r.FirstRow == r.LastRow {
			where = fmt.Sprintf("row %d of the patches", r.FirstRow)
		}
		return fmt.Sprintf("%s print %s %.0f %% weaker than the rest of the sheet, as of a group of nozzles", where, f.Channel, -r.StrengthPercent)
	}
	return ""
}
