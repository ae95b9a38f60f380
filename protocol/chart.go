package protocol

import "fmt"

// Chart is a chart layout. A layout without geometry (ids and device values only, as an
// exchange-format file gives it) is enough for drift, not for row checks.
type Chart struct {
	Schema   string   `json:"schema"`
	ID       string   `json:"id"`
	Edition  string   `json:"edition,omitzero"` // opaque; changes when the layout does
	Channels []string `json:"channels"`
	Driven   string   `json:"driven"` // ink (tints per ink, 0..100) or rgb (0..255)
	Mirrored bool     `json:"mirrored,omitzero"`

	SizeMM        []float64 `json:"size_mm,omitempty"`        // width, height
	FeedAxis      string    `json:"feed_axis,omitzero"`       // x or y
	StepMM        float64   `json:"step_mm,omitzero"`         // paper step between passes
	NozzlePitchUM float64   `json:"nozzle_pitch_um,omitzero"` // distance of nozzles along the feed
	Nozzles       int       `json:"nozzles,omitzero"`         // nozzles in a row of the head
	Passes        int       `json:"passes,omitzero"`
	FirstNozzleMM *float64  `json:"first_nozzle_mm,omitzero"` // feed coordinate of the first nozzle in the first pass
	Marks         []Mark    `json:"marks,omitempty"`
	Code          *Code     `json:"code,omitzero"` // the square code with chart, edition and print number
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
	Row    int       `json:"row,omitzero"`
	Col    int       `json:"col,omitzero"`
	XMM    float64   `json:"x_mm,omitzero"`
	YMM    float64   `json:"y_mm,omitzero"`
	WMM    float64   `json:"w_mm,omitzero"`
	HMM    float64   `json:"h_mm,omitzero"`
	Device []float64 `json:"device"`
	House  string    `json:"house,omitzero"` // a colour the shop sells by
}

// NeutralChannel is the channel of a strip of equal R, G, B on an RGB-driven chart: what the
// driver prints mostly with black ink, so that lines of that ink show too. It has no device value.
const NeutralChannel = "K"

