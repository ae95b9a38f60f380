// Package compare is where two measurements of one chart meet: their patches are paired, and the
// colour differences summed up. It learns nothing and judges no cause; that is the judge's.
package compare

import (
	"fmt"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
	"swathkeeper/measure/pair"
	"swathkeeper/protocol/measurement"
	"swathkeeper/worker/judge"
)

// Result is what a comparison found. Differences are CIEDE2000.
type Result struct {
	N          int      `json:"n"`                    // pairs
	PairedBy   string   `json:"paired_by"`            // id, name, device or position
	MeanDE00   float64  `json:"mean_de00"`            //
	MedianDE00 float64  `json:"median_de00"`          //
	P95DE00    float64  `json:"p95_de00"`             // linear interpolation
	MaxDE00    float64  `json:"max_de00"`             //
	WorstPatch string   `json:"worst_patch"`          // its id in A
	WhiteDE00  *float64 `json:"white_de00,omitempty"` // of the lightest patch of A
	OnlyA      []string `json:"only_a,omitempty"`     // patches without a partner
	OnlyB      []string `json:"only_b,omitempty"`
	Warnings   []string `json:"warnings,omitempty"`
}

// Beyond tells which of the shop's tolerances for a chart the differences pass.
func (r Result) Beyond(t drift.Tolerances) []string {
	var out []string
	if r.MeanDE00 > t.MeanDE00 {
		out = append(out, fmt.Sprintf("the chart mean, %.2f, is over the tolerance of %.2f dE00", r.MeanDE00, t.MeanDE00))
	}
	if r.P95DE00 > t.P95DE00 {
		out = append(out, fmt.Sprintf("the 95th percentile, %.2f, is over the tolerance of %.2f dE00", r.P95DE00, t.P95DE00))
	}
	return out
}

// Compare pairs the patches of two measurements and sums up their differences. by is the way of
// pairing (package pair); empty takes what the evidence allows. Measurements of different measuring
// conditions, illuminants or observers are refused.
func Compare(a, b *measurement.File, by string) (Result, error) {
	if ma, mb := a.Condition.Mode, b.Condition.Mode; ma != "" && mb != "" && ma != mb {
		return Result{}, fmt.Errorf("%s was measured as %s, %s as %s: the two differ on brightened goods and are never compared", a.Name, ma, b.Name, mb)
	}
	la, lb, note, err := labs(a, b)
	if err != nil {
		return Result{}, err
	}
	m, err := pair.Match(Side(a, la), Side(b, lb), pair.Options{By: by})
	if err != nil {
		return Result{}, err
	}
	r := Result{N: len(m.A), PairedBy: m.By, Warnings: m.Warnings}
	if note != "" {
		r.Warnings = append(r.Warnings, note)
	}
	if ma, mb := a.Condition.Mode, b.Condition.Mode; (ma == "") != (mb == "") {
		stated, silent := a, b
		if ma == "" {
			stated, silent = b, a
		}
		r.Warnings = append(r.Warnings, fmt.Sprintf("%s was measured as %s, %s does not say how: M0 to M3 differ on brightened goods", stated.Name, stated.Condition.Mode, silent.Name))
	}
	if ba, bb := a.Condition.Backing, b.Condition.Backing; ba != "" && bb != "" && ba != bb {
		r.Warnings = append(r.Warnings, fmt.Sprintf("%s was measured on %s backing, %s on %s: thin goods differ by that alone", a.Name, ba, b.Name, bb))
	}
	de := make([]float64, r.N)
	worst, white := 0, 0
	sum := 0.0
	for i := range m.A {
		de[i] = colour.DE2000(la[m.A[i]], lb[m.B[i]])
		sum += de[i]
		if de[i] > de[worst] {
			worst = i
		}
		if la[m.A[i]].L > la[m.A[white]].L {
			white = i
		}
	}
	r.MeanDE00, r.MaxDE00, r.WorstPatch = sum/float64(r.N), de[worst], a.ID[m.A[worst]]
	w := de[white]
	r.WhiteDE00 = &w
	r.MedianDE00, r.P95DE00 = drift.Quantile(de, 0.5), drift.Quantile(de, 0.95)
	for _, i := range m.OnlyA {
		r.OnlyA = append(r.OnlyA, a.ID[i])
	}
	for _, i := range m.OnlyB {
		r.OnlyB = append(r.OnlyB, b.ID[i])
	}
	return r, nil
}

// labs gives the Lab values of both. Those that are not for D50 and 2 degrees may be compared with
// their like.
func labs(a, b *measurement.File) (la, lb []colour.Lab, note string, err error) {
	pa, errA := a.Patches()
	pb, errB := b.Patches()
	if errA != nil && errB != nil && a.Fault != "" && b.Fault != "" && a.Lab != nil && b.Lab != nil &&
		a.Condition.Illuminant == b.Condition.Illuminant && a.Condition.Observer == b.Condition.Observer && a.Condition.Illuminant != "" {
		note = fmt.Sprintf("both are for illuminant %s and the %s degree observer; compared as they are", a.Condition.Illuminant, a.Condition.Observer)
		return plain(a), plain(b), note, nil
	}
	for _, err := range []error{errA, errB} {
		if err != nil {
			return nil, nil, "", err
		}
	}
	if la, err = judge.Labs(pa); err != nil {
		return nil, nil, "", fmt.Errorf("%s: %w", a.Name, err)
	}
	if lb, err = judge.Labs(pb); err != nil {
		return nil, nil, "", fmt.Errorf("%s: %w", b.Name, err)
	}
	return la, lb, "", nil
}

func plain(f *measurement.File) []colour.Lab {
	out := make([]colour.Lab, len(f.Lab))
	for i, v := range f.Lab {
		out[i] = colour.Lab{L: v[0], A: v[1], B: v[2]}
	}
	return out
}

// Side is a file as pairing wants it, with labs as its colours.
func Side(f *measurement.File, labs []colour.Lab) pair.Side {
	s := pair.Side{Label: f.Name, ID: f.ID, Name: f.Names, Channels: f.Channels, Device: f.Device}
	for _, v := range labs {
		s.Lab = append(s.Lab, [3]float64{v.L, v.A, v.B})
	}
	return s
}
