// Package settings finds the driver settings under which a chart comes nearest to an aim, in as
// few prints as it can.
//
// How a driver's sliders act is not known, and differs from driver to driver. What is known is
// the chart: its ramps and overprints, in the first print already, say what more or less of each
// ink does to every patch. So a setting's effect is looked for among changes of tints (type
// shapes), with a belief for each slider: from what its name promises, weakly held, and from
// every print made so far. The belief is Gaussian, a Bayesian linear model of the changes with
// linear, square and product terms in the sliders (Rasmussen and Williams, Gaussian Processes for
// Machine Learning, 2006, chapter 2); with one print to learn from and a prior alike for all
// sliders its update is Broyden's (Mathematics of Computation 19, 1965). Its doubt about far
// settings is what keeps a step short, in the place of a trust radius, and the noise of prints
// and readings is part of it.
//
// While there are few prints, the aim counts as one more of them, whose settings are asked for by
// likelihood (type inverse): that it can be reached is knowledge too.
//
// Every call looks at all prints afresh; there is no state. The package prints nothing, knows no
// files and no clock.
package settings

import (
	"fmt"
	"math"
	"slices"

	"swathkeeper/measure/colour"
	"swathkeeper/measure/drift"
)

// Kinds of sliders, by what the driver's words promise. A promise is only where the belief
// begins: a slider that does something else is found out by the prints.
const (
	Brightness = "brightness" // more is lighter
	Density    = "density"    // more is darker
	Contrast   = "contrast"   // more is darker darks and lighter lights
	Saturation = "saturation" // more is purer
	Gamma      = "gamma"      // mid-tones, either way
	Ink        = "ink"        // more of one ink or channel
	Warmth     = "warmth"     // more is yellower and redder
	Tint       = "tint"       // green against magenta, either way
	Depth      = "depth"      // darks, either way
	Other      = "other"      // nothing is promised
)

// Kinds lists every kind.
func Kinds() []string {
	return []string{Brightness, Density, Contrast, Saturation, Gamma, Ink, Warmth, Tint, Depth, Other}
}

// MaxSliders and MaxPrints bound a search: the work grows with their cubes.
const (
	MaxSliders = 12
	MaxPrints  = 40
)

// Slider is one setting of the driver, in the driver's own numbers.
type Slider struct {
	Name string `json:"name"`
	Kind string `json:"kind"`
	// Channel is the ink, or the channel of the chart, of a slider of kind Ink.
	Channel string  `json:"channel,omitempty"`
	Low     float64 `json:"low"`
	High    float64 `json:"high"`
	// Step is the smallest move, from Low; 0 for a slider without steps, which is set to about a
	// thousandth of its range.
	Step float64 `json:"step"`
}

// maxSteps bounds a slider's steps; beyond it, it might as well have none.
const maxSteps = 1e6

