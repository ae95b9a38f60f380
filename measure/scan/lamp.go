package scan

import (
	"math"

	"swathkeeper/measure/chart"
)

// shade is what one white strip says about the lamp: its light along the feed, slowly varying,
// relative to the strip's own mean, in each channel.
type shade struct {
	across       float64 // middle of the strip
	start, pitch float64
	rel          [3][]float64
}

// shadeMM is the length over which the white is smoothed: long against lines and texture, short
// against a lamp.
const shadeMM = 16.0

// shadePitch is the distance of samples along a white strip, in mm: a lamp changes slowly.
const shadePitch = 0.25

// readShades reads the white strips.
func (d *reducer) readShades() []shade {
	var white []chart.Strip
	for _, s := range d.l.Strips {
		if s.White() {
			white = append(white, s)
		}
	}
	all := make([]shade, len(white))
	good := make([]bool, len(white))
	inParallel(len(white), func(i int) { all[i], good[i] = d.shade(white[i]) })
	var out []shade
	for i := range all {
		if good[i] {
			out = append(out, all[i])
		}
	}
	return out
}

// shade gives each channel's slow course along a white strip, relative to its mean.
func (d *reducer) shade(s chart.Strip) (sh shade, ok bool) {
	sp := d.spanOf(s, max(d.pitch, shadePitch))
	channels := []int{0, 1, 2}[:d.p.Channels]
	light, _, ok := d.readStrip(s, sp, max(1, int(d.perMM*shadePitch/2)), channels...)
	if !ok {
		return sh, false
	}
	sh.across, sh.start, sh.pitch = (sp.from+sp.to)/2, sp.start, sp.pitch
	for _, c := range channels {
		slow := slowly(light[c], int(shadeMM/sp.pitch))
		mean := 0.0
		for _, v := range slow {
			mean += v / float64(len(slow))
		}
		if mean < 0.05 { // not white at all: no reference
			return sh, false
		}
		for i := range slow {
			slow[i] /= mean
		}
		sh.rel[c] = slow
	}
	return sh, true
}

func (s *shade) at(along float64, channel int) float64 {
	v := s.rel[channel]
	x := (along - s.start) / s.pitch
	switch {
	case x <= 0:
		return v[0]
	case x >= float64(len(v)-1):
		return v[len(v)-1]
	}
	i := int(x)
	return v[i] + (x-float64(i))*(v[i+1]-v[i])
}

// lamp is how bright the lamp is at a place, relative to its mean: from the white strips,
// between two of them by distance.
func (d *reducer) lamp(at point) (rel [3]float64) {
	across, along := at.x, at.y
	if d.feedX {
		across, along = along, across
	}
	for c := range rel {
		rel[c] = 1
		if c >= d.p.Channels {
			continue
		}
		switch len(d.shades) {
		case 0:
		case 1:
			rel[c] = d.shades[0].at(along, c)
		default:
			a, b := &d.shades[0], &d.shades[len(d.shades)-1]
			f := 0.5
			if w := b.across - a.across; math.Abs(w) > 1 {
				f = max(0, min(1, (across-a.across)/w))
			}
			rel[c] = a.at(along, c)*(1-f) + b.at(along, c)*f
		}
	}
	return rel
}