// Strip is one uniform strip along the feed. A strip of tint 0 has no channel: it is the white
// that traces are held against.
type Strip struct {
	ID          string  `json:"id"`
	Channel     string  `json:"channel,omitzero"`
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
	if err := checkTokenOr("edition", c.Edition); err != nil {
		return err
	}
	if len(c.Channels) == 0 || len(c.Channels) > MaxChannels {
		return refuse(CodeOutOfRange, "channels", fmt.Sprintf("%d channels, needs 1 to %d", len(c.Channels), MaxChannels))
	}
	known := map[string]bool{}
	for i, ch := range c.Channels {
		field := fmt.Sprintf("channels[%d]", i)
		if err := checkName(field, ch); err != nil {
			return err
		}
		if known[ch] {
			return refuse(CodeBadValue, field, fmt.Sprintf("channel %q stands twice", clip(ch, 60)))
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
	if err := checkCount("patches", len(c.Patches), MaxPatches, "patches"); err != nil {
		return err
	}
	seen := make(map[string]struct{}, len(c.Patches))
	for i := range c.Patches {
		p := &c.Patches[i]
		field := fmt.Sprintf("patches[%d]", i)
		if err := first(checkName(field+".id", p.ID), checkText(field+".house", p.House)); err != nil {
			return err
		}
		if _, twice := seen[p.ID]; twice {
			return refuse(CodeDuplicatePatch, field+".id", fmt.Sprintf("patch %q stands twice", clip(p.ID, 60)))
		}
		seen[p.ID] = struct{}{}
		if p.Device == nil {
			return refuse(CodeMissing, field+".device", "give the chart's own values of the patch, one a channel")
		}
		if len(p.Device) != len(c.Channels) {
			return refuse(CodeBadValue, field+".device", fmt.Sprintf("%d values for %d channels", len(p.Device), len(c.Channels)))
		}
		for _, v := range p.Device {
			if !inRange(v, 0, most) {
				return refuse(CodeOutOfRange, field+".device", fmt.Sprintf("%g is outside 0 to %g, the values of a chart driven by %s", v, most, c.Driven))
			}
		}
		if err := checkPlaces(field, p.XMM, p.YMM, p.WMM, p.HMM); err != nil {
			return err
		}
		if p.Row < 0 || p.Col < 0 {
			return refuse(CodeOutOfRange, field, "rows and columns count from 1")
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
	if err := checkCount("marks", len(c.Marks), 1000, "marks"); err != nil {
		return err
	}
	for i, m := range c.Marks {
		if err := checkPlaces(fmt.Sprintf("marks[%d]", i), m.XMM, m.YMM); err != nil {
			return err
		}
	}
	if c.Code != nil {
		return checkPlaces("code", c.Code.XMM, c.Code.YMM, c.Code.WMM)
	}
	return nil
}

// checkPlaces refuses what cannot be a place or a size on a sheet.
func checkPlaces(field string, mm ...float64) error {
	for _, v := range mm {
		if !inRange(v, 0, 100_000) {
			return refuse(CodeOutOfRange, field, fmt.Sprintf("%g: places and sizes are millimetres from the origin, 0 to 100000", v))
		}
	}
	return nil
}

func (c *Chart) validateStrips(known map[string]bool) error {
	if err := checkCount("strips", len(c.Strips), MaxTraces, "strips"); err != nil {
		return err
	}
	ids := map[string]bool{}
	for i := range c.Strips {
		s := &c.Strips[i]
		field := fmt.Sprintf("strips[%d]", i)
		if err := checkName(field+".id", s.ID); err != nil {
			return err
		}
		switch {
		case ids[s.ID]:
			return refuse(CodeDuplicateStrip, field+".id", fmt.Sprintf("strip %q stands twice", clip(s.ID, 60)))
		case !known[s.Channel] && !(c.Driven == DrivenRGB && s.Channel == NeutralChannel) && !(s.Channel == "" && s.TintPercent == 0):
			return refuse(CodeBadValue, field+".channel", fmt.Sprintf("%q is not a channel of this chart", clip(s.Channel, 60)))
		case !inRange(s.TintPercent, 0, 100):
			return refuse(CodeOutOfRange, field+".tint_percent", "percent, 0 to 100")
		}
		if err := checkPlaces(field, s.XMM, s.YMM, s.WMM, s.HMM); err != nil {
			return err
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
		return refuse(CodeWrongChart, "chart", fmt.Sprintf("the reading is of %s, the layout is %s", chartName(r.Chart, r.Edition), chartName(c.ID, c.Edition)))
	}
	if p := r.Patches; p != nil {
		places := c.Places(p.ID)
		for i, id := range p.ID {
			k := places[i]
			if k < 0 {
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

// Places gives, for each patch name, which patch of the layout it is; -1: none.
func (c *Chart) Places(ids []string) []int {
	places := make([]int, len(ids))
	var index map[string]int
	for i, id := range ids {
		places[i] = i
		if i < len(c.Patches) && c.Patches[i].ID == id { // most readings stand in the layout's own order
			continue
		}
		if index == nil {
			index = make(map[string]int, len(c.Patches))
			for k := range c.Patches {
				index[c.Patches[k].ID] = k
			}
		}
		k, ok := index[id]
		if !ok {
			k = -1
		}
		places[i] = k
	}
	return places
}

func chartName(id, edition string) string {
	if edition == "" {
		return id + " without an edition"
	}
	return id + " edition " + edition
}

func (c *Chart) checkTraces(traces []Trace) error {
	for i := range traces {
		t := &traces[i]
		field := fmt.Sprintf("traces[%d]", i)
		found := false
		for k := range c.Strips {
			s := &c.Strips[k]
			if s.ID != t.Strip {
				continue
			}
			found = true
			if s.Channel != t.Channel {
				return refuse(CodeWrongChart, field+".channel", fmt.Sprintf("strip %q is channel %q on chart %s, %q in the reading", clip(t.Strip, 60), s.Channel, c.ID, clip(t.Channel, 60)))
			}
			if d := s.TintPercent - t.TintPercent; t.TintPercent != 0 && (d > deviceSlack || d < -deviceSlack) {
				return refuse(CodeWrongChart, field+".tint_percent", fmt.Sprintf("strip %q has %g %% on chart %s, %g %% in the reading", clip(t.Strip, 60), s.TintPercent, c.ID, t.TintPercent))
			}
		}
		if !found {
			return refuse(CodeWrongChart, field+".strip", fmt.Sprintf("chart %s has no strip %q", c.ID, clip(t.Strip, 60)))
		}
	}
	return nil
}
