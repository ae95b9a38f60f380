package station

import (
	"fmt"

	"swathkeeper/measure/pair"
	"swathkeeper/protocol"
	"swathkeeper/protocol/measurement"
)

// matchChart gives the patches of a measurement file the ids of the chart that it is a reading of:
// programs number patches in their own ways. How the patches were paired, where it was not by equal
// ids, becomes a warning of the file. Patches that share their device values with others and have
// no other sign are left out, and that is said; any other patch that the chart does not have is an
// error.
func matchChart(c *protocol.Chart, m *measurement.File, p *protocol.Patches) error {
	chart := pair.Side{Label: "the chart", Channels: c.Channels}
	for i := range c.Patches {
		chart.ID = append(chart.ID, c.Patches[i].ID)
		chart.Device = append(chart.Device, c.Patches[i].Device)
	}
	r, err := pair.Match(chart, pair.Side{Label: m.Name, ID: m.ID, Name: m.Names, Channels: m.Channels, Device: m.Device}, pair.Options{})
	if err != nil {
		return fmt.Errorf("%s against chart %s: %w", m.Name, c.ID, err)
	}
	if len(r.OnlyB) > 0 && r.By != pair.ByDevice {
		return fmt.Errorf("%s: %d patches are not in chart %s, the first is %q", m.Name, len(r.OnlyB), c.ID, m.ID[r.OnlyB[0]])
	}
	m.Warnings = append(m.Warnings, r.Warnings...)
	if r.By == pair.ByID && len(r.A) == len(p.ID) && sameIDs(chart.ID, p.ID, r) {
		return nil
	}
	take := func(rows [][3]float64) protocol.Triples {
		if rows == nil {
			return nil
		}
		out := make(protocol.Triples, len(r.B))
		for i, k := range r.B {
			out[i] = rows[k]
		}
		return out
	}
	takeRows := func(rows [][]float64) protocol.Matrix {
		if rows == nil {
			return nil
		}
		out := make(protocol.Matrix, len(r.B))
		for i, k := range r.B {
			out[i] = rows[k]
		}
		return out
	}
	ids := make([]string, len(r.A))
	for i, k := range r.A {
		ids[i] = chart.ID[k]
	}
	p.ID, p.Lab, p.XYZ, p.RGB, p.Device = ids, take(p.Lab), take(p.XYZ), take(p.RGB), takeRows(p.Device)
	if p.Spectra != nil {
		p.Spectra = &protocol.Spectra{StartNM: p.Spectra.StartNM, StepNM: p.Spectra.StepNM, Values: takeRows(p.Spectra.Values)}
	}
	return nil
}

// sameIDs tells whether every pair has one id.
func sameIDs(a, b []string, r pair.Result) bool {
	for i := range r.A {
		if a[r.A[i]] != b[r.B[i]] {
			return false
		}
	}
	return true
}
