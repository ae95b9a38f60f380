package search

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"swathkeeper/measure/aim"
	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
	"swathkeeper/worker/judge"
)

// Ranked is one print against an aim.
type Ranked struct {
	File     string     `json:"file"`
	Preset   string     `json:"preset,omitempty"`
	MeanDE00 float64    `json:"mean_de00"`
	P95DE00  float64    `json:"p95_de00"`
	Cast     []aim.Part `json:"cast"`
	Words    string     `json:"words"`
}

// Ranking is several prints against one aim, the nearest first.
type Ranking struct {
	Aim        string   `json:"aim"`
	Patches    int      `json:"patches"`
	Out        int      `json:"out_of_reach"`
	PulledDE00 float64  `json:"pulled_de00"`
	Prints     []Ranked `json:"prints"`
	Note       string   `json:"note,omitempty"`
}

// Rank compares readings of one chart with an aim. All are held against the same colours: those
// of the aim that at least one of them can reach, and over the patches that all of them have. The
// error names a print that lacks more than one in five, or was measured in another way.
func Rank(c *protocol.Chart, a Aim, readings []*protocol.Reading, files []string) (*Ranking, error) {
	var sheets []sheet
	missing := make([]bool, len(c.Patches)) // from any of the prints
	for i, r := range readings {
		if err := c.CheckReading(r); err != nil {
			return nil, fmt.Errorf("%s: %w", files[i], err)
		}
		if err := modes("the aim", a.Mode, files[i], r.Instrument.Mode); err != nil {
			return nil, err
		}
		for k, other := range readings[:i] {
			if err := modes(files[k], other.Instrument.Mode, files[i], r.Instrument.Mode); err != nil {
				return nil, err
			}
			if x, y := other.Instrument.Kind, r.Instrument.Kind; x != y {
				return nil, fmt.Errorf("%s was made with instrument %s, %s with %s; the two are never compared", files[i], y, files[k], x)
			}
		}
		s, err := judge.Sample(c, r)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", files[i], err)
		}
		lacking := 0
		for p, m := range s.Missing {
			if m {
				lacking++
				missing[p] = true
			}
		}
		if n := len(missing); lacking > n/5 {
			return nil, fmt.Errorf("%s: %d of %d patches are missing; at most one in five may be; read it again", files[i], lacking, n)
		}
		sheets = append(sheets, sheet{lab: s.Lab, missing: s.Missing})
	}
	w, err := a.wanted(c, sheets)
	if err != nil {
		return nil, err
	}
	chart := judge.Chart(c)
	out := &Ranking{Aim: a.Text(), Patches: w.Of, Out: w.Out, PulledDE00: w.Mean, Note: a.Note}
	left := 0
	for p, k := range w.Weight {
		if k > 0 && missing[p] {
			w.Weight[p] = 0
			left++
		}
	}
	if left > 0 {
		out.Patches -= left
		out.Note = strings.TrimPrefix(fmt.Sprintf("%s; %d of %d patches are not in all prints and were left out of the comparison", out.Note, left, w.Of), "; ")
	}
	for i, s := range sheets {
		var de []float64
		sum := 0.0
		for p, k := range w.Weight {
			if k > 0 {
				d := colour.DE2000(s.lab[p], w.Lab[p])
				de = append(de, d)
				sum += d
			}
		}
		if len(de) == 0 {
			return nil, fmt.Errorf("no patch that the aim has a colour for is in all prints; rank fewer of them, or read them again")
		}
		r := Ranked{File: files[i], Preset: readings[i].Condition.Preset, MeanDE00: sum / float64(len(de)), P95DE00: drift.Quantile(de, 0.95)}
		r.Cast = aim.Cast(&chart, w.Lab, s.lab, missing, w.Weight)
		r.Words = aim.Words(r.Cast)
		out.Prints = append(out.Prints, r)
	}
	slices.SortStableFunc(out.Prints, func(a, b Ranked) int { return cmp.Compare(a.MeanDE00, b.MeanDE00) })
	return out, nil
}
