package madeup

import (
	"fmt"
	"math"
	"slices"

	"swathkeeper/measure/chart"
)

// A Sheet is a made-up print of a chart: what package chart draws, in inks that are plain
// absorbers in a scanner's three bands. It has no press and no spectra; those are for colour.
type Sheet struct {
	Layout *chart.Layout
	Number string // print number in the square code
	// Share gives how much of a channel's ink lies between two places along the feed, in mm, as
	// a share of what should: 1 is whole, 0.75 a row that one of four passes missed. nil is 1.
	Share func(channel int, from, to float64) float64
	// RowsPerInch the printer prints; default 600.
	RowsPerInch float64
}

// sheetWhite is the linear reflectance of the unprinted goods in R, G and B.
var sheetWhite = [3]float64{0.86, 0.87, 0.85}

// bandDensity gives the densities that a channel's full tint adds in R, G and B.
func bandDensity(channel string) [3]float64 {
	switch channel {
	case "C":
		return [3]float64{1.1, 0.35, 0.12}
	case "M":
		return [3]float64{0.12, 1.15, 0.4}
	case "Y":
		return [3]float64{0.03, 0.1, 0.95}
	case "K":
		return [3]float64{1.3, 1.3, 1.25}
	}
	return [3]float64{0.2, 0.7, 0.9}
}

// Reflectance gives the linear reflectance in R, G and B, 0..1, of device values in a layout's
// terms, with each channel's ink multiplied by its share (nil: whole).
func (s Sheet) Reflectance(device, share []float64) [3]float64 {
	var d [3]float64
	for i, c := range s.Layout.Channels {
		t := device[i] / 100
		if s.Layout.Driven == chart.DrivenRGB {
			t = 1 - device[i]/255
			c = [3]string{"C", "M", "Y"}[i]
		}
		t = math.Pow(t, 0.9) // a little dot gain
		if share != nil {
			t *= share[i]
		}
		for k, a := range bandDensity(c) {
			d[k] += a * t
		}
	}
	for k := range d {
		d[k] = sheetWhite[k] * math.Pow(10, -math.Min(d[k], 1.6))
	}
	return d
}

// A Flatbed is a made-up scanner with goods lying on it. All its faults are off when zero.
type Flatbed struct {
	DPI         float64
	Bits        int  // 8 or 16
	Grey        bool // one channel: the green
	Quarters    int  // quarter turns clockwise
	TurnDegrees float64
	Flip        bool       // the goods show the print mirrored, as after a press
	Stretch     [2]float64 // of the goods, percent across and along the feed
	WaveMM      float64    // amplitude of a slow uneven stretch with a period of 160 mm
	Knit        float64    // rms of the texture, as a share of the reflectance
	Noise       float64    // rms of the sensor, as a share of full scale
	LampPercent float64    // the lamp weakens by this much over the travel, even in the middle
	Dust        int        // specks and hairs
	Seed        uint64
}

// A Picture is what a Flatbed delivers.
type Picture struct {
	W, H, Channels, Bits int
	DPI                  float64
	Pix                  []byte // rows from the top; 16-bit samples high byte first
}

// borderMM is the bare lid around the goods.
const borderMM = 6.0

// A Printed sheet is ready to be laid on a Flatbed, any number of times.
type Printed struct {
	l     *chart.Layout
	w, h  int
	perMM float64
	pix   []float32 // R, G, B reflectances on the printer's own raster
}

// Print prints the sheet; the ink spreads as a Gaussian of the given standard deviation, which
// stands for transfer and optics together.
func (s Sheet) Print(blurMM float64) (*Printed, error) {
	if s.Layout == nil || !s.Layout.HasGeometry() {
		return nil, fmt.Errorf("a made-up print needs a layout with geometry")
	}
	p, err := s.print()
	if err != nil {
		return nil, err
	}
	p.blur(blurMM * p.perMM)
	return p, nil
}

