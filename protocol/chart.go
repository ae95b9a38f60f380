package protocol

import "fmt"

// Chart is a chart layout. A layout without geometry (ids and device values only, as an
// exchange-format file gives it) is enough for drift, not for row checks.
type Chart struct {
	Schema   string   `json:"schema"`
	ID       string   `json:"id"`
	Edition  string   `json:"edition,omitempty"` // opaque; changes when the layout does
	Channels []string `json:"channels"`
	Driven   string   `json:"driven"` // ink (tints per ink, 0..100) or rgb (0..255)
	Mirrored bool     `json:"mirrored,omitempty"`

	SizeMM        []float64 `json:"size_mm,omitempty"`         // width, height
	FeedAxis      string    `json:"feed_axis,omitempty"`       // x or y
	StepMM        float64   `json:"step_mm,omitempty"`         // paper step between passes
	NozzlePitchUM float64   `json:"nozzle_pitch_um,omitempty"` // distance of nozzles along the feed
	Nozzles       int       `json:"nozzles,omitempty"`         // nozzles in a row of the head
	Passes        int       `json:"passes,omitempty"`
	FirstNozzleMM *float64  `json:"first_nozzle_mm,omitempty"` // feed coordinate of the first nozzle in the first pass
	Marks         []Mark    `json:"marks,omitempty"`
	Code          *Code     `json:"code,omitempty"` // the square code with chart, edition and print number
	Patches       []Patch   `json:"patches"`
	Strips        []Strip   `json:"strips,omitempty"`
}

// Mark is the centre of a registration mark.
type Mark struct {
	XMM float64 `json:"x_mm"`
	YMM float64 `json:"y_mm"`
}

// Code is the place of the square code: its corner nearest the origin, and its side without the
// quiet zone.
type Code struct {
	XMM float64 `json:"x_mm"`
	YMM float64 `json:"y_mm"`
	WMM float64 `json:"w_mm"`
}

// Patch is one patch of a chart; x and y are its corner nearest the origin, as printed.
type Patch struct {
	ID     string    `json:"id"`
	Row    int       `json:"row,omitempty"`
	Col    int       `json:"col,omitempty"`
	XMM    float64   `json:"x_mm,omitempty"`
	YMM    float64   `json:"y_mm,omitempty"`
	WMM    float64   `json:"w_mm,omitempty"`
	HMM    float64   `json:"h_mm,omitempty"`
	Device []float64 `json:"device"`
	House  string    `json:"house,omitempty"` // a colour the shop sells by
}

// NeutralChannel is the channel of a strip of equal R, G, B on an RGB-driven chart: what the
// driver prints mostly with black ink, so that lines of that ink show too. It has no device value.
const NeutralChannel = "K"

// Strip is one uniform strip along the feed. A strip of tint 0 has no channel: it is the white
// that traces are held against.
type Strip struct {
	ID          string  `json:"id"`
	Channel     string  `json:"channel,omitempty"`
	TintPercent float64 `json:"tint_percent"`
	XMM         float64 `json:"x_mm"`
	YMM         float64 `json:"y_mm"`
	WMM         float64 `json:"w_mm"`
	HMM         float64 `json:"h_mm"`
}

// Ways a chart is driven.
const (
	DrivenInk = "ink"
	DrivenRGB = "rgb"
)

func (c *Chart) schemaName() string { return c.Schema }

