package scan

import (
	"math"
	"slices"

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

// readShades reads the white strips.
func (d *reducer) readShades() []shade {
	var white []chart.Strip
	for _, s := range d.l.Strips {
		if s.White() {
			white = append(white, s)
		}
	}
	all := make([]shade, len(white))
	good := make([]bool, len(white)*d.p.Channels)
	for i, s := range white {
		sp := d.spanOf(s)
		all[i].across, all[i].start, all[i].pitch = (sp.from+sp.to)/2, sp.start, d.pitch
	}
	inParallel(len(good), func(k int) {
		i, c := k/d.p.Channels, k%d.p.Channels
		all[i].rel[c], good[k] = d.shade(white[i], c)
	})
	var out []shade
	for i := range all {
		if !slices.Contains(good[i*d.p.Channels:(i+1)*d.p.Channels], false) {
			out = append(out, all[i])
		}
	}
	return out
}

// shade gives one channel's slow course along a white strip, relative to its mean.
func (d *reducer) shade(s chart.Strip, channel int) ([]float64, bool) {
	_, light, _, ok := d.readStrip(s, channel)
	if !ok {
		return nil, false
	}
	slow := slowly(light, int(shadeMM/d.pitch))
	mean := 0.0
	for _, v := range slow {
		mean += v / float64(len(slow))
	}
	if mean < 0.05 { // not white at all: no reference
		return nil, false
	}
	for i := range slow {
		slow[i] /= mean
	}
	return slow, true
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
