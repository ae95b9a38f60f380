package madeup

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
)

// PanelKind is a way in which a driver's sliders act: what a search for settings must not
// depend on. Each has its own arithmetic and its own hidden numbers, drawn from the seed.
type PanelKind string

const (
	// PanelTone bends R, G, B one after the other: brightness by a power and a lift, contrast by
	// a logistic curve around a hidden pivot, saturation around a hidden grey and weaker in some
	// hues, three balances whose place on the tone scale moves with brightness.
	PanelTone PanelKind = "tone"
	// PanelInk scales ink tints: each slider saturates in its own way, bends the ink's curve and takes
	// from the others; all inks share a soft limit of the total; black replaces some of the colours under it.
	PanelInk PanelKind = "ink"
	// PanelNotch has few integer notches, unevenly spaced, in an opponent space of linear light:
	// lightness, vividness that turns hues a little, warmth and tint as gains, depth of the darks.
	PanelNotch PanelKind = "notch"
	// PanelCurve has gamma on R, G, B, a saturation on the largest and smallest of the three, and
	// densities in percent on the inks behind the separation, with a hidden leak between them.
	PanelCurve PanelKind = "curve"
)

// PanelKinds lists every kind.
func PanelKinds() []PanelKind { return []PanelKind{PanelTone, PanelInk, PanelNotch, PanelCurve} }

// Dial is one slider of a panel, in its own numbers.
type Dial struct {
	Name string
	// Kind says what the driver's words promise: brightness, contrast, saturation, gamma,
	// warmth, tint, depth, or ink with Channel set. What it really does is hidden.
	Kind            string
	Channel         string
	Low, High, Step float64
	Rest            float64 // where it stands when nobody has touched it
}

// Panel is the hidden driver of one made-up printer: what its sliders do to what the chart asks
// for. Give it to a shop by Config.Panel and set it by Faults.Dials.
type Panel struct {
	kind  PanelKind
	dials []Dial
	// Hidden numbers, used as each kind likes.
	a, b  [8]float64
	table [8][]float64
}

// NewPanel draws a panel. PanelInk goes with charts driven by ink, the others with RGB.
func NewPanel(seed uint64, kind PanelKind) (*Panel, error) {
	if !slices.Contains(PanelKinds(), kind) {
		return nil, fmt.Errorf("made-up panel: unknown kind %q: take one of %v", kind, PanelKinds())
	}
	r := rand.New(rand.NewPCG(seed, 0x70616e656c000001))
	p := &Panel{kind: kind}
	for i := range p.a {
		p.a[i], p.b[i] = r.Float64(), r.Float64()
	}
	add := func(name, kind, channel string, low, high, step, rest float64) {
		p.dials = append(p.dials, Dial{Name: name, Kind: kind, Channel: channel, Low: low, High: high, Step: step, Rest: rest})
	}
	switch kind {
	case PanelTone:
		add("brightness", "brightness", "", -50, 50, 1, 0)
		add("contrast", "contrast", "", -50, 50, 1, 0)
		add("saturation", "saturation", "", -50, 50, 1, 0)
		add("cyan", "ink", "C", -50, 50, 1, 0)
		add("magenta", "ink", "M", -50, 50, 1, 0)
		add("yellow", "ink", "Y", -50, 50, 1, 0)
	case PanelInk:
		add("lightness", "brightness", "", -20, 20, 1, 0)
		add("cyan ink", "ink", "C", -30, 30, 1, 0)
		add("magenta ink", "ink", "M", -30, 30, 1, 0)
		add("yellow ink", "ink", "Y", -30, 30, 1, 0)
		add("black ink", "ink", "K", -30, 30, 1, 0)
	case PanelNotch:
		add("lightness", "brightness", "", -5, 5, 1, 0)
		add("vividness", "saturation", "", -5, 5, 1, 0)
		add("warmth", "warmth", "", -5, 5, 1, 0)
		add("tint", "tint", "", -5, 5, 1, 0)
		add("depth", "depth", "", 0, 10, 1, 5)
		for i := range p.dials {
			// Uneven notches: a running sum of steps that differ up to threefold.
			sum := 0.0
			for range 11 {
				p.table[i] = append(p.table[i], sum)
				sum += 0.5 + r.Float64()
			}
			for k := range p.table[i] {
				p.table[i][k] = 2*p.table[i][k]/p.table[i][10] - 1
			}
		}
	case PanelCurve:
		add("gamma", "gamma", "", 1, 2.6, 0.05, 1.8)
		add("saturation", "saturation", "", 0, 200, 5, 100)
		add("cyan density", "ink", "C", 70, 130, 1, 100)
		add("magenta density", "ink", "M", 70, 130, 1, 100)
		add("yellow density", "ink", "Y", 70, 130, 1, 100)
		add("black density", "ink", "K", 40, 160, 2, 100)
	}
	return p, nil
}

// Dials lists the panel's sliders, in the order of Faults.Dials.
func (p *Panel) Dials() []Dial { return slices.Clone(p.dials) }

