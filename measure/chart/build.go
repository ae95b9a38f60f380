package chart

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Dimensions of a drawn chart, in mm.
const (
	MarkDiameterMM = 3.0  // registration marks are discs of this size
	markClearMM    = 1.5  // white around a mark
	markEveryMM    = 40.0 // marks across the sheet are at most this far apart
	markFeedMM     = 20.0 // marks along the feed, where fabric stretches most and lines are placed
	codeMM         = 20.0 // side of the square code
	headerMM       = 24.0 // band with the code and the readable line
	stripGapMM     = 1.0  // white between strips
	stripMinMM     = 5.0  // narrowest strip worth averaging across
	whiteStripMM   = 5.0
	patchMinMM     = 5.0 // smallest patch an instrument's aperture fits in
	patchMaxMM     = 25.0
	stepMinMM      = 0.2   // below this a step is a mistake in the unit, and so it is
	stepMaxMM      = 300.0 // above this
	maxPatches     = 400   // a chart that a person can still read by hand
	minPatches     = 24    // fewer tell nothing apart
)

// A House colour is one the shop sells by; it gets patches of its own and its own tolerance.
type House struct {
	Name   string
	Device []float64 // as a patch's
}

// A Spec says what chart is wanted. The zero value of each field but ID means the default.
type Spec struct {
	ID            string
	Channels      []string   // default C, M, Y, K; for an RGB-driven chart C, M, Y
	Driven        string     // default DrivenInk
	SizeMM        [2]float64 // the sheet; default A4, 210 x 297
	MarginMM      float64    // border the printer cannot reach; default 10
	PatchMM       float64    // about the side of a patch; default 8, or down to 5 where the sheet is small
	StripTint     float64    // percent; default 50
	StepMM        float64
	PitchUM       float64
	Nozzles       int
	Passes        int
	FirstNozzleMM *float64
	Mirrored      bool
	House         []House
	InkLimit      float64 // most ink on one spot, summed percent; default 280
	Seed          uint64  // of the random positions
}

func (s Spec) withDefaults() Spec {
	if s.Driven == "" {
		s.Driven = DrivenInk
	}
	if len(s.Channels) == 0 {
		s.Channels = []string{"C", "M", "Y", "K"}
		if s.Driven == DrivenRGB {
			s.Channels = s.Channels[:3]
		}
	}
	if s.SizeMM == [2]float64{} {
		s.SizeMM = [2]float64{210, 297}
	}
	def := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	def(&s.MarginMM, 10)
	def(&s.StripTint, 50)
	def(&s.InkLimit, 280)
	if s.PatchMM == 0 {
		for s.PatchMM = 8; s.PatchMM > patchMinMM; s.PatchMM-- {
			if g, err := s.arrange(); err == nil && g.rows*g.cols >= s.wanted() {
				break
			}
		}
	}
	return s
}

// New lays out a chart: marks in the corners, along the sides and beside the strips, the code,
// a strip for each channel (and the neutral, if RGB-driven) on the left and again on the right
// with a white strip beside each group, and between them a grid of patches at random places, such that every channel is in
// every row and column and the two copies of each ramp patch are far apart along the feed.
// The same Spec gives the same layout.
//
// It returns a [*FieldError] whose field is that of the Spec in the layout's JSON names when
// the wish cannot be met.
func New(spec Spec) (*Layout, error) {
	s := spec.withDefaults()
	if err := s.check(); err != nil {
		return nil, err
	}
	l := &Layout{
		ID: s.ID, Channels: slices.Clone(s.Channels), Driven: s.Driven, Mirrored: s.Mirrored,
		SizeMM: s.SizeMM, FeedAxis: "y", StepMM: s.StepMM, PitchUM: s.PitchUM,
		Nozzles: s.Nozzles, Passes: s.Passes, FirstNozzleMM: s.FirstNozzleMM,
	}
	g, err := s.arrange()
	if err != nil {
		return nil, err
	}
	// A square code wants four modules of white around it; marks stand left of it.
	l.Code = &Code{X: round(g.left + 3), Y: round(g.top + 1), W: codeMM}
	l.Marks = g.marks(s)
	l.Strips = g.strips(s)
	chosen, err := s.choose(g.rows * g.cols)
	if err != nil {
		return nil, err
	}
	patches, ok := g.place(l, chosen, s.Seed)
	if !ok {
		return nil, bad("size_mm", "%g x %g mm leaves %d rows of %d patches, in which %d channels cannot each be in every row and column with their ramps far apart; take a sheet nearer to square, smaller patches, or fewer channels",
			s.SizeMM[0], s.SizeMM[1], g.rows, g.cols, len(s.Channels))
	}
	l.Patches = patches
	if err := l.SetEdition(); err != nil {
		return nil, err
	}
	return l, l.Validate()
}

