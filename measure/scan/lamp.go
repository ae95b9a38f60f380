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
const shadePitch = 0.5

// readShades reads the white strips.
func (d *reducer) readShades() []shade {
	var white []chart.Strip
	for _, s := range d.l.Strips {
		if s.White() {
			white = append(white, s)
		}
	}
	channels := []int{0, 1, 2}[:d.p.Channels]
	all := make([]*shade, len(white))
	inParallel(len(white), func(i int) {
		// Three rows of a picture for each sample tell enough.
		k := d.task(white[i], max(d.pitch, shadePitch), max(1, int(d.perMM*shadePitch/3)), channels...)
		if k != nil {
			d.read([]*task{k})
			all[i] = k.shade()
		}
	})
	var out []shade
	for _, s := range all {
		if s != nil {
			out = append(out, *s)
		}
	}
	return out
}

// shade gives each channel's slow course along a white strip, relative to its mean; nil when the
// strip is not white.
func (k *task) shade() *shade {
	sh := &shade{across: (k.sp.from + k.sp.to) / 2, start: k.sp.start, pitch: k.sp.pitch}
	for i, c := range k.channels {
		light, _ := k.light(i)
		slow := slowly(light, int(shadeMM/k.sp.pitch))
		mean := 0.0
		for _, v := range slow {
			mean += v / float64(len(slow))
		}
		if mean < 0.05 { // not white at all: no reference
			return nil
		}
		for i := range slow {
			slow[i] /= mean
		}
		sh.rel[c] = slow
	}
	return sh
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

// lamp is how bright the lamp is at a place in one channel, relative to its mean: from the white
// strips, between two of them by distance.
func (d *reducer) lamp(at point, channel int) float64 {
	across, along := at.x, at.y
	if d.feedX {
		across, along = along, across
	}
	if len(d.shades) == 0 || channel >= d.p.Channels {
		return 1
	}
	a, b := &d.shades[0], &d.shades[len(d.shades)-1]
	if len(d.shades) == 1 {
		return a.at(along, channel)
	}
	f := 0.5
	if w := b.across - a.across; math.Abs(w) > 1 {
		f = max(0, min(1, (across-a.across)/w))
	}
	return a.at(along, channel)*(1-f) + b.at(along, channel)*f
}
