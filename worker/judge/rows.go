package judge

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"

	"swathkeeper/measure/banding"
	"swathkeeper/measure/cause"
	"swathkeeper/measure/drift"
	"swathkeeper/protocol"
)

// rowShare is the part of a reading's false-alarm budget that the rows of the patch grid get. It is
// small: traces find lines far better, and a weak group of nozzles is far above the limit anyway.
const rowShare = 1.0 / 7400

// rowActPercent is how much weaker a group of nozzles must print than the rest of its ink to call for
// action: the shop's tolerance for a whole channel is 3 %, and a group shows as a band.
const rowActPercent = 3.0

// grid is what the rows of a layout are judged by, as far as it has to be checked or sorted out once for a
// baseline: where each patch stands is read from the layout, and how it answers from the baseline.
type grid struct {
	chart    *protocol.Chart
	base     *drift.Baseline
	strength []int // channel -> its strength among the factors, -1 for none
	rowMM    []float64
}

// newGrid gives nil for a layout whose patches have no places: that is enough for drift, not for
// rows.
func newGrid(c *protocol.Chart, b *drift.Baseline) (*grid, error) {
	n := len(c.Patches)
	g := &grid{chart: c, base: b, strength: make([]int, len(c.Channels))}
	for i := range c.Patches {
		p := &c.Patches[i]
		if p.Row == 0 || p.Col == 0 {
			return nil, nil
		}
		if p.HMM > 0 {
			for len(g.rowMM) < p.Row {
				g.rowMM = append(g.rowMM, 0)
			}
			g.rowMM[p.Row-1] = p.YMM + p.HMM/2
		}
	}
	if want := 12 * n * len(b.Factors); len(b.Signatures) != want || len(b.Mean) != n {
		return nil, fmt.Errorf("baseline: %d bytes of signatures for %d factors and %d patches, want %d", len(b.Signatures), len(b.Factors), n, want)
	}
	for ch, name := range c.Channels {
		g.strength[ch] = slices.IndexFunc(b.Factors, func(f drift.Factor) bool { return f.Kind == drift.KindStrength && f.Channel == name })
	}
	return g, nil
}

// signature is the change in L*a*b* of patch p for one unit of factor f.
func (g *grid) signature(f, p int) (v [3]float64) {
	for k := range v {
		at := 4 * (3*(f*len(g.chart.Patches)+p) + k)
		v[k] = float64(math.Float32frombits(binary.LittleEndian.Uint32(g.base.Signatures[at:])))
	}
	return v
}

// sensitivity is how patch p answers to each channel: d(Lab) / d ln(amount).
func (g *grid) sensitivity(p int) [][3]float64 {
	out := make([][3]float64, len(g.strength))
	for ch, f := range g.strength {
		if f < 0 {
			continue
		}
		out[ch] = g.signature(f, p)
		for k := range out[ch] {
			out[ch][k] *= 100
		}
	}
	return out
}

// judgeRows looks for groups of nozzles: rows in which one ink is weaker than the chart-wide change
// accounts for.
func (m *Model) judgeRows(v *protocol.Verdict, s *drift.Sample, r *drift.Result) ([]cause.Line, error) {
	g := m.grid
	if g == nil || len(r.Rows) == 0 {
		// Drift looks at single channels in rows on its way; only where that sees something is the
		// whole regression worth its time.
		return nil, nil
	}
	in := banding.Grid{Channels: g.chart.Channels, RowMM: g.rowMM}
	for p, mean := range g.base.Mean {
		if s.Missing[p] {
			continue
		}
		res := [3]float64{s.Lab[p].L - mean[0], s.Lab[p].A - mean[1], s.Lab[p].B - mean[2]}
		for f := range min(len(g.base.Factors), len(r.Values)) {
			for k, v := range g.signature(f, p) {
				res[k] -= r.Values[f].Value * v
			}
		}
		at := &g.chart.Patches[p]
		in.Row, in.Col = append(in.Row, at.Row), append(in.Col, at.Col)
		in.Residual = append(in.Residual, res)
		in.Sensitivity = append(in.Sensitivity, g.sensitivity(p))
	}
	found, err := banding.JudgeGrid(in, rowShare)
	if err != nil {
		return nil, fmt.Errorf("rows: %w", err)
	}
	var out []cause.Line
	for _, f := range found.Rows {
		if !f.Confirmed {
			continue // the check that assumes no distribution does not agree
		}
		if v.Banding == nil {
			v.Banding = &protocol.Banding{Channels: []protocol.BandingChannel{}}
		}
		v.Banding.Rows = append(v.Banding.Rows, protocol.RowFinding{
			Channel: f.Channel, FirstRow: f.FirstRow, LastRow: f.LastRow, FromMM: round4(f.FromMM), ToMM: round4(f.ToMM),
			StrengthPercent: round4(f.StrengthPercent), StrengthSE: round4(f.StrengthPercentSE), Score: round4(f.Score), Limit: round4(f.Limit),
		})
		if f.StrengthPercent >= 0 {
			continue // stronger than the rest is no fault of nozzles
		}
		level := cause.Note
		if f.StrengthPercent <= -rowActPercent {
			level = cause.Act
		}
		out = append(out, cause.Line{Kind: string(banding.Section), Channel: f.Channel, Level: level, Section: true, Likelihood: 0.85, Count: 1})
	}
	return out, nil
}

// mergeSections adds what the rows show to what the strips show: the strips know more, so that a
// channel they have a section for is not told twice.
func mergeSections(strips, rows []cause.Line) []cause.Line {
	for _, r := range rows {
		known := false
		for _, l := range strips {
			known = known || (l.Section && l.Channel == r.Channel)
		}
		if !known {
			strips = append(strips, r)
		}
	}
	return strips
}