func (s Spec) check() error {
	probe := Layout{ID: s.ID, Edition: "x", Channels: s.Channels, Driven: s.Driven, StepMM: s.StepMM,
		PitchUM: s.PitchUM, Nozzles: s.Nozzles, Passes: s.Passes, FirstNozzleMM: s.FirstNozzleMM}
	for i, h := range s.House {
		if h.Name == "" {
			return bad("house", "a house colour has no name")
		}
		if slices.ContainsFunc(s.House[:i], func(o House) bool { return o.Name == h.Name }) {
			return bad("house", "two house colours are called %q", h.Name)
		}
		if len(h.Device) != len(s.Channels) {
			return bad("house", "%q has %d values, the chart has %d channels", h.Name, len(h.Device), len(s.Channels))
		}
		sum := 0.0
		for _, v := range h.Device {
			sum += v
		}
		// Unlike the chart's own fields it cannot be lightened: then it would be another colour.
		if s.Driven == DrivenInk && sum > s.InkLimit {
			return bad("house", "%q lays %g %% of ink on one spot, the ink limit is %g %%; raise the limit if the goods bear that much", h.Name, sum, s.InkLimit)
		}
		probe.Patches = append(probe.Patches, Patch{ID: fmt.Sprint("house", i), Device: h.Device, House: h.Name})
	}
	if len(probe.Patches) == 0 {
		probe.Patches = []Patch{{ID: "x", Device: make([]float64, len(s.Channels))}}
	}
	if err := probe.Validate(); err != nil {
		return err
	}
	if len(s.House) > 40 {
		return bad("house", "%d house colours, at most 40", len(s.House))
	}
	for _, f := range []struct {
		name      string
		v, lo, hi float64
	}{
		{"size_mm", s.SizeMM[0], 60, MaxSizeMM}, {"size_mm", s.SizeMM[1], 80, MaxSizeMM},
		{"margin_mm", s.MarginMM, 1, 60}, {"patch_mm", s.PatchMM, patchMinMM, patchMaxMM},
		{"tint_percent", s.StripTint, 5, 100}, {"ink_limit_percent", s.InkLimit, 100, 1600},
	} {
		if !finite(f.v) || f.v < f.lo || f.v > f.hi {
			return bad(f.name, "%g; must be %g to %g", f.v, f.lo, f.hi)
		}
	}
	if s.StepMM != 0 && (s.StepMM < stepMinMM || s.StepMM > stepMaxMM) {
		return bad("step_mm", "%g; must be %g to %g, or left out if unknown", s.StepMM, stepMinMM, stepMaxMM)
	}
	if s.Passes > 1000 {
		return bad("passes", "%d; must be at most 1000, or left out if unknown", s.Passes)
	}
	return nil
}

// grid is where things go on the sheet.
type grid struct {
	left, right, top, bottom float64 // of what lies inside the outer marks
	body                     float64 // y where strips and patches begin
	stripW                   float64
	stripX                   [2]float64 // left edge of the two groups
	innerX                   [2]float64 // mark columns between strips and patches
	patchX, patchW, patchH   float64
	rows, cols               int
}

func (s Spec) arrange() (*grid, error) {
	in := s.MarginMM + MarkDiameterMM + markClearMM
	g := &grid{left: in, right: s.SizeMM[0] - in, top: in, bottom: s.SizeMM[1] - in}
	g.body = round(g.top + headerMM)
	n := float64(len(s.stripChannels()))
	inner := MarkDiameterMM + 2*markClearMM
	group := func(w float64) float64 { return n*(w+stripGapMM) + whiteStripMM }
	width, height := g.right-g.left, g.bottom-g.body
	room := func(w float64) float64 { return width - 2*group(w) - 2*inner }
	// Strips as wide as leaves the patches nearly half of the sheet.
	for g.stripW = 8; g.stripW > stripMinMM && room(g.stripW) < 0.45*width; g.stripW -= 0.5 {
	}
	g.cols = min(int(room(g.stripW)/s.PatchMM), 40)
	// In fewer columns a row could not carry every channel.
	least := max(4, len(s.Channels))
	if g.cols < least || height < 6*s.PatchMM {
		needW := s.SizeMM[0] - room(g.stripW) + float64(least)*s.PatchMM
		needH := s.SizeMM[1] - height + 6*s.PatchMM
		return nil, bad("size_mm", "%g x %g mm is too small for %d channels and patches of %g mm; needs at least %.0f x %.0f mm",
			s.SizeMM[0], s.SizeMM[1], len(s.Channels), s.PatchMM, math.Ceil(needW), math.Ceil(needH))
	}
	g.patchW = tenths(math.Min(room(g.stripW)/float64(g.cols), 1.25*s.PatchMM))
	g.patchH = s.patchHeight()
	g.rows = int(height / g.patchH)
	if g.rows*g.cols > maxPatches {
		g.rows = max(6, maxPatches/g.cols)
		g.patchH = tenths(math.Min(1.5*s.PatchMM, height/float64(g.rows)))
	}
	// Groups at the two sides, patches in the middle of what is left.
	gw := group(g.stripW)
	g.stripX = [2]float64{g.left, g.right - gw}
	g.innerX = [2]float64{g.left + gw + inner/2, g.right - gw - inner/2}
	g.patchX = round((g.innerX[0]+g.innerX[1])/2 - float64(g.cols)*g.patchW/2)
	return g, nil
}

