package drift

import (
	"gonum.org/v1/gonum/mat"
)

// inkColours are three signatures of channel c's ink becoming another colour, each in Lab units
// at the solid: across the hue, square to hue and strength, and along strength at the solid.
//
// Each log band of the ink changes in proportion to what the ink does there in the patch: with its
// absorption moved along the spectrum that proportion is nearly the same from the lightest tint to
// the solid, whether dyes dissolve or dots stay apart. Spectra could tell more: the absorption itself
// can be moved, as dissolved dyes (Kubelka-Munk) or as clear layers would have it. That leaves less
// unexplained where its physics are right. But the two ways look so alike that a change of hue was
// split between them, each within its own limit; what separates them took in the misfit of any other
// cause; and with dots it made the turn of a yellow solid 13 % too small. Three directions of Lab
// hold what there is to see of an ink's colour, each its own, whatever the physics.
func (b *signatureBuilder) inkColours(c int) [3][]float64 {
	s := b.out.solids[c]
	does := b.inkAlone(c)
	return [3][]float64{b.directed(c, does, s.hue), b.directed(c, does, s.cast), b.directed(c, does, s.strong)}
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
