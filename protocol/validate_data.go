package protocol

import (
	"fmt"
	"hash/maphash"
	"math/bits"
	"strings"
)

// Grids of spectra that colours can be computed from: what instruments for prints give, once a
// finer one is thinned out. They must reach far enough into the red that only little is left out.
const (
	minStartNM, maxStartNM = 300, 420
	minStepNM, maxStepNM   = 5, 20
	minEndNM               = 680
)

func (p *Patches) validate() error {
	n := len(p.ID)
	if n == 0 {
		return refuse(CodeMissing, "patches.id", "name the patches as the chart does")
	}
	if err := checkCount("patches.id", n, MaxPatches, "patches"); err != nil {
		return err
	}
	seen := newSeen(n)
	for i, id := range p.ID {
		if id == "" || len(id) > MaxText || seen.before(p.ID, i) || !plainASCII(id) {
			if err := p.explainID(i); err != nil {
				return err
			}
		}
	}
	var kinds []string
	for _, k := range []struct {
		name   string
		rows   Triples
		lo, hi [3]float64
		hint   string
	}{
		{"lab", p.Lab, [3]float64{-20, -300, -300}, [3]float64{200, 300, 300}, "L*, a*, b*"},
		{"xyz", p.XYZ, [3]float64{-5, -5, -5}, [3]float64{250, 250, 250}, "X, Y, Z with Y = 100 for the perfect white"},
		{"rgb", p.RGB, [3]float64{-0.1, -0.1, -0.1}, [3]float64{1.5, 1.5, 1.5}, "scanner values from 0 to 1"},
	} {
		if k.rows == nil {
			continue
		}
		kinds = append(kinds, k.name)
		if err := checkTriples("patches."+k.name, k.rows, n, k.lo, k.hi, k.hint); err != nil {
			return err
		}
	}
	if err := checkScale(p.XYZ); err != nil {
		return err
	}
	if p.Spectra != nil {
		kinds = append(kinds, "spectra")
		if err := p.Spectra.validate(n); err != nil {
			return err
		}
	}
	switch {
	case len(kinds) == 0:
		return refuse(CodeMissing, "patches", "needs one of lab, xyz, spectra and rgb")
	case len(kinds) > 1:
		return refuse(CodeBadValue, "patches", fmt.Sprintf("needs exactly one of lab, xyz, spectra and rgb, has %s", strings.Join(kinds, " and ")))
	case p.RGB == nil && p.Encoding != "":
		return refuse(CodeBadValue, "patches.encoding", "belongs to rgb alone; leave it out")
	case p.RGB != nil:
		if err := oneOf("patches.encoding", p.Encoding, false, "linear", "srgb"); err != nil {
			return err
		}
	}
	if p.Device != nil {
		return checkRows("patches.device", p.Device, n, 1, MaxChannels, 0, 255, "the chart's own values, percent or 0 to 255")
	}
	return nil
}

// seen tells names apart that stand in a list: a map that is made for every reading, and asked once for
// each name, is a fifth of what checking a reading takes.
type seen struct {
	seed   maphash.Seed // senders choose the names
	places []uint16     // of names in the list, from 1, by their hash
}

func newSeen(n int) seen {
	return seen{maphash.MakeSeed(), make([]uint16, 2<<bits.Len(uint(n)))}
}

// before reports whether the name at i stands before i as well, and remembers it otherwise. It is asked in
// order.
func (s *seen) before(names []string, i int) bool {
	mask := uint64(len(s.places) - 1)
	for at := maphash.String(s.seed, names[i]) & mask; ; at = (at + 1) & mask {
		switch k := s.places[at]; {
		case k == 0:
			s.places[at] = uint16(i + 1) // at most MaxPatches
			return false
		case names[k-1] == names[i]:
			return true
		}
	}
}

func plainASCII(s string) bool {
	for i := range len(s) {
		if s[i] < ' ' || s[i] >= 0x7f {
			return false
		}
	}
	return true
}

// explainID says what is wrong with a patch's name, or nil when it is only not ASCII.
func (p *Patches) explainID(i int) error {
	field, id := fmt.Sprintf("patches.id[%d]", i), p.ID[i]
	if err := checkName(field, id); err != nil {
		return err
	}
	for _, other := range p.ID[:i] {
		if other == id {
			return refuse(CodeDuplicatePatch, field, fmt.Sprintf("patch %q stands twice; a reading gives each patch once", clip(id, 60)))
		}
	}
	return nil
}

func (s *Spectra) validate(n int) error {
	const field = "patches.spectra"
	if err := first(checkNumber(field+".start_nm", s.StartNM, minStartNM, maxStartNM, "nanometres"),
		checkNumber(field+".step_nm", s.StepNM, minStepNM, maxStepNM, "nanometres")); err != nil {
		return err
	}
	if err := checkRows(field+".values", s.Values, n, 4, 1000, -0.05, 2, "reflectance factors (not percent)"); err != nil {
		return err
	}
	if end := s.StartNM + s.StepNM*float64(len(s.Values[0])-1); end < minEndNM {
		return refuse(CodeOutOfRange, field+".values", fmt.Sprintf("the spectra end at %g nm and must reach %d nm", end, minEndNM))
	}
	return nil
}