// patchHeight is a height near the wanted one whose ratio to the paper step is far from simple
// fractions: where rows and steps keep a fixed phase, a row effect and a swath effect look the
// same (common practice, no source).
func (s Spec) patchHeight() float64 {
	if s.StepMM == 0 {
		return tenths(s.PatchMM)
	}
	best, bestGap := s.PatchMM, -1.0
	for d := 0; d <= 8; d++ {
		for _, sign := range []float64{1, -1} {
			h := math.Round(10*(s.PatchMM+sign*0.1*float64(d))) / 10
			if h < patchMinMM {
				continue
			}
			gap := math.Inf(1)
			for q := 1.0; q <= 4; q++ {
				r := q * h / s.StepMM
				gap = math.Min(gap, math.Abs(r-math.Round(r))/q)
			}
			if gap > bestGap+1e-9 {
				best, bestGap = h, gap
			}
		}
	}
	return best
}

// marks stand in the corners, along all four sides, and beside the strips.
func (g *grid) marks(s Spec) []Mark {
	m := s.MarginMM + MarkDiameterMM/2
	xs := evenly(m, s.SizeMM[0]-m, markEveryMM)
	ys := evenly(m, s.SizeMM[1]-m, markFeedMM)
	var marks []Mark
	for i, y := range ys {
		for j, x := range xs {
			if i == 0 || i == len(ys)-1 || j == 0 || j == len(xs)-1 {
				marks = append(marks, Mark{round(x), round(y)})
			}
		}
		if y > g.body && i < len(ys)-1 {
			marks = append(marks, Mark{round(g.innerX[0]), round(y)}, Mark{round(g.innerX[1]), round(y)})
		}
	}
	return marks
}

// evenly places points from a to b, both included, at most every mm apart.
func evenly(a, b, every float64) []float64 {
	n := int(math.Ceil((b - a) / every))
	out := make([]float64, n+1)
	for i := range out {
		out[i] = a + (b-a)*float64(i)/float64(n)
	}
	return out
}

func (g *grid) strips(s Spec) []Strip {
	var out []Strip
	for side, x := range g.stripX {
		name := [2]string{"left", "right"}[side]
		white := Strip{ID: "white-" + name, Y: round(g.body), H: round(g.bottom - g.body), W: whiteStripMM}
		if side == 0 {
			white.X = round(x)
			x += whiteStripMM + stripGapMM
			out = append(out, white)
		}
		for _, c := range s.stripChannels() {
			out = append(out, Strip{ID: stripName(c) + "-" + name, Channel: c, Tint: s.StripTint,
				X: round(x), Y: round(g.body), W: g.stripW, H: round(g.bottom - g.body)})
			x += g.stripW + stripGapMM
		}
		if side == 1 {
			white.X = round(x)
			out = append(out, white)
		}
	}
	return out
}

// stripChannels are the channels that have strips.
func (s Spec) stripChannels() []string {
	if s.Driven == DrivenRGB && !slices.Contains(s.Channels, Neutral) {
		return append(slices.Clone(s.Channels), Neutral)
	}
	return s.Channels
}

func stripName(channel string) string { return strings.ReplaceAll(channel, " ", "_") }

// round keeps positions to a micrometre, so that a layout reads well.
func round(mm float64) float64 { return math.Round(mm*1000) / 1000 }

// tenths rounds down to a tenth of a millimetre.
func tenths(mm float64) float64 { return math.Floor(mm*10+1e-6) / 10 }