// Check names what is wrong with a slider.
func (s Slider) Check() error {
	switch {
	case s.Name == "":
		return fmt.Errorf("a slider needs a name")
	case !slices.Contains(Kinds(), s.Kind):
		return fmt.Errorf("slider %q: kind %q is none of %v", s.Name, s.Kind, Kinds())
	case (s.Kind == Ink) != (s.Channel != ""):
		return fmt.Errorf("slider %q: a channel goes with kind ink, and with that kind alone", s.Name)
	case !finite(s.Low) || !finite(s.High) || !finite(s.Step) || !finite(s.High-s.Low):
		return fmt.Errorf("slider %q: its numbers are not finite", s.Name)
	case s.High <= s.Low:
		return fmt.Errorf("slider %q: it runs from %g to %g, which leaves nothing to set", s.Name, s.Low, s.High)
	case s.Step < 0 || s.Step > s.High-s.Low:
		return fmt.Errorf("slider %q: a step of %g does not fit into %g..%g", s.Name, s.Step, s.Low, s.High)
	case s.Step > 0 && (s.High-s.Low)/s.Step > maxSteps:
		return fmt.Errorf("slider %q: %g..%g in steps of %g are more steps than any slider has; leave the step out", s.Name, s.Low, s.High, s.Step)
	}
	return nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// Nearest is the value of the slider nearest to v that can be set.
func (s Slider) Nearest(v float64) float64 {
	v = min(s.High, max(s.Low, v))
	if s.Step > 0 {
		k := math.Round((v - s.Low) / s.Step)
		if s.Low+k*s.Step > s.High+1e-9*s.Step {
			k--
		}
		// The dust of the sum goes.
		v = round(s.Low+k*s.Step, s.Step*1e-8)
	} else {
		v = round(v, (s.High-s.Low)/1000)
	}
	return min(s.High, max(s.Low, v))
}

// round leaves of v whole multiples of a power of ten, the largest that is no more than to.
func round(v, to float64) float64 {
	digits := -math.Floor(math.Log10(to) + 1e-9)
	scale := math.Pow(10, math.Abs(digits))
	if digits < 0 {
		v = math.Round(v/scale) * scale
	} else if r := math.Round(v*scale) / scale; finite(r) {
		v = r
	}
	if v == 0 {
		return 0 // not -0
	}
	return v
}

func (s Slider) unit(v float64) float64 { return 2*(v-s.Low)/(s.High-s.Low) - 1 }
func (s Slider) value(u float64) float64 {
	return s.Low + (u+1)/2*(s.High-s.Low)
}

// Print is one print of the chart: the settings it was made with, and how it was read.
type Print struct {
	// Values are those of the sliders, in their order, as really set.
	Values []float64
	// Lab is D50, 2 degrees, in the chart's order.
	Lab []colour.Lab
	// Missing marks patches that were not read; nil when all were.
	Missing []bool
	// Kept says that a person looked at a doubted print and found it good: it counts in full.
	Kept bool
	// Foretold and ForetoldSE are the NextDE and NextSE that an earlier Advise gave for this print,
	// where it was made under the settings that were asked for; 0 where not. What came of them
	// corrects the doubt of later ones.
	Foretold, ForetoldSE float64
}

// Task is what is looked for.
type Task struct {
	Chart   drift.Chart
	Sliders []Slider
	// Aim is the wanted colour of each patch. A patch whose Weight is 0 has none.
	Aim    []colour.Lab
	Weight []float64 // nil: 1 each
	Options

	views map[int]*view // by print; made by Advise
}

// Options are numbers that a shop may know better.
type Options struct {
	// PrintPercent is how much each channel's strength differs from print to print under the
	// same settings (standard deviation); 0 stands for 1.
	PrintPercent float64
	// PatchNoise is a patch's noise in dE00; 0 stands for 0.5.
	PatchNoise float64
	// Worth is the smallest gain in mean dE00 that is worth another print; 0 stands for a
	// share of what the best print leaves, 0.06 to 0.12.
	Worth float64
	// Seed draws what the expected gain is averaged over.
	Seed uint64
}

func (o Options) withDefaults() Options {
	if o.PrintPercent == 0 {
		o.PrintPercent = 1
	}
	if o.PatchNoise == 0 {
		o.PatchNoise = 0.5
	}
	return o
}

func (t *Task) check(prints []Print) error {
	n := len(t.Chart.IDs)
	switch {
	case len(t.Sliders) == 0:
		return fmt.Errorf("there is no slider to set")
	case len(t.Sliders) > MaxSliders:
		return fmt.Errorf("%d sliders; at most %d can be searched at once", len(t.Sliders), MaxSliders)
	case len(t.Chart.Channels) == 0 || len(t.Chart.Channels) > 8:
		return fmt.Errorf("the chart has %d channels; 1 to 8 can be worked with", len(t.Chart.Channels))
	case len(t.Aim) != n || t.Weight != nil && len(t.Weight) != n:
		return fmt.Errorf("the chart has %d patches, the aim %d colours and %d weights", n, len(t.Aim), len(t.Weight))
	case len(prints) == 0:
		return fmt.Errorf("there is no print yet")
	case len(prints) > MaxPrints:
		return fmt.Errorf("%d prints; at most %d can be learned from: begin anew from the best", len(prints), MaxPrints)
	}
	for i, s := range t.Sliders {
		if err := s.Check(); err != nil {
			return err
		}
		for _, other := range t.Sliders[:i] {
			if other.Name == s.Name {
				return fmt.Errorf("two sliders are called %q", s.Name)
			}
		}
	}
	known := 0
	for p, a := range t.Aim {
		if t.weight(p) == 0 {
			continue
		}
		if !a.IsFinite() || !finite(t.weight(p)) || t.weight(p) < 0 {
			return fmt.Errorf("patch %s: its aim is not a colour", t.Chart.IDs[p])
		}
		known++
	}
	if known < 4 {
		return fmt.Errorf("%d patches have an aim; at least 4 are needed", known)
	}
	for j, pr := range prints {
		if err := t.checkPrint(pr, n); err != nil {
			return fmt.Errorf("print %d: %w", j+1, err)
		}
	}
	return nil
}

func (t *Task) checkPrint(pr Print, n int) error {
	if len(pr.Values) != len(t.Sliders) {
		return fmt.Errorf("%d values for %d sliders", len(pr.Values), len(t.Sliders))
	}
	for i, s := range t.Sliders {
		if v := pr.Values[i]; !finite(v) || v < s.Low || v > s.High {
			return fmt.Errorf("slider %q: %g is outside %g..%g", s.Name, v, s.Low, s.High)
		}
	}
	if len(pr.Lab) != n || pr.Missing != nil && len(pr.Missing) != n {
		return fmt.Errorf("%d colours for %d patches", len(pr.Lab), n)
	}
	missing := 0
	for p, c := range pr.Lab {
		if pr.Missing != nil && pr.Missing[p] {
			missing++
		} else if !c.IsFinite() {
			return fmt.Errorf("patch %s: its colour is not finite", t.Chart.IDs[p])
		}
	}
	if missing > n/5 {
		return fmt.Errorf("%d of %d patches are missing; at most one in five may be; read it again", missing, n)
	}
	return nil
}

func (t *Task) weight(p int) float64 {
	if t.Weight == nil {
		return 1
	}
	return t.Weight[p]
}

// lacking are the patches that any of the prints lacks: prints are told apart by what all of them
// have. nil where that is less than half of what has an aim; each then counts by what it has.
func (t *Task) lacking(prints []Print) []bool {
	lacking := make([]bool, len(t.Chart.IDs))
	known, common := 0, 0
	for p := range lacking {
		for _, pr := range prints {
			lacking[p] = lacking[p] || pr.Missing != nil && pr.Missing[p]
		}
		if t.weight(p) > 0 {
			known++
			if !lacking[p] {
				common++
			}
		}
	}
	if 2*common < known {
		return nil
	}
	return lacking
}

// Difference is the mean CIEDE2000 of colours against the aim.
func (t *Task) Difference(lab []colour.Lab, missing []bool) float64 {
	sum, all := 0.0, 0.0
	for p, c := range lab {
		w := t.weight(p)
		if w == 0 || missing != nil && missing[p] {
			continue
		}
		sum += w * colour.DE2000(c, t.Aim[p])
		all += w
	}
	return sum / all
}
