package madeup

import (
	"fmt"
	"math"
)

// Head is the print head of every ink of a made-up printer, and how it is driven.
type Head struct {
	NozzlePitchUM float64 // distance of neighbouring nozzles along the feed, um
	Nozzles       int     // nozzles of one ink
	Passes        int     // passes that lay down one area
	// Interlace is how many raster rows fall on one nozzle pitch: successive passes are offset by
	// pitch / Interlace. 0 and 1 mean none.
	Interlace     int
	FirstNozzleMM float64 // feed coordinate at which nozzle 1 prints in some pass
}

// StepMM is the paper advance of one pass: the active height of the head over the passes.
func (h Head) StepMM() float64 {
	return float64(h.Nozzles) * h.NozzlePitchUM / 1000 / float64(h.Passes)
}

func (h Head) check() error {
	switch {
	case !(h.NozzlePitchUM > 0):
		return fmt.Errorf("head: nozzle pitch %v um must be positive", h.NozzlePitchUM)
	case h.Nozzles < 1 || h.Passes < 1:
		return fmt.Errorf("head: %d nozzles, %d passes: both must be at least 1", h.Nozzles, h.Passes)
	}
	return nil
}

// Fault is one nozzle that does not print as it should.
type Fault struct {
	Channel   string
	Nozzle    int     // counted from 1
	Loss      float64 // share of its ink missing, 1 = dead
	DeflectUM float64 // how far its drops land off along the feed, um
}

// SectionFault is the same loss over neighbouring nozzles First to Last, inclusive.
func SectionFault(channel string, first, last int, loss float64) []Fault {
	var f []Fault
	for n := first; n <= last; n++ {
		f = append(f, Fault{Channel: channel, Nozzle: n, Loss: loss})
	}
	return f
}

// Feed is what is wrong with the paper advance.
type Feed struct {
	// ErrorUM is the error of every single advance, um: positive leaves a gap at each seam, negative an
	// overlap. It moves the period too.
	ErrorUM float64
	// Scale multiplies the advance without opening a seam (a print that shrank or stretched); 0 = 1.
	Scale float64
}

// dash is one short line of missing (negative) or extra ink: area is in shares of full ink times mm.
type dash struct{ y, area float64 }

// dashes lists where ink of one channel is missing or too much between from and to, in mm.
//
// A nozzle lays 1/passes of the ink of a band one pitch wide in every step, whatever the interlace, so
// a dead one leaves an area of pitch / passes missing per step. When every advance is off by e, a swath
// and the one that continues it lie passes*e apart, and that seam lacks 1/passes of the ink: an area of
// e per step.
func (h Head) dashes(channel string, faults []Fault, feed Feed, from, to float64) []dash {
	scale := feed.Scale
	if scale == 0 {
		scale = 1
	}
	step := h.StepMM()*scale + feed.ErrorUM/1000
	pitch := h.NozzlePitchUM / 1000
	share := pitch / float64(h.Passes)
	var out []dash
	each := func(offset float64, put func(y float64)) {
		j0 := int(math.Floor((from-h.FirstNozzleMM-offset)/step)) - 1
		j1 := int(math.Ceil((to-h.FirstNozzleMM-offset)/step)) + 1
		for j := j0; j <= j1; j++ {
			y := h.FirstNozzleMM + offset + float64(j)*step
			if h.Interlace > 1 {
				y += pitch / float64(h.Interlace) * float64(((j%h.Interlace)+h.Interlace)%h.Interlace)
			}
			put(y)
		}
	}
	for _, f := range faults {
		if f.Channel != channel {
			continue
		}
		each(float64(f.Nozzle-1)*pitch, func(y float64) {
			if f.DeflectUM == 0 {
				out = append(out, dash{y, -share * f.Loss})
				return
			}
			out = append(out, dash{y, -share}, dash{y + f.DeflectUM/1000, share * (1 - f.Loss)})
		})
	}
	if feed.ErrorUM != 0 {
		each(-pitch/2, func(y float64) { out = append(out, dash{y, -feed.ErrorUM / 1000}) })
	}
	return out
}
