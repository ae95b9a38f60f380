package chart

import (
	"fmt"
	"math"
	"regexp"
	"slices"
)

// Limits of a layout. They are far above any chart a shop prints, and keep a hostile file
// from asking for unreasonable work.
const (
	MaxPatches  = 10000
	MaxStrips   = 256
	MaxMarks    = 1024
	MaxChannels = 16
	MaxSizeMM   = 5000.0
)

var token = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,62}$`)

// A FieldError says which field of a layout is wrong, and why.
type FieldError struct {
	Field string // path in the layout's JSON names, such as "patches[3].device"
	Why   string // what is wrong, and what is expected
}

func (e *FieldError) Error() string { return e.Field + ": " + e.Why }

func bad(field, format string, args ...any) error {
	return &FieldError{Field: field, Why: fmt.Sprintf(format, args...)}
}

// Validate checks tokens, channels, device values and geometry, and returns a [*FieldError]
// for the first thing that is wrong. Patches and strips must lie within the sheet and must not
// overlap; marks must be at least three and must not lie on one line.
func (l *Layout) Validate() error {
	if !token.MatchString(l.ID) {
		return bad("id", "%q is not a token: small letters, digits and hyphens, at most 63, not starting with a hyphen", l.ID)
	}
	if l.Edition != "" && !token.MatchString(l.Edition) {
		return bad("edition", "%q is not a token: small letters, digits and hyphens, at most 63, not starting with a hyphen", l.Edition)
	}
	if err := l.validateChannels(); err != nil {
		return err
	}
	if len(l.Patches) == 0 && len(l.Strips) == 0 {
		return bad("patches", "the layout has neither patches nor strips")
	}
	if len(l.Patches) > MaxPatches {
		return bad("patches", "%d patches, at most %d", len(l.Patches), MaxPatches)
	}
	if len(l.Strips) > MaxStrips {
		return bad("strips", "%d strips, at most %d", len(l.Strips), MaxStrips)
	}
	if err := l.validateHead(); err != nil {
		return err
	}
	if err := l.validateDevice(); err != nil {
		return err
	}
	return l.validateGeometry()
}

func (l *Layout) validateChannels() error {
	if l.Driven != DrivenInk && l.Driven != DrivenRGB {
		return bad("driven", "%q; must be %q or %q", l.Driven, DrivenInk, DrivenRGB)
	}
	if len(l.Channels) == 0 || len(l.Channels) > MaxChannels {
		return bad("channels", "%d channels, must be 1 to %d", len(l.Channels), MaxChannels)
	}
	for i, c := range l.Channels {
		if c == "" || len(c) > 32 {
			return bad(fmt.Sprintf("channels[%d]", i), "the name must have 1 to 32 characters")
		}
		if slices.Contains(l.Channels[:i], c) {
			return bad(fmt.Sprintf("channels[%d]", i), "%q is named twice", c)
		}
	}
	if l.Driven == DrivenRGB && len(l.Channels) != 3 {
		return bad("channels", "an RGB-driven chart has 3 channels, here %d", len(l.Channels))
	}
	return nil
}

func (l *Layout) validateHead() error {
	for _, f := range []struct {
		name string
		v    float64
	}{{"step_mm", l.StepMM}, {"nozzle_pitch_um", l.PitchUM}, {"nozzles", float64(l.Nozzles)}, {"passes", float64(l.Passes)}} {
		if !finite(f.v) || f.v < 0 || f.v > 1e5 {
			return bad(f.name, "%g; must be positive, or left out if unknown", f.v)
		}
	}
	if l.FirstNozzleMM != nil && (!finite(*l.FirstNozzleMM) || math.Abs(*l.FirstNozzleMM) > MaxSizeMM) {
		return bad("first_nozzle_mm", "%g; must be a position on the sheet", *l.FirstNozzleMM)
	}
	return nil
}

func (l *Layout) validateDevice() error {
	n, top := len(l.Channels), 100.0
	if l.Driven == DrivenRGB {
		top = 255
	}
	ids := make(map[string]bool, len(l.Patches)+len(l.Strips))
	for i, p := range l.Patches {
		at := fmt.Sprintf("patches[%d]", i)
		if err := newID(ids, at, "p:", p.ID); err != nil {
			return err
		}
		if len(p.Device) != n {
			return bad(at+".device", "patch %s has %d device values, the chart has %d", p.ID, len(p.Device), n)
		}
		for _, v := range p.Device {
			if !finite(v) || v < 0 || v > top {
				return bad(at+".device", "patch %s: %g is outside 0..%g", p.ID, v, top)
			}
		}
		if len(p.House) > 100 {
			return bad(at+".house", "the name is longer than 100 characters")
		}
	}
	for i, s := range l.Strips {
		at := fmt.Sprintf("strips[%d]", i)
		if err := newID(ids, at, "s:", s.ID); err != nil {
			return err
		}
		if !finite(s.Tint) || s.Tint < 0 || s.Tint > 100 {
			return bad(at+".tint_percent", "strip %s: %g is outside 0..100", s.ID, s.Tint)
		}
		neutral := l.Driven == DrivenRGB && s.Channel == Neutral
		if (!s.White() || s.Channel != "") && !neutral && !slices.Contains(l.Channels, s.Channel) {
			return bad(at+".channel", "strip %s: %q is not one of the channels %v", s.ID, s.Channel, l.Channels)
		}
	}
	return nil
}

func newID(seen map[string]bool, at, kind, id string) error {
	if id == "" || len(id) > 64 {
		return bad(at+".id", "must have 1 to 64 characters")
	}
	if seen[kind+id] {
		return bad(at+".id", "%q is used twice", id)
	}
	seen[kind+id] = true
	return nil
}

// box is a rectangle on the sheet with a name for messages.
type box struct {
	at, name   string
	x, y, w, h float64
}

func (l *Layout) validateGeometry() error {
	if l.SizeMM == [2]float64{} {
		return l.validateNoGeometry()
	}
	for i, v := range l.SizeMM {
		if !finite(v) || v <= 0 || v > MaxSizeMM {
			return bad(fmt.Sprintf("size_mm[%d]", i), "%g; must be over 0 and at most %g", v, MaxSizeMM)
		}
	}
	if l.FeedAxis != "y" && l.FeedAxis != "x" {
		return bad("feed_axis", "%q; must be \"y\" or \"x\"", l.FeedAxis)
	}
	var boxes []box
	for i, p := range l.Patches {
		if p.Row < 0 || p.Col < 0 || p.Row > MaxPatches || p.Col > MaxPatches {
			return bad(fmt.Sprintf("patches[%d].row", i), "patch %s: row %d, column %d; they count from 1", p.ID, p.Row, p.Col)
		}
		boxes = append(boxes, box{fmt.Sprintf("patches[%d]", i), "patch " + p.ID, p.X, p.Y, p.W, p.H})
	}
	for i, s := range l.Strips {
		boxes = append(boxes, box{fmt.Sprintf("strips[%d]", i), "strip " + s.ID, s.X, s.Y, s.W, s.H})
	}
	if c := l.Code; c != nil {
		boxes = append(boxes, box{"code", "the code", c.X, c.Y, c.W, c.W})
	}
	for _, b := range boxes {
		if !finite(b.x, b.y, b.w, b.h) || b.w <= 0 || b.h <= 0 {
			return bad(b.at+".w_mm", "%s is %g x %g mm; both must be positive", b.name, b.w, b.h)
		}
		if b.x < 0 || b.y < 0 || b.x+b.w > l.SizeMM[0]+eps || b.y+b.h > l.SizeMM[1]+eps {
			return bad(b.at+".x_mm", "%s at (%g, %g), %g x %g mm, reaches beyond the sheet of %g x %g mm",
				b.name, b.x, b.y, b.w, b.h, l.SizeMM[0], l.SizeMM[1])
		}
	}
	if a, b, ok := overlap(boxes); ok {
		return bad(b.at+".x_mm", "%s overlaps %s", b.name, a.name)
	}
	return l.validateMarks()
}

// eps is what two lengths in millimetres may differ by for rounding alone.
const eps = 2e-3

func (l *Layout) validateNoGeometry() error {
	if len(l.Strips) > 0 || len(l.Marks) > 0 || l.Code != nil {
		return bad("size_mm", "missing, though the layout has strips, marks or a code")
	}
	for i, p := range l.Patches {
		if p.X != 0 || p.Y != 0 || p.W != 0 || p.H != 0 {
			return bad("size_mm", "missing, though patches[%d] has a place", i)
		}
	}
	return nil
}

// overlap finds two boxes that share an area, by sorting along x.
func overlap(boxes []box) (a, b box, found bool) {
	s := slices.Clone(boxes)
	slices.SortStableFunc(s, func(p, q box) int {
		switch {
		case p.x < q.x:
			return -1
		case p.x > q.x:
			return 1
		}
		return 0
	})
	for i := range s {
		for j := i + 1; j < len(s) && s[j].x < s[i].x+s[i].w-eps; j++ {
			if s[j].y < s[i].y+s[i].h-eps && s[i].y < s[j].y+s[j].h-eps {
				return s[i], s[j], true
			}
		}
	}
	return a, b, false
}

func (l *Layout) validateMarks() error {
	if len(l.Marks) == 0 {
		return nil
	}
	if len(l.Marks) < 3 || len(l.Marks) > MaxMarks {
		return bad("marks", "%d marks; must be none, or 3 to %d", len(l.Marks), MaxMarks)
	}
	flat := true
	for i, m := range l.Marks {
		if !finite(m.X, m.Y) || m.X < 0 || m.Y < 0 || m.X > l.SizeMM[0] || m.Y > l.SizeMM[1] {
			return bad(fmt.Sprintf("marks[%d]", i), "(%g, %g) is not on the sheet", m.X, m.Y)
		}
		for j, o := range l.Marks[:i] {
			if math.Hypot(m.X-o.X, m.Y-o.Y) < MarkDiameterMM {
				return bad(fmt.Sprintf("marks[%d]", i), "overlaps marks[%d]", j)
			}
		}
	}
	// The largest triangle with the first mark and the one farthest from it: if even that is
	// flat, no turn or shear can be told from the marks.
	a, far := l.Marks[0], l.Marks[1]
	for _, m := range l.Marks {
		if math.Hypot(m.X-a.X, m.Y-a.Y) > math.Hypot(far.X-a.X, far.Y-a.Y) {
			far = m
		}
	}
	d := math.Hypot(far.X-a.X, far.Y-a.Y)
	for _, m := range l.Marks {
		if off := math.Abs((far.X-a.X)*(m.Y-a.Y)-(far.Y-a.Y)*(m.X-a.X)) / d; off > 10 {
			flat = false
		}
	}
	if flat {
		return bad("marks", "all on one line; a turned scan could not be straightened")
	}
	return nil
}

func finite(vs ...float64) bool {
	for _, v := range vs {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