// Kind returns the panel's kind.
func (p *Panel) Kind() PanelKind { return p.kind }

// Rest returns the values of an untouched panel.
func (p *Panel) Rest() []float64 {
	v := make([]float64, len(p.dials))
	for i, d := range p.dials {
		v[i] = d.Rest
	}
	return v
}

// check refuses values that the panel does not have. Values between steps are allowed: a trial's
// oracle looks between them.
func (p *Panel) check(values []float64) error {
	if len(values) != len(p.dials) {
		return fmt.Errorf("dials: %d values for %d sliders", len(values), len(p.dials))
	}
	for i, d := range p.dials {
		if !(values[i] >= d.Low && values[i] <= d.High) {
			return fmt.Errorf("dials: %s %g is outside %g..%g", d.Name, values[i], d.Low, d.High)
		}
	}
	return nil
}

// at is slider i as -1..1.
func (p *Panel) at(values []float64, i int) float64 {
	d := p.dials[i]
	return 2*(values[i]-d.Low)/(d.High-d.Low) - 1
}

// bent is x raised to the power with its sign kept: sliders seldom act evenly.
func bent(x, power float64) float64 { return math.Copysign(math.Pow(math.Abs(x), power), x) }

// ask changes what the chart asks for (tints 0..1 of its channels) in place.
func (p *Panel) ask(t, values []float64) {
	switch p.kind {
	case PanelTone:
		p.tone(t, values)
	case PanelInk:
		p.ink(t, values)
	case PanelNotch:
		p.notch(t, values)
	case PanelCurve:
		p.curve(t, values)
	}
	for i := range t {
		t[i] = clamp(t[i])
	}
}

func clamp(x float64) float64 { return math.Max(0, math.Min(1, x)) }

func (p *Panel) tone(t, values []float64) {
	bright := bent(p.at(values, 0), 0.8+0.6*p.a[0])
	contrast := p.at(values, 1)
	vivid := bent(p.at(values, 2), 0.8+0.5*p.a[2])
	var v [3]float64
	for i := range v {
		v[i] = 1 - t[i]
		// A power for the midtones, and a lift that starts at the darks.
		v[i] = math.Pow(v[i], math.Exp(-(0.35+0.25*p.b[0])*bright))
		v[i] += 0.08 * p.a[1] * bright * (1 - v[i]) * (1 - v[i])
		// A logistic curve around the pivot, scaled back to 0..1.
		k, pivot := 1.2+1.6*p.b[1], 0.4+0.2*p.a[3]
		if contrast < 0 {
			v[i] += (pivot + (v[i]-pivot)*0.45 - v[i]) * -contrast * (0.5 + 0.4*p.b[2])
		} else {
			g := func(x float64) float64 { return 1 / (1 + math.Exp(-2*k*(x-pivot))) }
			v[i] += ((g(v[i])-g(0))/(g(1)-g(0)) - v[i]) * contrast
		}
	}
	grey := (0.25+0.1*p.a[4])*v[0] + 0.55*v[1] + (0.2-0.1*p.a[4])*v[2]
	if vivid > 0 {
		vivid /= 1 + 0.5*vivid
	}
	for i := range v {
		d := v[i] - grey
		s := (0.5 + 0.2*p.b[4]) * vivid
		if i == 0 { // reds take less of it
			s *= 0.6 + 0.4*p.b[5]
		}
		v[i] = grey + d*math.Exp(s)
	}
	for i := range v {
		// Each balance acts most at a tone that brightness moves along the scale.
		x := clamp(v[i])
		centre := 0.5 + 0.15*bright
		w := math.Exp(-(x-centre)*(x-centre)/(2*0.3*0.3)) * (1 - 0.5*x)
		v[i] -= (0.16 + 0.08*p.a[5]) * bent(p.at(values, 3+i), 0.85+0.5*p.b[6]) * w
	}
	for i := range v {
		t[i] = 1 - v[i]
	}
}

// shared is slider from+i of n as the driver takes it: part of what the others ask for is taken
// off it, and its own effect is the smaller the more they ask for, so that the ink on the fabric
// stays within bounds.
func (p *Panel) shared(values []float64, from, n, i int) float64 {
	x, others, size := 0.0, 0.0, 0.0
	for k := range n {
		v := p.at(values, from+k)
		if k == i {
			x = v
			continue
		}
		others += v / float64(n-1)
		size += math.Abs(v) / float64(n-1)
	}
	return x*(1-(0.2+0.3*p.a[7])*size) - (0.1+0.2*p.b[7])*others
}