func (s Sheet) print() (*Printed, error) {
	dpi := s.RowsPerInch
	if dpi == 0 {
		dpi = 600
	}
	p := &Printed{l: s.Layout, perMM: dpi / 25.4}
	n := len(s.Layout.Channels)
	device, share := make([]float64, n), make([]float64, n)
	known := map[string][3]float64{} // of rows with all their ink
	top := 100.0
	if s.Layout.Driven == chart.DrivenRGB {
		top = 255
	}
	err := chart.Rasterise(s.Layout, s.Number, dpi, func(y int, row []byte) error {
		p.w, p.h = len(row)/n, y+1
		whole := true
		for c := range share {
			share[c] = 1
			if s.Share != nil {
				share[c] = s.Share(c, float64(y)/p.perMM, float64(y+1)/p.perMM)
			}
			whole = whole && share[c] == 1
		}
		var rgb [3]float64
		for x := range p.w {
			d := row[x*n:][:n]
			if x == 0 || !slices.Equal(d, row[(x-1)*n:x*n]) {
				c, ok := known[string(d)]
				if !ok || !whole {
					for i, v := range d {
						device[i] = float64(v) * top / 255
					}
					c = s.Reflectance(device, share)
				}
				if whole {
					known[string(d)] = c
				}
				rgb = c
			}
			p.pix = append(p.pix, float32(rgb[0]), float32(rgb[1]), float32(rgb[2]))
		}
		return nil
	})
	return p, err
}

// blur smears the reflectance with a Gaussian whose standard deviation is given in pixels.
func (p *Printed) blur(sigma float64) {
	if sigma <= 0 {
		return
	}
	r := int(math.Ceil(3.5 * sigma))
	k := make([]float32, 2*r+1)
	sum := 0.0
	for i := range k {
		v := math.Exp(-0.5 * float64((i-r)*(i-r)) / (sigma * sigma))
		k[i] = float32(v)
		sum += v
	}
	for i := range k {
		k[i] /= float32(sum)
	}
	row := make([]float32, 3*(p.w+2*r)) // with the edge pixels repeated outside
	for y := range p.h {
		line := p.pix[3*p.w*y:][:3*p.w]
		copy(row[3*r:], line)
		for x := range r {
			copy(row[3*x:], line[:3])
			copy(row[3*(p.w+r+x):], line[len(line)-3:])
		}
		for x := range line {
			var sum float32
			at := row[x:]
			for i, w := range k {
				sum += w * at[3*i]
			}
			line[x] = sum
		}
	}
	// Down, with a ring of the rows that are still needed as they were.
	stride := 3 * p.w
	ring := make([][]float32, 2*r+1)
	at := func(y int) []float32 { return p.pix[stride*min(max(y, 0), p.h-1):][:stride] }
	for i := range ring {
		ring[i] = slices.Clone(at(i - r))
	}
	out := make([]float32, stride)
	for y := range p.h {
		clear(out)
		for i, w := range k {
			for x, v := range ring[(y+i)%len(ring)] {
				out[x] += w * v
			}
		}
		next := ring[y%len(ring)]
		if y+r+1 < p.h {
			copy(next, at(y+r+1))
		} else {
			copy(next, ring[(y+2*r)%len(ring)])
		}
		copy(p.pix[stride*y:], out)
	}
}

// at samples the print at a place in mm between pixel centres.
func (p *Printed) at(x, y float64) (rgb [3]float64, ok bool) {
	u, v := x*p.perMM-0.5, y*p.perMM-0.5
	if u < -0.5 || v < -0.5 || u > float64(p.w)-0.5 || v > float64(p.h)-0.5 {
		return rgb, false
	}
	i, j := math.Floor(u), math.Floor(v)
	fu, fv := u-i, v-j
	i0, i1 := max(int(i), 0), min(int(i)+1, p.w-1)
	j0, j1 := max(int(j), 0), min(int(j)+1, p.h-1)
	a, b := p.pix[3*(j0*p.w+i0):], p.pix[3*(j0*p.w+i1):]
	c, d := p.pix[3*(j1*p.w+i0):], p.pix[3*(j1*p.w+i1):]
	for k := range rgb {
		rgb[k] = (1-fv)*((1-fu)*float64(a[k])+fu*float64(b[k])) + fv*((1-fu)*float64(c[k])+fu*float64(d[k]))
	}
	return rgb, true
}
