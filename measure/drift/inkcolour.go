package drift

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// inkColours are three signatures of channel c's ink becoming another colour, each in Lab units
// at the solid.
//
// Of X, Y and Z alone, each log band of the ink changes in proportion to what the ink does there
// in the patch: with its absorption moved along the spectrum that proportion is nearly the same
// from the lightest tint to the solid, whether dyes dissolve or dots stay apart. The three are
// then across the hue, along strength at the solid, and square to both.
//
// With spectra the absorption itself can be moved. Two ways bracket the physics: where dyes
// dissolve (Kubelka-Munk) or dots are printed, an ink that absorbs more in a band changes it by
// a share of what more of that ink would; where layers are clear, by a share of what the ink
// does. The third is then the direction square to hue and strength as above. On made-up inks
// moved by 5 nm they leave 0.2 to 7 % of the change unexplained, without spectra 2 to 12 %.
func (b *signatureBuilder) inkColours(c int) [3][]float64 {
	s := b.out.solids[c]
	does := b.inkAlone(c)
	if b.optics.space == "lab" {
		return [3][]float64{b.directed(c, does, s.hue), b.directed(c, does, s.cast), b.directed(c, does, s.strong)}
	}
	tint := make([]float64, b.nc)
	thin := make([]float64, b.bands)
	tint[c] = thinTint
	b.surface.at(tint, thin)
	for i := range thin {
		thin[i] = math.Log(math.Abs(thin[i]-b.paperLogs[i]) + leastAbsorption)
	}
	dissolved := b.columnOf(c, func(p, i int) float64 {
		if i == 0 || i == b.bands-1 {
			return 0
		}
		return -(thin[i+1] - thin[i-1]) * b.strong[c][p][i]
	})
	layered := b.columnOf(c, func(p, i int) float64 {
		if i == 0 || i == b.bands-1 {
			return 0
		}
		return -(does[p][i+1] - does[p][i-1])
	})
	return [3][]float64{b.atSolid(c, dissolved), b.atSolid(c, layered), b.directed(c, does, s.cast)}
}

// inkAlone is what channel c does to the log bands of each patch: with it, less without it.
func (b *signatureBuilder) inkAlone(c int) [][]float64 {
	out := matrix(b.n, b.bands)
	t := make([]float64, b.nc)
	for p := range b.n {
		if b.tints[p][c] == 0 {
			continue
		}
		copy(t, b.tints[p])
		t[c] = 0
		b.surface.at(t, out[p])
		for i := range out[p] {
			out[p][i] = b.fitted[p][i] - out[p][i]
		}
	}
	return out
}

// columnOf is the change of Lab of every patch with channel c for a change of its log bands.
func (b *signatureBuilder) columnOf(c int, change func(p, band int) float64) []float64 {
	column := make([]float64, b.n*3)
	d := make([]float64, b.bands)
	for p := range b.n {
		if b.tints[p][c] == 0 {
			continue
		}
		for i := range d {
			d[i] = change(p, i)
		}
		lab := b.optics.change(b.logs[p], d, &b.slope[p])
		copy(column[p*3:], lab[:])
	}
	return column
}

// directed is the signature by which the solid moves by one Lab unit along dir, each log band
// of the ink in proportion to what it does.
func (b *signatureBuilder) directed(c int, does [][]float64, dir [3]float64) []float64 {
	full := make([]float64, b.bands)
	for i := range full {
		full[i] = b.solidLogs[c][i] - b.paperLogs[i]
	}
	if square(full) < 1e-6 {
		return make([]float64, b.n*3)
	}
	share := b.bandShift(b.solidLogs[c], full, dir)
	return b.columnOf(c, func(p, i int) float64 { return does[p][i] * share[i] })
}

// atSolid scales a column so that the patch with most of channel c alone moves by one Lab unit.
func (b *signatureBuilder) atSolid(c int, column []float64) []float64 {
	best, most := -1, 0.0
	for p, t := range b.tints {
		others := 0.0
		for k, v := range t {
			if k != c {
				others += v
			}
		}
		if w := t[c] - others; w > most {
			best, most = p, w
		}
	}
	if best < 0 {
		return make([]float64, len(column))
	}
	size := math.Sqrt(square(column[best*3 : best*3+3]))
	if size == 0 {
		return make([]float64, len(column))
	}
	for i := range column {
		column[i] /= size
	}
	return column
}

// bandShift finds the smallest change of the log bands at logs, in units of each band's scale,
// that moves Lab by dir.
func (b *signatureBuilder) bandShift(logs, scale []float64, dir [3]float64) []float64 {
	slope := labSlope(b.tristimulus(logs))
	m := mat.NewDense(3, b.bands, nil)
	d := make([]float64, b.bands)
	for i := range d {
		d[i] = scale[i]
		lab := b.optics.change(logs, d, &slope)
		for j := range lab {
			m.Set(j, i, lab[j])
		}
		d[i] = 0
	}
	var x mat.Dense
	if err := x.Solve(m, mat.NewDense(3, 1, dir[:])); err != nil {
		return d
	}
	for i := range d {
		d[i] = x.At(i, 0)
	}
	return d
}

const (
	// thinTint is where an ink's absorption spectrum is read: thin enough not to saturate.
	thinTint = 0.1
	// leastAbsorption keeps the relative slope of an absorption finite where there is none.
	leastAbsorption = 0.005
)