func (p *Panel) ink(t, values []float64) {
	light := p.at(values, 0)
	for i := range t {
		if i >= 4 || t[i] <= 0 {
			continue
		}
		x := p.shared(values, 1, 4, i) * (1 - 0.5*p.a[4]*light)
		// More ink saturates, less does not.
		gain := 0.45 * x
		if x > 0 {
			gain = (0.3 + 0.15*p.a[i]) * (1 - math.Exp(-1.6*x))
		}
		u := t[i] * (1 + gain)
		u += (0.25*p.b[i] - 0.05) * x * t[i] * (1 - t[i])
		u *= math.Pow(math.Max(t[i], 1e-6), (0.15+0.2*p.a[5])*bent(light, 1.2))
		t[i] = u
	}
	if len(t) >= 4 {
		// Black takes the place of some colour, more of it the higher its slider.
		under := min(t[0], t[1], t[2]) * math.Max(0, t[3]-0.3) * (0.25 + 0.25*p.b[5]) * (1 + p.at(values, 4))
		for i := range 3 {
			t[i] -= under
		}
	}
	total := 0.0
	for _, u := range t {
		total += u
	}
	if limit := 1.7 + 0.8*p.a[6]; total > limit {
		k := (limit + (total-limit)*0.35) / total
		for i := range t {
			t[i] *= k
		}
	}
}

func (p *Panel) notched(values []float64, i int) float64 {
	d := p.dials[i]
	at := values[i] - d.Low
	k := int(math.Min(9, math.Floor(at)))
	return p.table[i][k] + (at-float64(k))*(p.table[i][k+1]-p.table[i][k])
}

func (p *Panel) notch(t, values []float64) {
	light, vivid, warm, tint, depth := p.notched(values, 0), p.notched(values, 1), p.notched(values, 2), p.notched(values, 3), p.notched(values, 4)
	var v [3]float64
	for i := range v {
		v[i] = math.Pow(1-t[i], 2.2)
	}
	// Warmth and tint are gains on linear light, as for a change of the lamp.
	gain := [3]float64{math.Exp((0.14+0.1*p.a[0])*warm + 0.05*tint), math.Exp(-(0.16 + 0.1*p.a[1]) * tint), math.Exp(-(0.28 + 0.2*p.a[2]) * warm)}
	top := 0.0
	for i := range v {
		top = math.Max(top, gain[i])
	}
	for i := range v {
		// White stays white: the gain fades towards it.
		g := gain[i] / math.Pow(top, 0.3)
		v[i] *= 1 + (g-1)*(1-v[i]*v[i])
		v[i] = math.Cbrt(math.Max(0, v[i]))
	}
	// An opponent space of cube roots; invented.
	l := 0.4*v[0] + 0.5*v[1] + 0.1*v[2]
	rg, yb := v[0]-v[1], 0.5*(v[0]+v[1])-v[2]
	l += (0.16 + 0.08*p.b[0]) * light * 4 * l * (1 - l) * (0.7 + 0.6*p.b[1]*l)
	dark := math.Exp(-l * l / (2 * 0.35 * 0.35))
	l -= (0.1 + 0.06*p.b[2]) * depth * dark * l
	turn := (0.12*p.a[3] - 0.06) * vivid
	s, c := math.Sincos(turn)
	k := math.Exp((0.35 + 0.2*p.b[3]) * vivid)
	rg, yb = k*(c*rg-s*yb), k*(s*rg+c*yb)
	// Back: v0 - v1 = rg, (v0+v1)/2 - v2 = yb, and l.
	v[1] = l - 0.45*rg + 0.1*yb
	v[0] = v[1] + rg
	v[2] = 0.5*(v[0]+v[1]) - yb
	for i := range v {
		x := math.Max(0, v[i])
		t[i] = 1 - math.Pow(x*x*x, 1/2.2)
	}
}

func (p *Panel) curve(t, values []float64) {
	gamma := values[0] / p.dials[0].Rest
	sat := values[1] / 100
	var v [3]float64
	for i := range v {
		v[i] = math.Pow(1-t[i], math.Pow(gamma, 0.8+0.3*p.a[0]))
	}
	high, low := max(v[0], v[1], v[2]), min(v[0], v[1], v[2])
	if high > low {
		// The smallest is lowered or raised, the middle one follows; the largest stays.
		have := (high - low) / high
		want := clamp(1 - math.Pow(1-0.97*have, math.Pow(sat, 0.7+0.4*p.b[0])+0.02))
		for i := range v {
			v[i] = high - (high-v[i])*want/have
		}
	}
	for i := range v {
		t[i] = 1 - v[i]
	}
}

// lay changes the inks' coverages behind the separation, in place.
func (p *Panel) lay(inks []string, cover *[maxInks]float64, values []float64) {
	if p.kind != PanelCurve {
		return
	}
	was := *cover
	for i, name := range inks {
		for d, dial := range p.dials {
			if dial.Kind != "ink" || dial.Channel != name {
				continue
			}
			x := p.shared(values, 2, 4, d-2) * (dial.High/100 - 1)
			cover[i] = was[i] * (1 + x*(0.8+0.5*p.a[d]) - 0.6*x*p.b[d]*was[i])
			// Some of what one ink gains another loses: the maker's idea of keeping the load.
			for j := range inks {
				if j != i && was[j] > 0 && was[i] > 0 {
					cover[j] *= 1 - (0.15+0.35*p.b[d])*x*min(was[i], 1)
				}
			}
		}
	}
	for i := range inks {
		cover[i] = math.Max(0, cover[i])
	}
}
