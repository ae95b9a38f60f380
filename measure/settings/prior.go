package settings

import (
	"strings"

	"swathkeeper/measure/drift"
)

// lean is one way in which a slider may act: a direction among the changes, and how far along it,
// in standard deviations.
type lean struct {
	at []float64
	sd float64
}

// promise is what is believed of a slider before any print: the change that half of its range
// makes, and the ways in which it may be otherwise.
type promise struct {
	mean  []float64
	leans []lean
	// own[k] is the standard deviation of coordinate k by itself.
	own []float64
}

// Sizes of the beliefs, for half of a slider's range. They are set by what sliders of printer
// drivers are there for (half a range is some ten to twenty points of tint at the mid-tone) and
// are wide; common practice, no source.
const (
	typicalMid  = 0.12
	sameForAll  = 0.07
	ownFreedom  = 0.02
	crossShare  = 0.6
	scaleDoubt  = 0.5
	squareShare = 0.30
	pairShare   = 0.22

	inkItself, inkItselfSD       = 0.18, 0.12
	inkBehindRGB, inkBehindRGBSD = 0.12, 0.10
)

// roles sorts a chart's channels.
type roles struct {
	shapes
	cyan, magenta, yellow, black int // -1 where there is none
	names                        []string
	inks                         bool // the chart asks for inks themselves, not for RGB
}

func rolesOf(chart *drift.Chart) roles {
	channels := chart.Channels
	r := roles{shapes: shapes{channels: len(channels)}, cyan: -1, magenta: -1, yellow: -1, black: -1, names: channels, inks: chart.Driven == drift.DrivenInk}
	for c, name := range channels {
		switch strings.ToUpper(name) {
		case "C", "CYAN":
			r.cyan = c
		case "M", "MAGENTA":
			r.magenta = c
		case "Y", "YELLOW":
			r.yellow = c
		case "K", "BLACK":
			r.black = c
			continue
		}
		r.colours = append(r.colours, c)
	}
	return r
}

func (r roles) zero() []float64 { return make([]float64, r.size()) }

// common is one own shape of several channels together.
func (r roles) common(shape int, channels []int, size float64) []float64 {
	v := r.zero()
	for _, c := range channels {
		v[r.own(c, shape)] = size
	}
	return v
}

// purity is what a saturation does: each colour's tint goes away from the mean of all.
func (r roles) purity(size float64) []float64 {
	v := r.zero()
	n := float64(len(r.colours))
	if n < 2 {
		return v
	}
	for _, c := range r.colours {
		v[r.own(c, shapeStrength)] = size * (1 - 1/n)
		for _, k := range r.colours {
			if k != c {
				v[r.cross(c, k)] = -size / n
			}
		}
	}
	return v
}

func add(into []float64, v []float64) {
	for i := range into {
		into[i] += v[i]
	}
}

// promised gives the belief about a slider.
func (r roles) promised(s Slider) promise {
	p := promise{mean: r.zero(), own: make([]float64, r.size())}
	every := make([]int, r.channels)
	for c := range every {
		every[c] = c
	}
	free, shared := ownFreedom, sameForAll
	switch s.Kind {
	case Brightness, Density:
		sign := -1.0
		if s.Kind == Density {
			sign = 1
		}
		add(p.mean, r.common(shapeMid, every, sign*typicalMid))
		add(p.mean, r.common(shapeStrength, every, sign*0.04))
	case Contrast:
		add(p.mean, r.common(shapeSkew, every, -0.06))
		add(p.mean, r.common(shapeStrength, every, 0.03))
	case Saturation:
		add(p.mean, r.purity(0.25))
		p.leans = append(p.leans, lean{r.purity(1), 0.15}, lean{r.common(shapeOver, r.colours, 1), 0.12})
	case Gamma:
		p.leans = append(p.leans, lean{r.common(shapeMid, every, 1), 0.15})
	case Depth:
		p.leans = append(p.leans, lean{r.common(shapeSkew, every, 1), 0.06}, lean{r.common(shapeStrength, every, 1), 0.08}, lean{r.common(shapeLoad, every, 1), 0.08})
	case Ink:
		c := -1
		for i, name := range r.names {
			if strings.EqualFold(name, s.Channel) {
				c = i
			}
		}
		shared = 0.02
		if c >= 0 {
			// Where the chart asks for the ink itself, the slider scales it; behind RGB it is a balance,
			// which does less to the solids.
			one, strength, sd := []int{c}, inkBehindRGB, inkBehindRGBSD
			if r.inks {
				strength, sd = inkItself, inkItselfSD
			}
			add(p.mean, r.common(shapeStrength, one, strength))
			add(p.mean, r.common(shapeMid, one, 0.06))
			p.leans = append(p.leans, lean{r.common(shapeStrength, one, 1), sd}, lean{r.common(shapeMid, one, 1), 0.10},
				lean{r.common(shapeSkew, one, 1), 0.05}, lean{r.common(shapeLoad, one, 1), 0.05})
		} else {
			// An ink that the chart does not ask for by itself: black behind an RGB driver.
			add(p.mean, r.common(shapeSkew, r.colours, -0.04))
			add(p.mean, r.common(shapeStrength, r.colours, 0.04))
			p.leans = append(p.leans, lean{r.common(shapeSkew, r.colours, 1), 0.05}, lean{r.common(shapeStrength, r.colours, 1), 0.05},
				lean{r.common(shapeLoad, r.colours, 1), 0.08})
		}
	case Warmth:
		add(p.mean, r.side(r.yellow, 0.08, r.cyan, -0.05))
		p.leans = append(p.leans, lean{r.balance(r.yellow), 0.07}, lean{r.balance(r.cyan), 0.07}, lean{r.balance(r.magenta), 0.05})
	case Tint:
		p.leans = append(p.leans, lean{r.balance(r.magenta), 0.10}, lean{r.balance(r.yellow), 0.05}, lean{r.balance(r.cyan), 0.05})
	case Other:
		free = 0.05
		for _, c := range every {
			p.leans = append(p.leans, lean{r.balance(c), 0.08})
		}
		p.leans = append(p.leans, lean{r.purity(1), 0.15})
	}
	p.leans = append(p.leans, lean{append([]float64(nil), p.mean...), scaleDoubt},
		lean{r.common(shapeMid, every, 1), shared}, lean{r.common(shapeStrength, every, 1), shared},
		lean{r.common(shapeSkew, every, 1), shared / 2}, lean{r.common(shapeLoad, every, 1), shared / 2},
		lean{r.purity(1), shared})
	for c := range r.channels {
		for k := range r.each() {
			sd := free
			if k >= ownShapes || k >= shapeLoad {
				sd *= crossShare
			}
			p.own[c*r.each()+k] = sd
		}
	}
	return p
}

// side is more of one channel and less of another.
func (r roles) side(up int, a float64, down int, b float64) []float64 {
	v := r.zero()
	if up >= 0 {
		add(v, r.scaled(r.balance(up), a))
	}
	if down >= 0 {
		add(v, r.scaled(r.balance(down), b))
	}
	return v
}

func (r roles) scaled(v []float64, k float64) []float64 {
	out := r.zero()
	for i := range v {
		out[i] = k * v[i]
	}
	return out
}

// balance is a channel raised in the mid-tones and, half as much, in its solid.
func (r roles) balance(c int) []float64 {
	v := r.zero()
	if c >= 0 {
		v[r.own(c, shapeMid)] = 0.8
		v[r.own(c, shapeStrength)] = 0.4
	}
	return v
}