// Validate checks a layout in itself. The error is always a *Refusal.
func (c *Chart) Validate() error {
	if err := checkToken("id", c.ID); err != nil {
		return err
	}
	if c.Edition != "" {
		if err := checkToken("edition", c.Edition); err != nil {
			return err
		}
	}
	if len(c.Channels) == 0 || len(c.Channels) > MaxChannels {
		return refuse(CodeBadValue, "channels", fmt.Sprintf("name 1 to %d channels", MaxChannels))
	}
	known := map[string]bool{}
	for i, ch := range c.Channels {
		if ch == "" || len(ch) > MaxText || known[ch] {
			return refuse(CodeBadValue, fmt.Sprintf("channels[%d]", i), "channel names must not be empty or stand twice")
		}
		known[ch] = true
	}
	if err := oneOf("driven", c.Driven, false, DrivenInk, DrivenRGB); err != nil {
		return err
	}
	if err := oneOf("feed_axis", c.FeedAxis, true, "x", "y"); err != nil {
		return err
	}
	most := 100.0
	if c.Driven == DrivenRGB {
		most = 255
		if len(c.Channels) != 3 {
			return refuse(CodeBadValue, "channels", fmt.Sprintf("an rgb-driven chart has 3 channels, this one %d", len(c.Channels)))
		}
	}
	if err := c.validateHead(); err != nil {
		return err
	}
	if len(c.Patches) == 0 && len(c.Strips) == 0 {
		return refuse(CodeMissing, "patches", "a chart needs patches or strips")
	}
	if len(c.Patches) > MaxPatches {
		return refuse(CodeOutOfRange, "patches", fmt.Sprintf("%d patches, at most %d", len(c.Patches), MaxPatches))
	}
	seen := make(map[string]struct{}, len(c.Patches))
	for i := range c.Patches {
		p := &c.Patches[i]
		field := fmt.Sprintf("patches[%d]", i)
		if p.ID == "" || len(p.ID) > MaxText {
			return refuse(CodeBadValue, field+".id", fmt.Sprintf("1 to %d bytes", MaxText))
		}
		if _, twice := seen[p.ID]; twice {
			return refuse(CodeDuplicatePatch, field+".id", fmt.Sprintf("patch %q stands twice", clip(p.ID, 60)))
		}
		seen[p.ID] = struct{}{}
		if len(p.Device) != len(c.Channels) {
			return refuse(CodeBadValue, field+".device", fmt.Sprintf("%d values for %d channels", len(p.Device), len(c.Channels)))
		}
		for _, v := range p.Device {
			if !inRange(v, 0, most) {
				return refuse(CodeOutOfRange, field+".device", fmt.Sprintf("%g is outside 0 to %g", v, most))
			}
		}
		for _, v := range [...]float64{p.XMM, p.YMM, p.WMM, p.HMM} {
			if !inRange(v, 0, 100_000) {
				return refuse(CodeOutOfRange, field, "sizes and places are millimetres from the origin")
			}
		}
		if len(p.House) > MaxText || p.Row < 0 || p.Col < 0 {
			return refuse(CodeOutOfRange, field, "rows and columns count from 1; a house colour's name has at most 200 bytes")
		}
	}
	return c.validateStrips(known)
}

func (c *Chart) validateHead() error {
	if c.SizeMM != nil && (len(c.SizeMM) != 2 || !inRange(c.SizeMM[0], 1, 100_000) || !inRange(c.SizeMM[1], 1, 100_000)) {
		return refuse(CodeBadValue, "size_mm", "give width and height in millimetres")
	}
	for _, f := range []struct {
		name   string
		v, max float64
	}{{"step_mm", c.StepMM, 1000}, {"nozzle_pitch_um", c.NozzlePitchUM, 10_000}, {"nozzles", float64(c.Nozzles), 100_000}, {"passes", float64(c.Passes), 1000}} {
		if !inRange(f.v, 0, f.max) {
			return refuse(CodeOutOfRange, f.name, fmt.Sprintf("0 (not known) to %g", f.max))
		}
	}
	if c.FirstNozzleMM != nil && !inRange(*c.FirstNozzleMM, -100_000, 100_000) {
		return refuse(CodeOutOfRange, "first_nozzle_mm", "millimetres on the chart")
	}
	if len(c.Marks) > 1000 {
		return refuse(CodeOutOfRange, "marks", "at most 1000 marks")
	}
	return nil
}