func (t *Trace) validate() error {
	err := first(
		checkName("strip", t.Strip),
		checkText("channel", t.Channel),
		checkNumber("tint_percent", t.TintPercent, 0, 100, "percent"),
		checkNumber("start_mm", t.StartMM, -10_000, 100_000, "millimetres on the chart"),
		checkNumber("pitch_um", t.PitchUM, 1, 20_000, "micrometres from sample to sample"),
	)
	if err != nil {
		return err
	}
	if t.Channel == "" && t.TintPercent != 0 {
		return refuse(CodeMissing, "channel", "name the channel as the chart does; only a white strip has none")
	}
	if err := oneOf("unit", t.Unit, false, UnitDensity, UnitLightness); err != nil {
		return err
	}
	lo, hi := -1.0, 10.0 // a density below the paper's is noise; above 6 no instrument reads
	if t.Unit == UnitLightness {
		lo, hi = -20, 200
	}
	switch {
	case t.Values == nil && t.F32 == "":
		return refuse(CodeMissing, "values", "needs values or f32")
	case t.Values != nil && t.F32 != "":
		return refuse(CodeBadValue, "f32", "needs values or f32, not both")
	case t.F32 != "":
		return t.validateF32(lo, hi)
	}
	if n := len(t.Values); n < 2 || n > MaxSamples {
		return refuse(CodeOutOfRange, "values", fmt.Sprintf("%d samples, needs 2 to %d", n, MaxSamples))
	}
	for i, v := range t.Values {
		if !inRange(v, lo, hi) {
			return refuse(CodeOutOfRange, fmt.Sprintf("values[%d]", i), fmt.Sprintf("%g is no %s, %g to %g", v, t.Unit, lo, hi))
		}
	}
	return nil
}

func (t *Trace) validateF32(lo, hi float64) error {
	if n := len(t.F32) / 16 * 3; n > MaxSamples {
		return refuse(CodeOutOfRange, "f32", fmt.Sprintf("more than %d samples, needs 2 to %d", MaxSamples, MaxSamples))
	}
	samples, r := t.unpack()
	if r != nil {
		return r
	}
	n, bad, at := len(samples), 0.0, -1
	for k, v := range samples {
		if !inRange(v, lo, hi) {
			bad, at = v, k
			break
		}
	}
	switch {
	case n < 2 || n > MaxSamples:
		return refuse(CodeOutOfRange, "f32", fmt.Sprintf("%d samples, needs 2 to %d", n, MaxSamples))
	case at >= 0:
		return refuse(CodeOutOfRange, "f32", fmt.Sprintf("sample %d: %g is no %s, %g to %g; are the bytes little-endian?", at, bad, t.Unit, lo, hi))
	}
	t.samples, t.sampled = samples, t.F32 // whoever judges the reading needs them next
	return nil
}

// smallWhite is the Y that some patch of a whole chart is above when Y = 100 is the perfect white:
// below it the lightest patch would be nearly black, while on a scale from 0 to 1 no print, however
// bright, reaches it.
const smallWhite = 2

// checkScale refuses X, Y, Z on the other usual scale, where the perfect white has Y = 1.
func checkScale(xyz Triples) error {
	most := 0.0
	for _, v := range xyz {
		most = max(most, v[1])
	}
	if len(xyz) < 4 || most > smallWhite {
		return nil
	}
	return refuse(CodeOutOfRange, "patches.xyz", fmt.Sprintf("the lightest patch has Y = %.4g, as on a scale where the perfect white has Y = 1; give X, Y, Z with Y = 100 for the perfect white (times 100)", most))
}

func checkTriples(field string, rows [][3]float64, n int, lo, hi [3]float64, hint string) error {
	if len(rows) != n {
		return refuse(CodeBadValue, field, fmt.Sprintf("%d rows for %d patches", len(rows), n))
	}
	for i := range rows {
		for k, v := range rows[i] {
			if !inRange(v, lo[k], hi[k]) {
				return refuse(CodeOutOfRange, fmt.Sprintf("%s[%d]", field, i), fmt.Sprintf("%g is outside %g to %g; give %s", v, lo[k], hi[k], hint))
			}
		}
	}
	return nil
}

func checkRows(field string, rows Matrix, n, least, most int, lo, hi float64, hint string) error {
	if len(rows) != n {
		return refuse(CodeBadValue, field, fmt.Sprintf("%d rows for %d patches", len(rows), n))
	}
	for i, row := range rows {
		if len(row) != len(rows[0]) {
			return refuse(CodeBadValue, fmt.Sprintf("%s[%d]", field, i), fmt.Sprintf("%d numbers, the first row has %d", len(row), len(rows[0])))
		}
		if len(row) < least || len(row) > most {
			return refuse(CodeBadValue, fmt.Sprintf("%s[%d]", field, i), fmt.Sprintf("%d numbers, needs %d to %d", len(row), least, most))
		}
		for _, v := range row {
			if !inRange(v, lo, hi) {
				return refuse(CodeOutOfRange, fmt.Sprintf("%s[%d]", field, i), fmt.Sprintf("%g is outside %g to %g; give %s", v, lo, hi, hint))
			}
		}
	}
	return nil
}
