package judge

import (
	"encoding/binary"
	"fmt"
	"math"

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

// grid is what the rows of a layout are judged by: where each patch stands and how it answers to
// each channel. It is made once for a baseline.
type grid struct {
	row, col    []int
	channels    []string
	mean        [][3]float64
	signatures  [][][3]float64 // factor, patch
	sensitivity [][][3]float64 // patch, channel: d(Lab) / d ln(amount)
	rowMM       []float64
}

// newGrid gives nil for a layout whose patches have no places: that is enough for drift, not for
// rows.
func newGrid(c *protocol.Chart, b *drift.Baseline) (*grid, error) {
	n := len(c.Patches)
	g := &grid{channels: c.Channels, mean: b.Mean}
	for i := range c.Patches {
		p := &c.Patches[i]
		if p.Row == 0 || p.Col == 0 {
			return nil, nil
		}
		g.row, g.col = append(g.row, p.Row), append(g.col, p.Col)
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
	for f := range b.Factors {
		sig := make([][3]float64, n)
		for p := range sig {
			for k := range 3 {
				at := 4 * (3*(f*n+p) + k)
				sig[p][k] = float64(math.Float32frombits(binary.LittleEndian.Uint32(b.Signatures[at:])))
			}
		}
		g.signatures = append(g.signatures, sig)
	}
	g.sensitivity = make([][][3]float64, n)
	for p := range g.sensitivity {
		g.sensitivity[p] = make([][3]float64, len(c.Channels))
	}
	for f, factor := range b.Factors {
		if factor.Kind != drift.KindStrength {
			continue
		}
		for ch, name := range c.Channels {
			if name != factor.Channel {
				continue
			}
			for p := range g.sensitivity {
				for k := range 3 {
					g.sensitivity[p][ch][k] = 100 * g.signatures[f][p][k]
				}
			}
		}
	}
	return g, nil
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
	in := banding.Grid{Channels: g.channels, RowMM: g.rowMM}
	for p := range g.mean {
		if s.Missing[p] {
			continue
		}
		res := [3]float64{s.Lab[p].L - g.mean[p][0], s.Lab[p].A - g.mean[p][1], s.Lab[p].B - g.mean[p][2]}
		for f := range g.signatures {
			if f >= len(r.Values) {
				break
			}
			for k := range 3 {
				res[k] -= r.Values[f].Value * g.signatures[f][p][k]
			}
		}
		in.Row, in.Col = append(in.Row, g.row[p]), append(in.Col, g.col[p])
		in.Residual = append(in.Residual, res)
		in.Sensitivity = append(in.Sensitivity, g.sensitivity[p])
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