func (c *Chart) validateStrips(known map[string]bool) error {
	if len(c.Strips) > MaxTraces {
		return refuse(CodeOutOfRange, "strips", fmt.Sprintf("%d strips, at most %d", len(c.Strips), MaxTraces))
	}
	ids := map[string]bool{}
	for i := range c.Strips {
		s := &c.Strips[i]
		field := fmt.Sprintf("strips[%d]", i)
		switch {
		case s.ID == "" || len(s.ID) > MaxText || ids[s.ID]:
			return refuse(CodeBadValue, field+".id", "strip names must not be empty or stand twice")
		case !known[s.Channel] && !(c.Driven == DrivenRGB && s.Channel == NeutralChannel) && !(s.Channel == "" && s.TintPercent == 0):
			return refuse(CodeBadValue, field+".channel", fmt.Sprintf("%q is not a channel of this chart", clip(s.Channel, 60)))
		case !inRange(s.TintPercent, 0, 100):
			return refuse(CodeOutOfRange, field+".tint_percent", "percent, 0 to 100")
		}
		for _, v := range [...]float64{s.XMM, s.YMM, s.WMM, s.HMM} {
			if !inRange(v, 0, 100_000) {
				return refuse(CodeOutOfRange, field, "sizes and places are millimetres from the origin")
			}
		}
		ids[s.ID] = true
	}
	return nil
}

// deviceSlack is how far a reading's device values may stand from the layout's: files write them
// rounded. In units of the device scale (percent, or 0..255).
const deviceSlack = 0.51

// CheckReading refuses a reading whose patches or strips are not this chart's: unknown ids, or
// device values that contradict the layout. Missing patches are for the judge.
func (c *Chart) CheckReading(r *Reading) error {
	if r.Chart != c.ID || r.Edition != c.Edition {
		return refuse(CodeWrongChart, "chart", fmt.Sprintf("the reading is of %s %s, the layout is %s %s", r.Chart, r.Edition, c.ID, c.Edition))
	}
	if p := r.Patches; p != nil {
		index := make(map[string]int, len(c.Patches))
		for i := range c.Patches {
			index[c.Patches[i].ID] = i
		}
		for i, id := range p.ID {
			k, ok := index[id]
			if !ok {
				return refuse(CodeWrongChart, fmt.Sprintf("patches.id[%d]", i), fmt.Sprintf("chart %s has no patch %q; was another chart read?", c.ID, clip(id, 60)))
			}
			if p.Device == nil {
				continue
			}
			want, got := c.Patches[k].Device, p.Device[i]
			if len(got) != len(want) {
				return refuse(CodeWrongChart, fmt.Sprintf("patches.device[%d]", i), fmt.Sprintf("%d device values, chart %s has %d channels", len(got), c.ID, len(want)))
			}
			for j := range want {
				if d := got[j] - want[j]; d > deviceSlack || d < -deviceSlack {
					return refuse(CodeWrongChart, fmt.Sprintf("patches.device[%d]", i),
						fmt.Sprintf("patch %q is %g of %s in the reading, %g on chart %s; its patches stand in another chart's order", clip(id, 60), got[j], c.Channels[j], want[j], c.ID))
				}
			}
		}
	}
	return c.checkTraces(r.Traces)
}

func (c *Chart) checkTraces(traces []Trace) error {
	seen := map[string]bool{}
	for i := range traces {
		t := &traces[i]
		field := fmt.Sprintf("traces[%d]", i)
		if seen[t.Strip] {
			return refuse(CodeDuplicateStrip, field+".strip", fmt.Sprintf("strip %q stands twice", clip(t.Strip, 60)))
		}
		seen[t.Strip] = true
		found := false
		for k := range c.Strips {
			s := &c.Strips[k]
			if s.ID != t.Strip {
				continue
			}
			found = true
			if s.Channel != t.Channel {
				return refuse(CodeWrongChart, field+".channel", fmt.Sprintf("strip %q is %s on chart %s, %s in the reading", clip(t.Strip, 60), s.Channel, c.ID, clip(t.Channel, 60)))
			}
		}
		if !found {
			return refuse(CodeWrongChart, field+".strip", fmt.Sprintf("chart %s has no strip %q", c.ID, clip(t.Strip, 60)))
		}
	}
	return nil
}
